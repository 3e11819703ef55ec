"""What a vehicle can do: top speed, gradeability, acceleration from rest, best consumption.

All of it is asked of the operating points of steps, as a solve lists them, within what the tyres
hold; the battery counts with the most power it gives in its SoC window, never with its charge.
"""

from dataclasses import dataclass, replace

import numpy as np

from ..base.units import KM_PER_H
from ..inputs.driveline import Driveline
from ..inputs.plausibility import BestPoint, best_point
from .battery import _states, corners, pack_battery
from .demand import Demand, mean_demand
from .grip import held_force
from .launches import steepest_launch
from .operating_points import all_points, drivable_steps

FASTEST = 500.0 * KM_PER_H
"""Top speeds are looked for up to here, m/s."""
HUNDRED = 100.0 * KM_PER_H
CELL = 1.0 * KM_PER_H
"""m/s, in which speeds are looked through, and over which an acceleration counts as constant."""
HARDEST = 20.0
"""m/s2, more than any tyre holds."""
PARTS, ROUNDS = 8, 5
"""Parts of the range that holds an acceleration, and how often it is divided."""


@dataclass(frozen=True)
class Capability:
    """What a vehicle can do.

    Attributes
    ----------
    top_speed : m/s on the level, up to which it can hold any speed; 0 where it cannot move
    lasting_speed : highest of these that it holds without power from the battery
    grade : steepest on which it moves off, rise over run, at most 1
    seconds_to_hundred : s from rest to 100 km/h on the level, infinite where it does not get there
    best : where the engine is at its best
    """

    top_speed: float
    lasting_speed: float
    grade: float
    seconds_to_hundred: float
    best: BestPoint


def capability(driveline: Driveline) -> Capability:
    """Work out what a vehicle can do.

    Parameters
    ----------
    driveline
        The vehicle.

    Returns
    -------
    Capability
        Speeds to 0.01 km/h, the time from accelerations over 1 km/h each; shifts take no time.
    """
    top = top_speed(driveline)
    driveline = _within_window(driveline)
    return Capability(
        top_speed=top,
        lasting_speed=_highest(driveline, top, True),
        grade=steepest_launch(driveline),
        seconds_to_hundred=_time_to(driveline, HUNDRED),
        best=best_point(driveline.engine, driveline.fuel.heating_value),
    )


def top_speed(driveline: Driveline) -> float:
    """Return the top speed of :class:`Capability` alone, m/s."""
    return _highest(_within_window(driveline), FASTEST, False)


def _within_window(driveline: Driveline) -> Driveline:
    """Return the driveline with no more battery power than it gives anywhere in its SoC window."""
    battery = driveline.battery
    cell = pack_battery(battery)
    window = corners(cell, battery.soc_min, battery.soc_max)
    states = np.empty((5, window.size))
    _states(cell, window, states)
    most = states[3].max() / max(battery.derating, 1e-12)
    table = battery.table.copy()
    given = battery.columns["power_discharge_max"]
    table.loc[{"quantity": "power_discharge_max"}] = np.minimum(given, most)
    return replace(driveline, battery=replace(battery, table=table))


def _highest(driveline: Driveline, limit: float, lasting: bool) -> float:
    """Return the highest speed that can be held, up to a limit, m/s.

    Without `lasting` it lies below the first one that cannot be held: the vehicle gets no further.
    """
    low, cell, count = 0.0, CELL, max(round(limit / CELL), 1)
    for _ in range(2):  # to 1 km/h, then to a hundredth of that
        speed = low + cell * np.arange(1, count + 1)
        able = _able(driveline, mean_demand(driveline.vehicle, speed), lasting)
        able &= speed <= limit + 1e-9
        good = np.flatnonzero(able if lasting else np.logical_and.accumulate(able))
        low, cell, count = low + cell * (good.max(initial=-1) + 1), cell / 100.0, 100
    return float(low)


def _time_to(driveline: Driveline, speed: float) -> float:
    """Return the time from rest to a speed on the level, s."""
    cells = round(speed / CELL)
    middle = (np.arange(cells) + 0.5) * speed / cells
    gain = _acceleration(driveline, middle)
    if (gain <= 0.0).any():
        return float("inf")
    return float(np.sum(speed / cells / gain))


def _acceleration(driveline: Driveline, speed: np.ndarray) -> np.ndarray:
    """Return the highest acceleration at each speed on the level, m/s2, 0 without any; (n,)."""
    low, span = np.zeros(speed.size), HARDEST
    for _ in range(ROUNDS):
        tried = low[:, None] + span / PARTS * np.arange(1, PARTS + 1)
        every = np.repeat(speed, PARTS)
        able = _able(driveline, mean_demand(driveline.vehicle, every, tried.ravel()), False)
        good = np.where(able.reshape(tried.shape), np.arange(1, PARTS + 1), 0).max(axis=1)
        low, span = low + span / PARTS * good, span / PARTS
    return low


def _able(driveline: Driveline, demand: Demand, lasting: bool) -> np.ndarray:
    """Return whether a step can be driven, on what the tyres hold, and without the battery."""
    vehicle = driveline.vehicle
    gripped = demand.wheel_torque <= held_force(vehicle, 0.0) * vehicle.wheel_radius
    if not lasting:
        return np.asarray(gripped & drivable_steps(driveline, demand))
    points = all_points(driveline, demand, 3)
    known = np.arange(points.splits) < points.count[..., None]
    fed = known & np.isfinite(points.cost) & (points.power <= 1e-6)
    return np.asarray(gripped & fed.any(axis=(1, 2, 3)))
