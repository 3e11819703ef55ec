"""Operating modes: labels that follow from engine state, clutches and torques alone."""

from enum import IntEnum

import numpy as np

from .codes import EngineClass


class Mode(IntEnum):
    """Operating modes of a parallel hybrid."""

    STANDSTILL = 0
    COAST = 1
    ELECTRIC = 2
    REGEN = 3
    ENGINE_PULL_START = 4
    ENGINE_ONLY = 5
    BOOST = 6
    LOAD_POINT_SHIFT = 7

    @property
    def text(self) -> str:
        """The mode in words."""
        return _MODE_TEXTS[self]


_MODE_TEXTS = {
    Mode.STANDSTILL: "standstill",
    Mode.COAST: "coast",
    Mode.ELECTRIC: "electric",
    Mode.REGEN: "regen",
    Mode.ENGINE_PULL_START: "engine-pull start",
    Mode.ENGINE_ONLY: "engine-only",
    Mode.BOOST: "boost",
    Mode.LOAD_POINT_SHIFT: "load-point shift",
}


def label_modes(
    speed: np.ndarray,
    engine_class: np.ndarray,
    engine_torque: np.ndarray,
    motor_torque: np.ndarray,
    motor_powered: np.ndarray,
) -> np.ndarray:
    """Label each step with its mode.

    Parameters
    ----------
    speed
        Vehicle speed, m/s, (steps,).
    engine_class
        :class:`EngineClass` of each step, (steps,).
    engine_torque, motor_torque
        N m, (steps,).
    motor_powered
        Whether the inverter is on, (steps,).

    Returns
    -------
    ndarray of int8, (steps,)
        Codes of :class:`Mode`.
    """
    driving = (motor_powered > 0) & (motor_torque > 0.0)
    charging = (motor_powered > 0) & (motor_torque < 0.0)
    off = engine_class == EngineClass.OFF
    conditions = [
        (engine_class == EngineClass.STARTING, Mode.ENGINE_PULL_START),
        (speed <= 0.0, Mode.STANDSTILL),
        (off & driving, Mode.ELECTRIC),
        (off & charging, Mode.REGEN),
        (off, Mode.COAST),
        (driving, Mode.BOOST),
        (charging & (engine_torque <= 0.0), Mode.REGEN),
        (charging, Mode.LOAD_POINT_SHIFT),
    ]
    tests, labels = zip(*conditions, strict=True)
    return np.select(list(tests), [int(m) for m in labels], int(Mode.ENGINE_ONLY)).astype(np.int8)
