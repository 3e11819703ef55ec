"""What the points of a cycle must satisfy, and what makes them look like a slip of units."""

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..base.warning import InputWarning

TIME_MAX = 1e9  # s, either side of zero
TIME_STEP_MIN = 1e-6  # s
SPEED_MAX = 500 * KM_PER_H  # m/s
GRADE_MAX = 0.4  # -, rise over run

SLIP_TOP_SPEED = 45 * KM_PER_H  # m/s
SLIP_ACCELERATION = 0.6  # m/s2
SLIP_DURATION = 60.0  # s
SLIP_STEP = 2.0  # s
CAR_TOP_SPEED = 300 * KM_PER_H  # m/s
CAR_ACCELERATION = 12.0  # m/s2, more than tyres hold


@dataclass(frozen=True)
class Labels:
    """How the place that points come from names and measures them.

    Attributes
    ----------
    time, speed, grade
        Name of the column or field.
    speed_factor, grade_factor
        Multiply a value in the unit of that place to give SI.
    where
        Returns the words for the place of point i.
    """

    time: str
    speed: str
    grade: str
    speed_factor: float
    grade_factor: float
    where: Callable[[int], str]

    def refuse_all(self, *rules: tuple[np.ndarray, str, np.ndarray, float, str]) -> None:
        """Raise InputError with the first point that breaks each rule, in the place's unit.

        A rule is where it is broken, the label, values and factor to SI, and what is allowed.
        """
        broken = [
            f"{self.where(i)}: {label} is {values[i] / factor:.10g}; {allowed}"
            for bad, label, values, factor, allowed in rules
            for i in np.flatnonzero(bad)[:1]
        ]
        if broken:
            raise InputError(*broken)


def check_points(time: np.ndarray, speed: np.ndarray, grade: np.ndarray, labels: Labels) -> None:
    """Refuse points that no drive can have.

    Parameters
    ----------
    time, speed, grade
        Points in s, m/s and rise over run, float64, shape (n+1,) each.
    labels
        Names and units for the messages.

    Raises
    ------
    InputError
        A value is not finite or out of range, or time does not increase.
    """
    speed_range = f"allowed is 0 to {SPEED_MAX / labels.speed_factor:.4g}, so correct or drop it"
    grade_limit = f"{GRADE_MAX / labels.grade_factor:.4g}"
    grade_range = f"allowed is -{grade_limit} to {grade_limit}, so correct it or the unit"
    time_range = f"allowed is -{TIME_MAX:g} to {TIME_MAX:g} s, so count from the start of the drive"
    slow = np.diff(time, prepend=-np.inf) < TIME_STEP_MIN
    order = "it must exceed the time before it, so sort the points and drop repeated ones"
    unfit = ~((speed >= 0) & (speed <= SPEED_MAX))
    labels.refuse_all(
        (~(np.abs(time) <= TIME_MAX), labels.time, time, 1.0, time_range),
        (slow, labels.time, time, 1.0, order),
        (unfit, labels.speed, speed, labels.speed_factor, speed_range),
        (~(np.abs(grade) <= GRADE_MAX), labels.grade, grade, labels.grade_factor, grade_range),
    )


def check_conditions(oil_temperature: np.ndarray, heat_request: np.ndarray, labels: Labels) -> None:
    """Refuse conditions that are none; both have shape (n+1,), oil in degC, NaN where unknown.

    Raises
    ------
    InputError
        An oil temperature is out of range, or a heat request is neither 0 nor 1.
    """
    outside = ~np.isnan(oil_temperature) & ~((oil_temperature >= -60) & (oil_temperature <= 200))
    neither = (heat_request != 0.0) & (heat_request != 1.0)
    span = "allowed is -60 to 200 degC"
    labels.refuse_all(
        (outside, "oil_temperature_C", oil_temperature, 1.0, span),
        (neither, "heat_request", heat_request, 1.0, "write 1 (engine has to run) or 0"),
    )


def warn_unit_slip(place: str, time: np.ndarray, speed: np.ndarray) -> None:
    """Warn when speeds that were converted from km/h look as if they had another unit.

    Parameters
    ----------
    place
        The file, for the message.
    time, speed
        Checked points in s and m/s, shape (n+1,).

    Notes
    -----
    Judged on a 1 s grid, so that sensor noise at a high rate does not count.

    Too slow (m/s written as km/h): a drive of `SLIP_DURATION` or more, with a rest in it, that
    stays below `SLIP_TOP_SPEED` and in which 95 % of the seconds that gain speed gain less than
    `SLIP_ACCELERATION`. Slow town traffic pulls away harder than that: in every piece between
    two rests of the shipped schedules below that speed the value is 1.0 m/s2 or more, while in
    every shipped schedule divided by 3.6 it is 0.51 m/s2 or less.
    Time steps above `SLIP_STEP` blur the starts, so there nothing is said.

    Too fast (converted twice, or a jump in the recording): above `CAR_TOP_SPEED`, or a change of
    speed above `CAR_ACCELERATION`. A gentle town drive multiplied by 3.6 is not noticed.
    """
    problem = _too_slow(time, speed) or _too_fast(time, speed)
    if problem:
        warnings.warn(f"{place}: speed_km_per_h {problem}", InputWarning, stacklevel=4)


def _too_slow(time: np.ndarray, speed: np.ndarray) -> str:
    gain = _acceleration(time, speed)
    gain = gain[gain > 1e-3]
    top = speed.max()
    long_and_fine = time[-1] - time[0] >= SLIP_DURATION and np.median(np.diff(time)) <= SLIP_STEP
    if not (long_and_fine and gain.size and speed.min() < 0.1 and top < SLIP_TOP_SPEED):
        return ""
    usual = float(np.percentile(gain, 95))
    if usual >= SLIP_ACCELERATION:
        return ""
    return (
        f"rises by at most about {usual:.2f} m/s2 and stays below {top / KM_PER_H:.1f} km/h; "
        "if the values are in m/s, multiply them by 3.6"
    )


def _too_fast(time: np.ndarray, speed: np.ndarray) -> str:
    change = float(np.abs(_acceleration(time, speed)).max())
    top = speed.max()
    if change <= CAR_ACCELERATION and top <= CAR_TOP_SPEED:
        return ""
    return (
        f"reaches {top / KM_PER_H:.0f} km/h and changes by up to {change:.1f} m/s2; check the unit "
        "of speed and of time, and look for jumps in the recording"
    )


def _acceleration(time: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """Return accelerations (m/s2) on a grid of about 1 s."""
    steps = int(np.clip(round(time[-1] - time[0]), 1, 1_000_000))
    grid = np.linspace(time[0], time[-1], steps + 1)
    rate: np.ndarray = np.diff(np.interp(grid, time, speed)) / (grid[1] - grid[0])
    return rate
