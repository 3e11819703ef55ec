"""Numba kernels of the threshold rules: engine on above thresholds, off below lower ones."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel
from ..physics.codes import OFF, RUNNING, STARTING
from ..physics.entries import (
    R_SPEED,
    R_WHEEL_TORQUE,
    S_FULL,
    S_HIGH,
    S_LOW,
    S_MOTOR,
    S_OVERRUN,
    S_TOTAL,
)
from ..physics.step import _point
from .clipping import _motor_power
from .reserve_kernels import _must_run
from .shared_kernels import OWN, SOC_REFERENCE, _creeps, _dwell, _rule_gear, _wheel_power
from .situation import _fill_shaft

# parameters of the power thresholds
(
    START_POWER,
    STOP_POWER,
    START_SPEED,
    STOP_SPEED,
    SOC_START,
    SOC_STOP,
    POWER_PER_SOC,
    CHARGE_GAIN,
    LOAD_LOW,
    LOAD_HIGH,
) = range(OWN, OWN + 10)
# of the electric-power rule; from SOC_START on as above
ELECTRIC_START, ELECTRIC_STOP = START_POWER, STOP_POWER


@kernel(inline="always")
def _can_be_off(plant, row, gear, work):
    """Whether the motor alone can drive a step; fills the shaft."""
    return _fill_shaft(plant, row, gear, OFF, work)


@kernel(inline="always")
def _electric_command(around, at, gear, work):
    """Command of a step on the motor alone, for the shaft that was filled last."""
    shaft, fuel_row, loss_row, point = work
    rests = shaft[S_MOTOR] == 0.0
    if not rests and _creeps(around, at.t):
        torque = around.rows[at.t, R_WHEEL_TORQUE]
        rests = _point(around.plant, shaft, fuel_row, loss_row, torque, 0.0, False, point)
    return False, gear, np.nan if rests else -np.inf


@kernel(inline="always")
def _running_torque(around, at, rule, gear, work):
    """Motor torque with the engine on: the engine takes the demand and some charging power.

    Its torque is kept between two shares of full load; the motor makes up the difference. Where
    charge is short, the motor adds only what the engine cannot give. While the wheels brake the
    fuel is cut and the motor recuperates what is left.
    """
    params, running = rule.params, RUNNING if at.engine == 1 else STARTING
    if not _fill_shaft(around.plant, around.rows[at.t], gear, running, work):
        return -np.inf
    shaft = work.shaft
    total = shaft[S_TOTAL]
    if around.rows[at.t, R_WHEEL_TORQUE] < 0.0 and total <= 0.0:
        wanted = min(total - shaft[S_OVERRUN], 0.0)
    else:
        charge = params[CHARGE_GAIN] * (params[SOC_REFERENCE] - at.soc)
        engine_torque = total + charge / max(shaft[S_MOTOR], 1.0)
        low, high = params[LOAD_LOW] * shaft[S_FULL], params[LOAD_HIGH] * shaft[S_FULL]
        if at.soc <= params[SOC_STOP]:  # charge is in reserve for what the engine cannot do alone
            low, high = max(low, min(total, shaft[S_FULL])), shaft[S_FULL]
        wanted = total - min(max(engine_torque, low), high)
    return min(max(wanted, shaft[S_LOW]), shaft[S_HIGH])


@kernel(inline="always")
def _power_thresholds(around, at, rule, work):
    """Engine on above thresholds of wheel power, speed and below one of SoC."""
    params, power = rule.params, _wheel_power(around, at.t)
    ease = params[POWER_PER_SOC] * (at.soc - params[SOC_REFERENCE])
    speed = around.rows[at.t, R_SPEED]
    start = power >= params[START_POWER] + ease or speed >= params[START_SPEED]
    stop = power < params[STOP_POWER] + ease and speed < params[STOP_SPEED]
    return _thresholds(around, at, rule, start, stop, work)


@kernel(inline="always")
def _electric_power(around, at, rule, work):
    """Engine on where driving on the motor would take more than a threshold of power."""
    power, params = np.inf, rule.params
    if _can_be_off(around.plant, around.rows[at.t], _rule_gear(around, at, rule, at.engine), work):
        power = 0.0
        if work.shaft[S_MOTOR] > 0.0:
            power = _motor_power(around.plant, work, work.shaft[S_LOW])
    start, stop = power > params[ELECTRIC_START], power <= params[ELECTRIC_STOP]
    return _thresholds(around, at, rule, start, stop, work)


@kernel(borrows=True)
def _thresholds(around, at, rule, start, stop, work):
    """Add SoC guard, minimum times, gear and split to what a threshold rule wants."""
    params = rule.params
    must = _must_run(around, at, rule, work)
    start = start or must or at.soc <= params[SOC_START]
    stop = stop and not must and at.soc >= params[SOC_STOP]
    on = _dwell(params, at, start, stop)
    g = _rule_gear(around, at, rule, 1 if on else 0)
    if not on and _can_be_off(around.plant, around.rows[at.t], g, work):
        return _electric_command(around, at, g, work)
    if not on:
        g = _rule_gear(around, at, rule, 1)
    running = RUNNING if at.engine == 1 else STARTING
    while g > 0 and not _fill_shaft(around.plant, around.rows[at.t], g, running, work):
        g -= 1  # too little torque in this gear
    return True, g, _running_torque(around, at, rule, g, work)
