"""Rates of the engine's torque in the forward run: the splits of a step that keep within them.

The engine's torque is no state of the optimiser, so the cost-to-go knows nothing of its rates and
the bound leaves them out. The run that follows the cost-to-go keeps them: from the torque of the
step before it takes the best split within reach, and a split past reach only where there is no
other.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..problem.choices import Choices
from ..problem.settings import Settings

NEAR = 1e-7  # N m, how far past reach counts as in it


class TorqueRates(NamedTuple):
    """Rates of the engine's torque, and what it takes to know the torque.

    Attributes
    ----------
    rise, fall : N m/s, infinite without a limit
    motor : N m of every split, (steps, gears, classes, splits); empty without limits
    total : N m that engine and motor give together, (steps, gears, classes)
    """

    rise: float
    fall: float
    motor: Any
    total: Any


class Room(NamedTuple):
    """Room for the splits of a list that are within reach, and their places in it, (n,) each."""

    cost: Any
    power: Any
    place: Any


def torque_rates(settings: Settings, points: Choices, first: int, last: int) -> TorqueRates:
    """Return the rates in the steps first to last - 1."""
    rise, fall = (np.inf if r is None else r for r in (settings.torque_rise, settings.torque_fall))
    if not np.isfinite(min(rise, fall)):
        return TorqueRates(np.inf, np.inf, np.empty((0, 0, 0, 0)), np.empty((0, 0, 0)))
    part = points.part(first, last)
    assert part.total is not None  # it is listed with the points of a driveline
    return TorqueRates(float(rise), float(fall), part.motor_torque, part.total)


@kernel
def _within_reach(cost, power, motor, span, room):
    """Fill `room` with the splits of a list whose motor torque lies in a span; return how many.

    Ends of the span between two splits become splits of their own. Split 0, the unpowered motor,
    stays in its place, with infinite cost where it is out of reach.
    """
    low, high = span
    room.cost[0], room.power[0], room.place[0] = cost[0], power[0], 0.0
    if not low - NEAR <= motor[0] <= high + NEAR:
        room.cost[0] = np.inf
    used = 1
    for k in range(1, cost.size):
        if low - NEAR <= motor[k] <= high + NEAR:
            room.cost[used], room.power[used], room.place[used] = cost[k], power[k], k
            used += 1
        if k + 1 == cost.size:
            break
        for end in (low, high):
            if motor[k] + NEAR < end < motor[k + 1] - NEAR:
                share = (end - motor[k]) / (motor[k + 1] - motor[k])
                both = cost[k] < np.inf and cost[k + 1] < np.inf
                room.cost[used] = cost[k] + share * (cost[k + 1] - cost[k]) if both else np.inf
                room.power[used] = power[k] + share * (power[k + 1] - power[k])
                room.place[used] = k + share
                used += 1
    return used


@kernel
def _placed(room, k, share):
    """Return number in the whole list of a split in the room, and the share towards the next."""
    place = room.place[k]
    if share > 0.0:
        place += share * (room.place[k + 1] - place)
    whole = int(place)
    return whole, place - whole
