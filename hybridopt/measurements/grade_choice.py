"""Which of a log's channels gives the grade, and whether grade and altitude agree."""

import math
import warnings
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from ..base.units import PERCENT
from ..base.warning import InputWarning
from .channels import USUAL, ChosenColumn
from .log import Journal, Samples
from .road_grade import along_road, grade_from_altitude, logged_grade
from .stamps import order_stamps
from .units import UNITS

APART = 0.6  # of the larger grade, root mean square, from which grade and altitude disagree
APART_LEAST = 1.5 * PERCENT  # rise over run, what altitudes of positioning receivers are good for


def choose_grade(
    path: Path,
    choices: Mapping[str, ChosenColumn],
    signals: Mapping[str, Samples],
    piece: int,
    drive: Samples,
    limits: tuple[float, float],
    journal: Journal,
) -> tuple[np.ndarray, str]:
    """Return the grade at the points of a drive, and the channel it comes from.

    Parameters
    ----------
    path
        The log, for messages.
    choices, signals
        Columns taken and their samples, as logged; altitude and grade are looked for.
    piece
        Index of the piece between clock resets in which the drive lies.
    drive
        Speed of the drive, m/s.
    limits
        Backward steps of time that are sorted, s, and road over which altitude is smoothed, m.
    journal
        Takes what is done.

    Returns
    -------
    grade : rise over run, shape of the drive
    channel : "grade", "altitude" or "" where the road counts as flat

    Raises
    ------
    InputError
        A channel that the user named has no values in this drive.

    Warns
    -----
    InputWarning
        Grade and altitude disagree, or a channel not named cannot be used.

    Notes
    -----
    What the user names wins, else the grade. The other one is compared with it.
    """
    jitter, length = limits
    found: dict[str, np.ndarray] = {}
    journals = {"grade": Journal(), "altitude": Journal()}
    for name in ("grade", "altitude"):
        if name not in signals:
            continue
        try:
            pieces = order_stamps(signals[name], jitter, Journal())
            if piece >= len(pieces):
                raise InputError(f"channel {name}: its clock does not jump as that of speed does")
            if name == "grade":
                found[name] = logged_grade(pieces[piece], drive.time, journals[name])
            else:
                found[name] = grade_from_altitude(pieces[piece], drive, length, journals[name])
        except InputError as error:
            if choices[name].by != USUAL:
                raise
            warnings.warn(f"{path}: {error}; not used", InputWarning, stacklevel=5)
    if not found:
        journal.note("grade", 0, "no grade, the road is flat")
        return np.zeros(drive.time.size), ""
    named = [name for name in found if choices[name].by != USUAL]
    taken = (named or list(found))[0]
    journal += journals[taken]
    for one in journals[taken]:
        if one.name == "altitude_shift":
            warnings.warn(f"{path}: {one.text}", InputWarning, stacklevel=5)
    if len(found) == 2:
        smooth = {"altitude": found["altitude"], "grade": along_road(found["grade"], drive, length)}
        _compare(path, choices, smooth, taken, drive, journal)
    return found[taken], taken


def _compare(
    path: Path,
    choices: Mapping[str, ChosenColumn],
    smooth: Mapping[str, np.ndarray],
    taken: str,
    drive: Samples,
    journal: Journal,
) -> None:
    """Note how well grade and altitude agree, and warn where they do not."""

    def size(values: np.ndarray) -> float:
        return math.sqrt(float((drive.values * values**2).sum() / max(drive.values.sum(), 1e-9)))

    def disagree(factor: float) -> bool:
        apart = size(factor * smooth["grade"] - smooth["altitude"])
        sizes = max(size(factor * smooth["grade"]), size(smooth["altitude"]))
        return apart > max(APART * sizes, APART_LEAST)

    grade, altitude = choices["grade"], choices["altitude"]
    other = "altitude" if taken == "grade" else "grade"
    text = (
        f"grade of {grade.column.name} is {size(smooth['grade']) / PERCENT:.2g} % and that from "
        f"{altitude.column.name} {size(smooth['altitude']) / PERCENT:.2g} % (root mean square)"
    )
    journal.note("grade_compared", 0, f"{taken} taken, {other} compared: {text}")
    if not disagree(1.0):
        return
    now = grade.unit.to_si(0.01) if grade.unit else 0.01
    units = {u.sign: u.to_si(0.01) / now for u in UNITS["grade"].values() if u is not grade.unit}
    fits = [sign for sign in sorted(units) if not disagree(units[sign])]
    way = (
        f"state its unit with --channel grade={grade.column.name}:{fits[0]}"
        if fits
        else ("look at both columns")
    )
    warnings.warn(
        f"{path}: grade and altitude disagree: the {text}; {way}, or take one of them with "
        f"--channel altitude={altitude.column.name} or --channel altitude=none",
        InputWarning,
        stacklevel=6,
    )
