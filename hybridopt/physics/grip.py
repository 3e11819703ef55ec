"""What the tyres of the driven axles hold: load on them, friction taken, force held.

References
----------
Wong, *Theory of Ground Vehicles*, ch. 3 (load transfer and maximum tractive effort), from memory.
"""

import math

import numpy as np

from ..base.units import GRAVITY
from ..inputs.driveline import Vehicle
from .demand import mean_demand


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
    load, shift, rolling = _driven_load(vehicle, grade)
    left = load + shift * (force - rolling)
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
    load, shift, rolling = _driven_load(vehicle, grade)
    grip = vehicle.tyre_grip
    if grip * shift >= 1.0:
        return math.inf
    return max(grip * (load - shift * rolling) / (1.0 - grip * shift), 0.0)


def _driven_load(vehicle: Vehicle, grade: float) -> tuple[float, float, float]:
    """Return load of the driven axles, how much of a force shifts on them, and rolling resistance.

    N, -, N.
    """
    weight = vehicle.mass * GRAVITY * math.cos(math.atan(grade))
    lever = vehicle.centre_height / vehicle.wheelbase
    share = {"front": vehicle.front_load_share, "rear": 1.0 - vehicle.front_load_share}
    shift = {"front": -lever, "rear": lever}.get(vehicle.driven_axles, 0.0)
    rolling = mean_demand(vehicle, np.ones(1), grade=grade).rolling_power  # at 1 m/s
    return weight * share.get(vehicle.driven_axles, 1.0), shift, float(rolling[0])
