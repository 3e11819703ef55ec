"""What the tyres of the driven axles hold: load on them, friction taken, force held.

A step asks the same kernels where the driveline's cycles are held to the grip.

References
----------
Wong, *Theory of Ground Vehicles*, ch. 3 (load transfer and maximum tractive effort), from memory.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math
from typing import NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..base.units import GRAVITY
from ..inputs.driveline import Vehicle
from .demand import mean_demand


class DrivenLoad(NamedTuple):
    """What loads the driven axles on the level.

    Attributes
    ----------
    rest : N, at rest
    shift : how much of a force at the wheels, less rolling resistance, shifts on them
    rolling : N, rolling resistance
    """

    rest: float
    shift: float
    rolling: float


@kernel(inline="always")
def _driven_load(rest, shift, rolling, cosine, force):
    """Load of the driven axles, N, while a force acts at the wheels, N, of all axles together."""
    return rest * cosine + shift * (force - rolling * cosine)


@kernel(inline="always")
def _held_force(rest, shift, rolling, cosine, grip):
    """Highest tractive force that the driven tyres hold, N."""
    if grip * shift >= 1.0:
        return np.inf
    return max(grip * _driven_load(rest, shift, rolling, cosine, 0.0) / (1.0 - grip * shift), 0.0)


def grip_taken(vehicle: Vehicle, grade: float, force: float) -> float:
    """Return the friction that a tractive force takes of the driven tyres; inf without load.

    Parameters
    ----------
    vehicle
        Mass, driven axles and where their load comes from.
    grade
        Rise over run.
    force
        N at the driven wheels.
    """
    left = float(_driven_load(*driven_load(vehicle), _cosine(grade), force))
    return force / left if left > 0.0 else math.inf


def held_force(vehicle: Vehicle, grade: float) -> float:
    """Return the highest tractive force that the driven tyres hold on a grade, N.

    Notes
    -----
    F = mu N with N = N_0 + s (F - R): load at rest N_0 of the driven axles, rolling resistance R,
    and s the height of the centre of gravity over the wheelbase: less than 0 for the front axle,
    which loses load, above 0 for the rear axle, 0 for all wheels. What the force overcomes beside
    R is a climb, an acceleration and drag, all taken to act at the centre of gravity. A trailer
    rests on no driven axle.
    """
    return float(_held_force(*driven_load(vehicle), _cosine(grade), vehicle.tyre_grip))


def _cosine(grade: float) -> float:
    return math.cos(math.atan(grade))


def driven_load(vehicle: Vehicle) -> DrivenLoad:
    """Return what loads the driven axles of a vehicle on the level."""
    weight = vehicle.mass * GRAVITY
    lever = vehicle.centre_height / vehicle.wheelbase
    share = {"front": vehicle.front_load_share, "rear": 1.0 - vehicle.front_load_share}
    shift = {"front": -lever, "rear": lever}.get(vehicle.driven_axles, 0.0)
    rolling = mean_demand(vehicle, np.ones(1)).rolling_power  # at 1 m/s
    return DrivenLoad(weight * share.get(vehicle.driven_axles, 1.0), shift, float(rolling[0]))
