"""Grade of the road over a drive, from a logged grade or from altitude."""

import math

import numpy as np
import pandas as pd
from scipy.ndimage import median_filter

from ..base.errors import InputError
from ..base.units import PERCENT
from ..inputs.cycle_checks import GRADE_MAX
from .log import Journal, Samples
from .resampling import project, smooth_evenly, travelled

OUTLIER = 15.0  # m, from the median of neighbours
NEIGHBOURS = 7
BINS_PER_LENGTH = 20


def grade_from_altitude(
    altitude: Samples, drive: Samples, length: float, journal: Journal
) -> np.ndarray:
    """Return the grade at each point of a drive, from altitude smoothed over distance.

    Parameters
    ----------
    altitude
        m, in order of time.
    drive
        Speed of the drive, m/s.
    length
        Full width at half maximum of the Gaussian along the road, m.
    journal
        Takes what is done.

    Returns
    -------
    array, shape of the drive
        Rise over run.

    Raises
    ------
    InputError
        Fewer than two altitudes fall into the drive.

    Notes
    -----
    Altitudes are averaged in bins of distance (so a long rest counts once), smoothed along the
    road as speeds are in :func:`.resampling.low_pass`, and differentiated. A hill that repeats
    every P metres keeps 1 - (1 - g)^2 of its height, g = exp(-(2 π σ / P)^2 / 2), σ = length /
    2.355.
    """
    inside = (altitude.time >= drive.time[0]) & (altitude.time <= drive.time[-1])
    known = altitude.pick(inside & np.isfinite(altitude.values))
    if known.time.size < 2:
        raise InputError("channel altitude: fewer than two values in this stretch; leave it out")
    wild = np.abs(known.values - median_filter(known.values, NEIGHBOURS, mode="nearest")) > OUTLIER
    known = known.pick(~wild)
    distance = travelled(drive)
    if distance[-1] <= 0.0:
        return np.zeros(drive.time.size)
    place, height = _by_distance(known, drive, distance, length)
    width = place[1] - place[0]
    sigma = length / (2.0 * math.sqrt(2.0 * math.log(2.0))) / width
    slope = np.interp(distance, place, np.gradient(smooth_evenly(height, sigma), width))
    grade: np.ndarray = np.clip(slope, -GRADE_MAX, GRADE_MAX)
    text = (
        f"grade from altitude, smoothed over {length:g} m: {grade.min() / PERCENT:.1f} to "
        f"{grade.max() / PERCENT:.1f} %, height {height[-1] - height[0]:+.1f} m from start to end"
    )
    journal.note("grade", known.time.size, text)
    text = f"altitudes more than {OUTLIER:g} m off their neighbours dropped: {{}}"
    journal.note_marked("altitude_outliers", wild, text)
    _note_steep(slope, journal)
    return grade


def logged_grade(grade: Samples, points: np.ndarray, journal: Journal) -> np.ndarray:
    """Return a logged grade (rise over run) at the points of a drive, s.

    Raises
    ------
    InputError
        Fewer than two values fall into the drive.
    """
    known = grade.pick(np.isfinite(grade.values))
    inside = (known.time >= points[0]) & (known.time <= points[-1])
    if inside.sum() < 2:
        raise InputError("channel grade: fewer than two values in this stretch; leave it out")
    first, last = np.interp(points[[0, -1]], known.time, known.values)
    time = np.concatenate(([points[0]], known.time[inside], [points[-1]]))
    values = np.concatenate(([first], known.values[inside], [last]))
    fresh = np.diff(time, prepend=-np.inf) > 0.0
    slope = project(Samples(time[fresh], values[fresh]), points)
    _note_steep(slope, journal)
    limited: np.ndarray = np.clip(slope, -GRADE_MAX, GRADE_MAX)
    return limited


def _note_steep(slope: np.ndarray, journal: Journal) -> None:
    text = f"points steeper than {GRADE_MAX / PERCENT:g} %, limited to it: {{}}"
    journal.note_marked("grade_limited", np.abs(slope) > GRADE_MAX, text)


def _by_distance(
    altitude: Samples, drive: Samples, travelled: np.ndarray, length: float
) -> tuple[np.ndarray, np.ndarray]:
    """Average altitude in even bins of distance; return their middles and heights."""
    count = int(np.clip(math.ceil(travelled[-1] / length * BINS_PER_LENGTH), 2, 2_000_000))
    width = travelled[-1] / count
    where = np.interp(altitude.time, drive.time, travelled)
    index = np.minimum((where / width).astype(np.int64), count - 1)
    bins = pd.DataFrame({"place": where, "height": altitude.values}).groupby(index).mean()
    middle = (np.arange(count) + 0.5) * width
    return middle, np.interp(middle, bins["place"], bins["height"])
