"""Torque through a gear: from the wheels to the gearbox input and back.

With the ratio i of input speed to wheel speed, the efficiency e of the gear and its drag torque T_d
at the input, a wheel torque T takes T / (i e) + T_d there, a braking one T e / i + T_d. The inertia
of the input shaft is left aside.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel
from .plant import Plant


@kernel(inline="always")
def _input_torque(ratio, efficiency, drag, wheel_torque):
    """Torque at the gearbox input that a wheel torque takes, N m."""
    if wheel_torque >= 0.0:
        return wheel_torque / (ratio * efficiency) + drag
    return wheel_torque * efficiency / ratio + drag


@kernel(inline="always")
def _passed_on(efficiency, net):
    """Share of a torque at the gearbox input, less drag and inertia, that reaches the wheels."""
    return efficiency if net >= 0.0 else 1.0 / efficiency


def input_torque(plant: Plant, gear: int | np.ndarray, wheel_torque: np.ndarray) -> np.ndarray:
    """Return the torque at the gearbox input that wheel torques take, N m.

    Parameters
    ----------
    plant
        The driveline.
    gear
        0 is first gear; broadcasts with the torques.
    wheel_torque
        N m, positive when it propels; any shape.
    """
    numbers = plant.ratio[gear], plant.efficiency[gear], plant.gear_drag[gear]
    return np.asarray(np.vectorize(_input_torque, otypes=[float])(*numbers, wheel_torque))


def wheel_torque(plant: Plant, gear: int | np.ndarray, torque: np.ndarray) -> np.ndarray:
    """Return the torque at the wheels that torques at the gearbox input give, N m.

    Parameters
    ----------
    plant
        The driveline.
    gear
        0 is first gear; broadcasts with the torques.
    torque
        Of engine and motor at the gearbox input, N m; any shape.
    """
    net = torque - plant.gear_drag[gear]
    share = np.vectorize(_passed_on, otypes=[float])(plant.efficiency[gear], net)
    return np.asarray(net * plant.ratio[gear] * share)
