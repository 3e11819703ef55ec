"""A schedule: what engine, gear and motor do in each step."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Schedule:
    """What to do in each step; all arrays have shape (steps,).

    Attributes
    ----------
    gear : int64, 0 is first gear
    engine_class : int64, an :class:`EngineClass`
    motor_torque : N m at the gearbox input
    powered : bool, whether the motor's inverter is on
    """

    gear: np.ndarray
    engine_class: np.ndarray
    motor_torque: np.ndarray
    powered: np.ndarray
