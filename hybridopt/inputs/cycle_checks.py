"""What the points of a cycle must satisfy."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H, KW


class Condition(NamedTuple):
    """A quantity that a cycle may give at its points: its column, what is allowed there, in SI."""

    column: str
    factor: float  # multiplies a value of the column to give SI
    low: float
    high: float
    unit: str


CONDITIONS = {
    "oil_temperature": Condition("oil_temperature_C", 1.0, -60.0, 200.0, "degC"),
    "ambient_temperature": Condition("ambient_temperature_C", 1.0, -60.0, 60.0, "degC"),
    "auxiliary_power": Condition("auxiliary_power_kW", KW, 0.0, 100.0, "kW"),
}
"""By field of a cycle; linear between points, NaN where not known."""
TIME_MAX = 1e9  # s, either side of zero
TIME_STEP_MIN = 1e-6  # s
SPEED_MAX = 500 * KM_PER_H  # m/s
GRADE_MAX = 0.4  # -, rise over run


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


def check_conditions(
    given: Mapping[str, np.ndarray], heat_request: np.ndarray, labels: Labels
) -> None:
    """Refuse conditions that are none.

    Parameters
    ----------
    given
        By names of :data:`CONDITIONS`, SI, NaN where unknown, shape (n+1,) each.
    heat_request
        Shape (n+1,).
    labels
        The place that they come from.

    Raises
    ------
    InputError
        A condition is out of range, or a heat request is neither 0 nor 1.
    """
    rules = []
    for name, values in given.items():
        allowed = CONDITIONS[name]
        low, high = allowed.low * allowed.factor, allowed.high * allowed.factor
        outside = ~np.isnan(values) & ~((values >= low) & (values <= high))
        span = f"allowed is {allowed.low:g} to {allowed.high:g} {allowed.unit}"
        rules.append((outside, allowed.column, values, allowed.factor, span))
    neither = (heat_request != 0.0) & (heat_request != 1.0)
    run = "write 1 (engine has to run) or 0"
    labels.refuse_all(*rules, (neither, "heat_request", heat_request, 1.0, run))
