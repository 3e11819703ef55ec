"""What heats launch clutch and motor in every gear and engine class of a step."""

# mypy: allow-untyped-decorators

from typing import Any

import numpy as np

from ..base.compiled import kernel
from ..inputs.driveline import Driveline
from .codes import SLIPPING, EngineClass, Reason
from .demand import Demand
from .entries import S_CLUTCH, S_INPUT, S_MOTOR, S_SIZE, S_TOTAL
from .operating_points import demand_rows
from .plant import pack
from .shaft import _shaft


def slip_and_speed(driveline: Driveline, demand: Demand) -> np.ndarray:
    """Return the slip loss of the launch clutch, W, and the motor's speed, rad/s.

    Returns
    -------
    ndarray, (2, steps, gears, classes)
        Both depend on no split: the clutch carries the torque at the gearbox input; 0 where gear
        and class cannot be used.
    """
    shape = demand.steps, driveline.gearbox.gears, len(EngineClass)
    slip, speed = np.zeros((2, *shape))
    _fill_loads(pack(driveline), demand_rows(demand), slip, speed)
    return np.array((slip, speed))


@kernel
def _fill_loads(plant: Any, rows: Any, slip: Any, speed: Any) -> None:
    """Fill slip loss and motor speed of all gears and classes."""
    shaft = np.empty(S_SIZE)
    fuel_row, loss_row = np.empty(plant.fuel_torque.size), np.empty(plant.loss_torque.size)
    steps, gears, classes = slip.shape
    for t in range(steps):
        for g in range(gears):
            for c in range(classes):
                if _shaft(plant, rows[t], g, c, shaft, fuel_row, loss_row) != Reason.FEASIBLE:
                    continue
                speed[t, g, c] = shaft[S_MOTOR]
                if shaft[S_CLUTCH] == SLIPPING:
                    slip[t, g, c] = shaft[S_TOTAL] * (shaft[S_MOTOR] - shaft[S_INPUT])
