"""What all built-in controllers share: parameters, gears by lines, minimum times.

A controller is an integer kind, a vector of parameters, a packed array of maps and a schedule. The
first parameters are those of all kinds; the rest are a kind's own and begin at `OWN`.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.entries import R_WHEEL_SPEED, R_WHEEL_TORQUE
from .situation import ENGINE_TIME, GEAR_TIME

POWER_THRESHOLDS, ELECTRIC_POWER, EQUIVALENCE, PLAYBACK, RULE_TABLE, PREVIEW = range(6)  # kinds
GEAR_LINES, GEAR_PLAN, GEAR_FREE = range(3)  # how gears are chosen
CREEP = -50.0  # W at the wheels, less than the inverter takes

# parameters of all kinds
(
    MIN_ON,
    MIN_OFF,
    MIN_GEAR,
    GEARS,
    LINE_LOW,
    LINE_HIGH,
    LINE_BRAKE,
    LINE_GAP,
    LINE_POWER,
    BRAKE_POWER,
    SOC_REFERENCE,
    START_RESERVE,
    OWN,
) = range(13)


class PackedSchedule(NamedTuple):
    """A schedule to follow, (steps,) each; empty where a kind does not need it.

    `on` is 0 or 1, `motor_torque` NaN where the motor is unpowered.
    """

    gear: np.ndarray
    on: np.ndarray
    motor_torque: np.ndarray


class PackedController(NamedTuple):
    """A built-in controller: kind, parameters, maps, schedule; whether it needs listed points."""

    kind: int
    params: np.ndarray
    maps: np.ndarray
    schedule: PackedSchedule
    needs_points: bool


@kernel(inline="always")
def _wheel_power(around, t):
    """Power that the wheels want in a step, W."""
    return around.rows[t, R_WHEEL_TORQUE] * around.rows[t, R_WHEEL_SPEED]


@kernel(inline="always")
def _creeps(around, t):
    """Whether there is so little to recuperate at the wheels that the motor had better rest."""
    return CREEP <= _wheel_power(around, t) <= 0.0


@kernel(inline="always")
def _line_gear(plant, params, wheel_speed, wheel_power, gear, engine):
    """Gear by up and down lines of shaft speed over wheel power.

    Shift down below the line, up where the next gear stays above it by the gap. A running engine
    keeps its idle speed.
    """
    far, load = params[LINE_HIGH], min(wheel_power / params[LINE_POWER], 1.0)
    if wheel_power < 0.0:
        far, load = params[LINE_BRAKE], min(-wheel_power / params[BRAKE_POWER], 1.0)
    line = params[LINE_LOW] + (far - params[LINE_LOW]) * load
    if engine == 1:
        line = max(line, plant.idle_speed)
    while gear > 0 and wheel_speed * plant.ratio[gear] < line:
        gear -= 1
    up = line * (1.0 + params[LINE_GAP])
    while gear + 1 < plant.ratio.size and wheel_speed * plant.ratio[gear + 1] >= up:
        gear += 1
    return gear


@kernel(inline="always")
def _may_stay(plant, wheel_speed, gear, on):
    """Whether the shaft speed suits a gear, so that its minimum time can be kept."""
    speed = wheel_speed * plant.ratio[gear]
    if on and gear > 0 and wheel_speed > 0.0 and speed < plant.idle_speed:
        return False
    return speed <= min(plant.engine_max_speed, plant.motor_max_speed)


@kernel(inline="always")
def _rule_gear(around, at, rule, engine):
    """Gear of a rule for an engine state: of a schedule, or by lines with a minimum time."""
    params, wheel_speed = rule.params, around.rows[at.t, R_WHEEL_SPEED]
    if params[GEARS] == GEAR_PLAN:
        return rule.schedule.gear[at.t]
    stay = _may_stay(around.plant, wheel_speed, at.gear, engine == 1)
    if at.memory[GEAR_TIME] < params[MIN_GEAR] and stay:
        return at.gear
    power = _wheel_power(around, at.t)
    return _line_gear(around.plant, params, wheel_speed, power, at.gear, engine)


@kernel(inline="always")
def _dwell(params, at, start, stop):
    """Engine state wanted next: hysteresis between start and stop, and minimum times on and off."""
    if at.engine == 1:
        return not stop or at.memory[ENGINE_TIME] < params[MIN_ON]
    return start and at.memory[ENGINE_TIME] >= params[MIN_OFF]
