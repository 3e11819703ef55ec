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
FULL_WIDTH = 2.0 * math.sqrt(2.0 * math.log(2.0))  # of a Gaussian at half its height, in sigmas
SHIFT_ROAD, SHIFT_MAX = 50.0, 8.0  # m of road on either side, m of height: 16 % and more
SHIFT_NOISE = 6.0  # standard deviations of the altitude's noise
STEP_PER_NOISE = 0.954  # median step between neighbours of white noise, in standard deviations


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
    known = known.pick(~_frozen(known.values, journal))
    wild = np.abs(known.values - median_filter(known.values, NEIGHBOURS, mode="nearest")) > OUTLIER
    known = known.pick(~wild)
    distance = travelled(drive)
    if distance[-1] <= 0.0:
        return np.zeros(drive.time.size)
    place, height, smooth = _by_distance(known, drive, distance, length)
    slope = np.interp(distance, place, np.gradient(smooth, place[1] - place[0]))
    steps = np.abs(np.diff(known.values))
    noise = float(np.median(steps)) / STEP_PER_NOISE if steps.size else 0.0
    _note_shift(place, height, drive, noise, journal)
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


def along_road(grade: np.ndarray, drive: Samples, length: float) -> np.ndarray:
    """Return a grade at the points of a drive, smoothed over distance as altitudes are."""
    distance = travelled(drive)
    if distance[-1] <= 0.0:
        return grade
    place, _, smooth = _by_distance(Samples(drive.time, grade), drive, distance, length)
    points: np.ndarray = np.interp(distance, place, smooth)
    return points


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
    samples: Samples, drive: Samples, travelled: np.ndarray, length: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Average samples in even bins of distance; return their middles, means and smoothed means."""
    count = int(np.clip(math.ceil(travelled[-1] / length * BINS_PER_LENGTH), 2, 2_000_000))
    width = travelled[-1] / count
    where = np.interp(samples.time, drive.time, travelled)
    index = np.minimum((where / width).astype(np.int64), count - 1)
    bins = pd.DataFrame({"place": where, "value": samples.values}).groupby(index).mean()
    middle = (np.arange(count) + 0.5) * width
    means = np.interp(middle, bins["place"], bins["value"])
    return middle, means, smooth_evenly(means, length / FULL_WIDTH / (middle[1] - middle[0]))


def _frozen(height: np.ndarray, journal: Journal) -> np.ndarray:
    """Mark stretches of one constant altitude behind or before a jump: a receiver without a fix."""
    jumps = np.flatnonzero(np.abs(np.diff(height)) > OUTLIER) + 1
    edges = np.concatenate(([0], jumps, [height.size]))
    frozen = np.zeros(height.size, dtype=bool)
    for first, stop in zip(edges[:-1], edges[1:], strict=True):
        frozen[first:stop] = stop - first > NEIGHBOURS and not np.ptp(height[first:stop])
    if frozen.all():  # a flat road, or no altitude to go by
        frozen[:] = False
    text = f"altitudes that stand still beside a jump of more than {OUTLIER:g} m dropped: {{}}"
    journal.note_marked("altitude_frozen", frozen, text)
    return frozen


def _note_shift(
    place: np.ndarray, height: np.ndarray, drive: Samples, noise: float, journal: Journal
) -> None:
    """Note the largest step of altitude that no road has: means over road before and behind it."""
    width = place[1] - place[0]
    side = max(round(SHIFT_ROAD / width), 1)
    if height.size < 2 * side + 1:
        return
    means = np.convolve(height, np.full(side, 1.0 / side), "valid")
    rise = means[side:] - means[:-side]
    worst = int(np.argmax(np.abs(rise)))
    if abs(rise[worst]) <= max(SHIFT_MAX, SHIFT_NOISE * noise):
        return
    where = 0.5 * (place[worst + side - 1] + place[worst + side])
    when = float(np.interp(where, travelled(drive), drive.time))
    text = (
        f"altitude shifts by {rise[worst]:+.1f} m at {when:.0f} s, {where / 1e3:.2f} km, which no "
        "main road climbs there, and counts as grade; mend the altitude, or leave it out with "
        "--channel altitude=none"
    )
    journal.note("altitude_shift", 1, text)
