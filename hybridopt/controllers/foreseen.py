"""What a controller foresees: speed and torque at the wheels for some seconds after each step."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from ..base.errors import InputError
from ..inputs.driveline import Vehicle
from ..physics.demand import Demand, step_demand

F_SPEED, F_SPEED_START, F_ACCELERATION, F_TORQUE, F_SIZE = range(5)
"""Entries of a foreseen interval, at the wheels: rad/s mean and at its start, rad/s2, N m."""


class Predicted(NamedTuple):
    """Speed and grade that are foreseen after each step.

    Attributes
    ----------
    speeds : m/s, 0 or more, (steps, intervals + 1), at the end of the step and of each interval
    grades : rise over run, (steps, intervals), mean of each interval
    """

    speeds: np.ndarray
    grades: np.ndarray


Predict = Callable[[Demand, float, int], Predicted]
"""What foresees: from the demand of a drive, the length of an interval (s) and their number.

Interval k of step t lasts from `k` lengths after the end of the step to `k + 1` lengths after it.
"""


def exact(demand: Demand, step: float, intervals: int) -> Predicted:
    """Foresee what really comes; after the end of the drive its last speed and grade go on.

    Parameters
    ----------
    demand
        Of the whole drive.
    step
        Length of an interval, s.
    intervals
        How many are foreseen.

    Returns
    -------
    Predicted
        Speeds between those of the drive are linear in time, grades are means over each interval.
    """
    times = np.append(demand.time, demand.time[-1] + demand.dt[-1])
    places = times[1:, None] + step * np.arange(intervals + 1)
    speeds = np.interp(places, times, demand.speeds)
    climbed = np.append(0.0, np.cumsum(demand.grade * demand.dt))
    past = np.maximum(places - times[-1], 0.0) * demand.grade[-1]
    grades = np.diff(np.interp(places, times, climbed) + past, axis=1) / step
    return Predicted(speeds, grades)


def foresee(
    vehicle: Vehicle, demand: Demand, step: float, intervals: int, predict: Predict = exact
) -> np.ndarray:
    """Return what the wheels will want in some intervals after each step.

    Parameters
    ----------
    vehicle
        Whose road load counts: the one that a controller knows.
    demand
        Of the whole drive.
    step
        Length of an interval, s.
    intervals
        How many are foreseen, 0 or more.
    predict
        What foresees.

    Returns
    -------
    ndarray of float64, (steps, intervals, `F_SIZE`)
        Entries are the `F_` of this file.

    Raises
    ------
    InputError
        What foresees gives arrays of the wrong shape, or values that are no speeds or grades.
    """
    wanted = np.empty((demand.steps, intervals, F_SIZE))
    if intervals == 0:
        return wanted
    speeds, grades = (
        np.asarray(array, dtype=np.float64) for array in predict(demand, step, intervals)
    )
    shapes = (demand.steps, intervals + 1), (demand.steps, intervals)
    if (speeds.shape, grades.shape) != shapes:
        raise InputError(
            f"preview: speeds have shape {speeds.shape} and grades {grades.shape}; give "
            f"{shapes[0]} and {shapes[1]}"
        )
    if not (np.isfinite(speeds).all() and np.isfinite(grades).all() and speeds.min() >= 0.0):
        raise InputError("preview: a speed or grade is no number, or a speed is below 0; mend it")
    flat = speeds[:, :-1].ravel(), speeds[:, 1:].ravel(), grades.ravel()
    time = np.zeros(flat[0].size)
    coming = step_demand(vehicle, time, time + step, *flat)
    columns = (
        (F_SPEED, coming.wheel_speed),
        (F_SPEED_START, coming.speed_start / vehicle.wheel_radius),
        (F_ACCELERATION, coming.wheel_acceleration),
        (F_TORQUE, coming.wheel_torque),
    )
    for entry, column in columns:
        wanted[:, :, entry] = column.reshape(shapes[1])
    return wanted
