"""What makes the points of a cycle look like a slip of units: warnings with the figure."""

import warnings
from collections.abc import Iterator

import numpy as np

from ..base.units import KM_PER_H, PERCENT
from ..base.warning import InputWarning

SLOW_TOP_SPEED = 45 * KM_PER_H  # m/s
SLOW_GAIN = 0.6  # m/s2
SLOW_DURATION = 60.0  # s
FINE_STEP = 2.0  # s, longer steps blur the starts
LONG_STEP = 5.0  # s
CAR_TOP_SPEED = 250 * KM_PER_H  # m/s, common practice for road cars, no source
GAIN_MAX, LOSS_MAX = 6.0, 11.0  # m/s2, what road tyres hold; common practice, no source
LIVELY = 0.1  # m/s2, smaller accelerations do not count as positive
GENTLE_DURATION = 300.0  # s
GENTLE_SHARE = 0.05  # of the time; drives that gain speed more seldom are steady on purpose
RASTER_MAX = 5_000_000  # s
GRADE_SEEN = 0.3 * PERCENT  # rise over run


def warn_slips(
    place: str, time: np.ndarray, speed: np.ndarray, grade: np.ndarray, name: str = "speed_km_per_h"
) -> None:
    """Warn when points look as if a column had another unit, each time with the figure.

    Parameters
    ----------
    place
        The file, for the message.
    time, speed, grade
        Checked points in s, m/s and rise over run, shape (n+1,).
    name
        What the place calls its speed.

    Notes
    -----
    Accelerations are judged on a 1 s grid, so that sensor noise at a high rate does not count.

    Too slow (m/s written as km/h): a drive of `SLOW_DURATION` or more, with a rest in it, that
    stays below `SLOW_TOP_SPEED` and in which 95 % of the seconds that gain speed gain less than
    `SLOW_GAIN`. Slow town traffic pulls away harder than that: in every piece between two rests of
    the shipped schedules below that speed the value is 1.0 m/s2 or more, while in every shipped
    schedule divided by 3.6 it is 0.51 m/s2 or less.

    Too gentle (mph or m/s written as km/h): relative positive acceleration below the least of
    Regulation (EU) 2016/646, see :func:`least_positive_acceleration`, in a drive of
    `GENTLE_DURATION` or more that gains speed in `GENTLE_SHARE` of its time or more. Shipped
    schedules have 1.06 times that least or more, in mph all but the liveliest town drives less.

    Too fast (converted twice, or a jump in the recording): above `CAR_TOP_SPEED`, or a change of
    speed above `GAIN_MAX` or `LOSS_MAX`. A gentle town drive multiplied by 3.6 is not noticed.
    """
    for problem in _slips(time, speed, grade, name):
        warnings.warn(f"{place}: {problem}", InputWarning, stacklevel=4)


def _slips(time: np.ndarray, speed: np.ndarray, grade: np.ndarray, name: str) -> Iterator[str]:
    """Yield what is odd about the points, each in words."""
    yield from _long_steps(time, speed)
    fine = np.median(np.diff(time)) <= FINE_STEP
    slow = (_too_slow(time, speed) or _too_gentle(time, speed)) if fine else ""
    if problem := slow or _too_fast(time, speed):
        yield f"{name} {problem}"
    steepest = float(np.abs(grade).max())
    if 0.0 < steepest < GRADE_SEEN:
        yield (
            f"every grade lies within {steepest / PERCENT:.2g} %; if the values are rise over run, "
            "multiply them by 100"
        )


def _long_steps(time: np.ndarray, speed: np.ndarray) -> Iterator[str]:
    step = np.diff(time)
    long = (step > LONG_STEP) & (speed[1:] != speed[:-1])
    if long.any():
        longest = int(np.argmax(np.where(long, step, 0.0)))
        yield (
            f"steps longer than {LONG_STEP:g} s in which speed changes: {int(long.sum())}, the "
            f"longest {step[longest]:g} s at {time[longest]:g} s; acceleration counts as even in "
            "each, so sample once a second, and check that time is in seconds, not in ms"
        )


def _too_slow(time: np.ndarray, speed: np.ndarray) -> str:
    gain = _acceleration(time, speed)
    gain = gain[gain > 1e-3]
    top = speed.max()
    long = time[-1] - time[0] >= SLOW_DURATION
    if not (long and gain.size and speed.min() < 0.1 and top < SLOW_TOP_SPEED):
        return ""
    usual = float(np.percentile(gain, 95))
    if usual >= SLOW_GAIN:
        return ""
    return (
        f"rises by at most about {usual:.2f} m/s2 and stays below {top / KM_PER_H:.1f} km/h; "
        "if the values are in m/s, multiply them by 3.6"
    )


def _too_gentle(time: np.ndarray, speed: np.ndarray) -> str:
    at, even = raster_of_seconds(time, speed)
    moving = even > 0.0
    if time[-1] - time[0] < GENTLE_DURATION or not moving.any():
        return ""
    work, far = positive_work(even), float(np.trapezoid(even, at))
    if work.size < GENTLE_SHARE * even.size:
        return ""
    found, least = work.sum() / far, least_positive_acceleration(float(even[moving].mean()))
    if found >= least:
        return ""
    return (
        f"has a relative positive acceleration of {found:.3f} m/s2, where real drives at this "
        f"speed have {least:.3f} or more; if the values are in mph, multiply them by 1.609, if in "
        "m/s, by 3.6"
    )


def _too_fast(time: np.ndarray, speed: np.ndarray) -> str:
    change, top = _acceleration(time, speed), speed.max()
    if change.max() <= GAIN_MAX and change.min() >= -LOSS_MAX and top <= CAR_TOP_SPEED:
        return ""
    return (
        f"reaches {top / KM_PER_H:.0f} km/h and changes by up to {np.abs(change).max():.1f} m/s2; "
        "check the unit of speed and of time, and look for jumps in the recording"
    )


def _acceleration(time: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """Return accelerations (m/s2) on a grid of about 1 s."""
    steps = int(np.clip(round(time[-1] - time[0]), 1, RASTER_MAX))
    grid = np.linspace(time[0], time[-1], steps + 1)
    rate: np.ndarray = np.diff(np.interp(grid, time, speed)) / (grid[1] - grid[0])
    return rate


def raster_of_seconds(time: np.ndarray, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return times every second, s, and the speeds there, m/s; of the first `RASTER_MAX` s."""
    at = time[0] + np.arange(min(int(time[-1] - time[0] + 1e-9), RASTER_MAX) + 1)
    return at, np.interp(at, time, speed)


def seconds_acceleration(speed: np.ndarray) -> np.ndarray:
    """Return (v_{i+1} - v_{i-1}) / 2 s of speeds every second, m/s2; 0 at the ends."""
    rate = np.zeros(speed.size)
    if speed.size > 2:
        rate[1:-1] = 0.5 * (speed[2:] - speed[:-2])
    return rate


def positive_work(speed: np.ndarray) -> np.ndarray:
    """Return v a, m2/s3, at those of the speeds every second (m/s) where a is above `LIVELY`."""
    rate = seconds_acceleration(speed)
    gaining = rate > LIVELY
    work: np.ndarray = speed[gaining] * rate[gaining]
    return work


def least_positive_acceleration(mean_speed: float) -> float:
    """Return the least relative positive acceleration of a real drive, m/s2.

    Parameters
    ----------
    mean_speed
        While moving, m/s.

    Notes
    -----
    Regulation (EU) 2016/646: 0.1755 - 0.0016 v up to 94.05 km/h, 0.025 above, v in km/h; quoted in
    Sci. Rep. 11, 2021, table 4, DOI 10.1038/s41598-021-87008-1.
    """
    return max(0.1755 - 0.0016 * mean_speed / KM_PER_H, 0.025)
