"""Codes of a step: what the engine does, the launch clutch, and why a choice is inadmissible."""

from enum import IntEnum

import numpy as np


class EngineClass(IntEnum):
    """What the engine does in a step; the last axis but one of the operating points."""

    OFF = 0
    RUNNING = 1
    STARTING = 2


OFF, RUNNING, STARTING = (np.int64(code) for code in EngineClass)
"""The same as bare numbers, for kernels that compare them with other numbers.

A kernel that is handed a Python number that is written down compiles once more for that number.
"""
LOCKED, SLIPPING, OPEN = 0, 1, 2
"""States of the launch clutch."""
LIT, HEATING, WAITING = 0, 1, 2
"""Phases of the catalyst; from the last on, the engine must be off, must run, and is free."""
DRAGS, OPENS, REFUSED = 0.0, 1.0, 2.0
"""What an unpowered motor means with the engine off: it is dragged along, the launch clutch opens,
or the driveline may not coast."""


class Reason(IntEnum):
    """Why an operating point is inadmissible; FEASIBLE when it is not."""

    FEASIBLE = 0
    GEAR_OVERSPEED = 1
    ENGINE_UNDERSPEED = 2
    MOTOR_TORQUE = 3
    ENGINE_TORQUE = 4
    NO_ELECTRIC_DRIVE = 5
    CLUTCH_PRESSURE = 6
    CLUTCH_CAPACITY = 7
    BATTERY_POWER = 8
    UNPOWERED_MISFIT = 9
    NOT_USED = 10
    START_TORQUE = 11
    ENGINE_NEEDED = 12
    MUST_NOT_SLIP = 13
    NO_BOOST = 14
    NO_RECUPERATION = 15
    NO_COASTING = 16
    NO_ENGINE_STOP = 17
    LUGGING = 18
    TYRE_GRIP = 19
    ENGINE_WAITS = 20

    @property
    def text(self) -> str:
        """The reason in words."""
        return _REASON_TEXTS[self]


_REASON_TEXTS = {
    Reason.FEASIBLE: "admissible",
    Reason.GEAR_OVERSPEED: "shaft speed above a limit in this gear",
    Reason.ENGINE_UNDERSPEED: "engine below idle speed in this gear",
    Reason.MOTOR_TORQUE: "motor torque limit",
    Reason.ENGINE_TORQUE: "engine torque limit, motor helping",
    Reason.NO_ELECTRIC_DRIVE: "no electric drive",
    Reason.CLUTCH_PRESSURE: "too little oil pressure for the launch clutch with the engine off",
    Reason.CLUTCH_CAPACITY: "launch clutch torque capacity",
    Reason.BATTERY_POWER: "battery power limit",
    Reason.UNPOWERED_MISFIT: "an unpowered motor does not meet the demand",
    Reason.NOT_USED: "a split more than this point needs",
    Reason.START_TORQUE: "motor too weak for traction and pulling the engine up",
    Reason.ENGINE_NEEDED: "engine requested (heat, cold)",
    Reason.MUST_NOT_SLIP: "launch clutch must not slip",
    Reason.NO_BOOST: "no boost",
    Reason.NO_RECUPERATION: "no recuperation",
    Reason.NO_COASTING: "no coasting with the engine off",
    Reason.NO_ENGINE_STOP: "no engine stop",
    Reason.LUGGING: "lugging line of the engine",
    Reason.TYRE_GRIP: "the driven tyres do not hold",
    Reason.ENGINE_WAITS: "the engine is to start later (heating_start)",
}
