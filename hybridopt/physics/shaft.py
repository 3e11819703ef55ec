"""Kernels of one gear and engine class of a step: speeds, torque limits, what they rule out.

`_shaft` reduces what is asked of a step to a `shaft`, an array of the entries in `entries.py`, and
to the rows of fuel and loss map at its speed.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

import numpy as np

from ..base.compiled import kernel
from .codes import (
    DRAGS,
    HEATING,
    LOCKED,
    OFF,
    OPEN,
    OPENS,
    REFUSED,
    RUNNING,
    SLIPPING,
    STARTING,
    WAITING,
    Reason,
)
from .entries import (
    R_AUXILIARY_OFF,
    R_AUXILIARY_ON,
    R_BATTERY_SHARE,
    R_CATALYST,
    R_DRAG_FACTOR,
    R_DT,
    R_ENGINE_NEEDED,
    R_FRICTION_FACTOR,
    R_FUEL_FACTOR,
    R_GRADE,
    R_HEATER,
    R_MOTOR_SHARE,
    R_SLIP,
    R_SPEED,
    R_WHEEL_ACCELERATION,
    R_WHEEL_SPEED,
    R_WHEEL_TORQUE,
    S_AUXILIARY,
    S_CAPACITY,
    S_CLUTCH,
    S_COAST,
    S_DRAG,
    S_EFFICIENCY,
    S_ENGINE,
    S_FULL,
    S_GEAR_DRAG,
    S_HIGH,
    S_INERTIA,
    S_INPUT,
    S_LOW,
    S_LUGGING,
    S_MOTOR,
    S_ON,
    S_OVERRUN,
    S_POWER_MAX,
    S_POWER_MIN,
    S_RATIO,
    S_RECUPERATION,
    S_START,
    S_TOTAL,
    S_WORK,
)
from .gearbox import _input_torque
from .grip import _driven_load, _held_force
from .interpolation import _interp, _row
from .starts import _start_energies, _start_shares, _start_steps


@kernel(inline="always")
def _fade(low, high, speed, engine):
    """Share of braking recuperation may keep at low speed; a running engine drives the pump."""
    if engine != OFF or high <= 0.0 or speed >= high:
        return 1.0
    if speed <= low:
        return 0.0
    return (speed - low) / (high - low)


@kernel(inline="always")
def _launch_clutch(plant, row, gear, engine):
    """State of the launch clutch, or -1 - reason when the gear cannot be used."""
    wheel_torque, speed = row[R_WHEEL_TORQUE], row[R_WHEEL_SPEED] * plant.ratio[gear]
    if row[R_WHEEL_SPEED] <= 0.0:
        return OPEN
    if engine == OFF:
        if plant.pump_speed > 0.0 and speed < plant.pump_speed:
            return OPEN if wheel_torque <= 0.0 else -1 - Reason.CLUTCH_PRESSURE
        limit = plant.motor_max_speed
        if plant.separating == 0.0:
            limit = min(limit, plant.engine_max_speed)
        return LOCKED if speed <= limit else -1 - Reason.GEAR_OVERSPEED
    if speed > min(plant.engine_max_speed, plant.motor_max_speed):
        return -1 - Reason.GEAR_OVERSPEED
    if speed >= plant.idle_speed:
        return LOCKED
    if wheel_torque <= 0.0:
        return OPEN
    if gear >= plant.launch_gears:
        return -1 - Reason.ENGINE_UNDERSPEED
    return SLIPPING if row[R_SLIP] > 0.0 else -1 - Reason.MUST_NOT_SLIP


@kernel
def _shaft(plant, row, gear, engine, shaft, fuel_row, loss_row):
    """Fill `shaft` and the map rows for one step, gear and engine class; return the reason."""
    if engine == OFF and (row[R_ENGINE_NEEDED] > 0.0 or row[R_CATALYST] == HEATING):
        return Reason.ENGINE_NEEDED
    if engine != OFF and row[R_CATALYST] == WAITING:
        return Reason.ENGINE_WAITS
    if engine == OFF and plant.stop == 0.0:
        return Reason.NO_ENGINE_STOP
    if plant.tyre_grip < np.inf and row[R_WHEEL_TORQUE] > _gripped_torque(plant, row):
        return Reason.TYRE_GRIP
    clutch = _launch_clutch(plant, row, gear, engine)
    if clutch < 0:
        return -1 - clutch
    on, moving = engine != OFF, row[R_WHEEL_SPEED] > 0.0
    dragged = not on and plant.separating == 0.0 and clutch == LOCKED
    input_speed = row[R_WHEEL_SPEED] * plant.ratio[gear]
    motor_speed = input_speed
    if clutch == SLIPPING:
        motor_speed = plant.launch_speed
    elif clutch == OPEN:
        motor_speed = plant.idle_speed if on else 0.0
    work, rise = 1.0, 1.0
    if engine == STARTING:
        work, rise = _start_shares(plant.start_duration, plant.ramp_time, row[R_DT])
    inertia = 0.0
    if clutch == LOCKED:
        turning = 1.0 if dragged or plant.separating == 0.0 else (work if on else 0.0)
        inertia = plant.motor_inertia + turning * plant.engine_inertia
        inertia *= row[R_WHEEL_ACCELERATION] * plant.ratio[gear]
    shaft[S_ON], shaft[S_WORK] = (1.0 if on else 0.0), work
    shaft[S_ENGINE] = motor_speed if on or dragged else 0.0
    shaft[S_MOTOR], shaft[S_INPUT], shaft[S_INERTIA] = motor_speed, input_speed, inertia
    load = row[R_AUXILIARY_ON if on else R_AUXILIARY_OFF]
    load = plant.auxiliary if np.isnan(load) else load
    shaft[S_CLUTCH], shaft[S_AUXILIARY] = clutch, load + row[R_HEATER]
    shaft[S_RATIO], shaft[S_EFFICIENCY] = plant.ratio[gear], plant.efficiency[gear]
    shaft[S_GEAR_DRAG] = plant.gear_drag[gear] * row[R_DRAG_FACTOR]
    shaft[S_COAST], shaft[S_CAPACITY] = DRAGS, np.inf
    if not on and moving:
        if plant.coast == 0.0:
            shaft[S_COAST] = REFUSED
        elif plant.opens > 0.0 and clutch == LOCKED and row[R_WHEEL_TORQUE] <= 0.0:
            shaft[S_COAST] = OPENS
        if plant.pump_speed > 0.0 and clutch == LOCKED:
            shaft[S_CAPACITY] = _held_torque(
                plant.pump_speed, plant.full_pressure_speed, plant.launch_capacity, input_speed
            )
    shaft[S_RECUPERATION] = plant.recuperation[gear]
    share = plant.battery_share + row[R_BATTERY_SHARE] * (1.0 - plant.battery_share)
    shaft[S_POWER_MIN], shaft[S_POWER_MAX] = share * plant.power_min, share * plant.power_max
    overrun = 0.0
    if on or dragged:
        overrun = _interp(plant.overrun_speed, plant.overrun, motor_speed) * row[R_FRICTION_FACTOR]
    shaft[S_START] = 0.0
    if engine == STARTING:
        rotor, slip, friction = _start_energies(plant, motor_speed, overrun, not moving)
        energy = (rotor + slip + friction) / plant.start_efficiency
        shaft[S_START] = energy / (_start_steps(plant.start_span, row[R_DT]) * row[R_DT])
    shaft[S_OVERRUN] = work * overrun
    shaft[S_FULL], shaft[S_LUGGING] = shaft[S_OVERRUN], 0.0
    if on:
        full = rise * _interp(plant.full_speed, plant.full, motor_speed)
        shaft[S_FULL] = full
        if clutch != SLIPPING:
            most = rise * _interp(plant.lugging_speed, plant.lugging, motor_speed)
            shaft[S_FULL] = min(full, most)
            shaft[S_LUGGING] = full - shaft[S_FULL]
        if row[R_CATALYST] == HEATING and plant.fuel.shape[0] > plant.fuel_speed.size:
            cold = plant.fuel[plant.fuel_speed.size :]
            _row(plant.fuel_speed, cold, motor_speed, fuel_row)
        else:
            _row(plant.fuel_speed, plant.fuel, motor_speed, fuel_row)
        if row[R_FUEL_FACTOR] != 1.0:
            for j in range(fuel_row.size):
                fuel_row[j] *= row[R_FUEL_FACTOR]
    shaft[S_DRAG] = _interp(plant.drag_speed, plant.drag, motor_speed)
    _row(plant.loss_speed, plant.loss, motor_speed, loss_row)
    return _torque_range(plant, row, engine, shaft)


@kernel
def _gripped_torque(plant, row):
    """Highest torque at the wheels that the driven tyres hold, N m."""
    cosine, grip = 1.0 / math.sqrt(1.0 + row[R_GRADE] ** 2), plant.tyre_grip
    rest, shift, rolling = plant.driven_rest, plant.driven_shift, plant.driven_rolling
    return _held_force(rest, shift, rolling, cosine, grip) * plant.wheel_radius


@kernel
def _recuperable(plant, row):
    """Braking torque of the driven wheels up to which the motor may brake, N m.

    The whole braking force shifts load, whichever axle it acts on.
    """
    cosine, force = (
        1.0 / math.sqrt(1.0 + row[R_GRADE] ** 2),
        row[R_WHEEL_TORQUE] / plant.wheel_radius,
    )
    rest, shift, rolling = plant.driven_rest, plant.driven_shift, plant.driven_rolling
    load = max(_driven_load(rest, shift, rolling, cosine, force), 0.0)
    return plant.recuperation_grip * load * plant.wheel_radius


@kernel(inline="always")
def _pump_power(plant, shaft):
    """Power of the electric pump with the engine off, W.

    What the pump at the gearbox input does not give, at the pressure for the torque wanted.
    """
    held = min(abs(shaft[S_TOTAL]) / plant.launch_capacity, 1.0)
    missing = max(1.0 - shaft[S_INPUT] / plant.pump_takeover, 0.0)
    return (plant.pump_power + plant.pump_rise * held) * missing


@kernel(inline="always")
def _held_torque(least_speed, full_speed, capacity, speed):
    """Torque that the launch clutch holds by the input-driven pump alone, N m."""
    if speed >= full_speed:
        return capacity
    return capacity * ((speed - least_speed) / (full_speed - least_speed))


@kernel(inline="always")
def _total_torque(plant, row, engine, shaft):
    """Torque required at the gearbox input, and the torque that engine and motor should give."""
    if shaft[S_CLUTCH] == OPEN:
        return 0.0, 0.0
    wheel_torque, inertia = row[R_WHEEL_TORQUE], shaft[S_INERTIA]
    ratio, efficiency, drag = shaft[S_RATIO], shaft[S_EFFICIENCY], shaft[S_GEAR_DRAG]
    required = _input_torque(ratio, efficiency, drag, wheel_torque) + inertia
    if wheel_torque >= 0.0:
        return required, required
    kept = plant.share * _fade(plant.fade_low, plant.fade_high, row[R_SPEED], engine) * wheel_torque
    if plant.recuperation_grip < np.inf:
        kept = max(kept, -_recuperable(plant, row))
    total = _input_torque(ratio, efficiency, drag, kept) + inertia
    return required, max(required, min(total, shaft[S_OVERRUN]))


@kernel(inline="always")
def _torque_range(plant, row, engine, shaft):
    """Fill the total torque wanted on the shaft and the motor's range; return the reason."""
    clutch, speed = shaft[S_CLUTCH], shaft[S_MOTOR]
    required, total = _total_torque(plant, row, engine, shaft)
    shaft[S_TOTAL], shaft[S_LOW], shaft[S_HIGH] = total, 0.0, 0.0
    if engine == OFF and row[R_WHEEL_SPEED] > 0.0:
        shaft[S_AUXILIARY] += _pump_power(plant, shaft)
    if clutch == SLIPPING and required > plant.launch_capacity:
        return Reason.CLUTCH_CAPACITY
    if engine == OFF and clutch == OPEN:
        return Reason.FEASIBLE
    peak = _interp(plant.peak_speed, plant.peak, speed)
    continuous = min(_interp(plant.continuous_speed, plant.continuous, speed), peak)
    limit = continuous + row[R_MOTOR_SHARE] * (peak - continuous)
    highest, pulls = limit, engine != RUNNING and plant.starter == 0.0
    if pulls:
        reserve = _interp(plant.reserve_speed, plant.reserve, speed)
        if engine == STARTING and reserve > peak:
            return Reason.START_TORQUE
        highest = min(limit, max(peak - reserve, 0.0))
    low, high = max(-limit, total - shaft[S_FULL]), total - shaft[S_OVERRUN]
    if row[R_WHEEL_TORQUE] < 0.0:
        high = max(high, min(0.0, highest))
    high = min(high, highest)
    if engine == OFF and plant.electric == 0.0 and low > 0.0:
        return Reason.NO_ELECTRIC_DRIVE
    if low > high + 1e-9:
        if engine == RUNNING or engine == STARTING and not pulls:
            if total - shaft[S_FULL] <= highest:
                return Reason.MOTOR_TORQUE
            lugs = total - shaft[S_FULL] - shaft[S_LUGGING] <= highest
            return Reason.LUGGING if lugs else Reason.ENGINE_TORQUE
        return (
            Reason.START_TORQUE
            if engine == STARTING or high < low <= limit
            else Reason.MOTOR_TORQUE
        )
    return _allowed_range(plant, row, engine, highest, low, max(low, high), shaft)


@kernel(inline="always")
def _allowed_range(plant, row, engine, highest, low, high, shaft):
    """Cut the motor's range to the functions switched on and to the clutch's pressure."""
    if engine == OFF and plant.electric == 0.0:
        high = min(high, 0.0)
    if engine != OFF and plant.boost == 0.0:  # while it is pulled up, the motor may drive
        high = min(high, (1.0 - shaft[S_WORK]) * highest)
        if low > high + 1e-9:
            return Reason.NO_BOOST
    if row[R_WHEEL_TORQUE] < 0.0:
        low = max(low, -shaft[S_RECUPERATION])
        if low > high + 1e-9:
            return Reason.NO_RECUPERATION
    elif engine != OFF and plant.shift_load == 0.0:
        low = max(low, min(0.0, shaft[S_TOTAL], high))
    if shaft[S_CAPACITY] < np.inf:
        middle = shaft[S_INERTIA] - shaft[S_OVERRUN]
        low, high = max(low, middle - shaft[S_CAPACITY]), min(high, middle + shaft[S_CAPACITY])
        if low > high + 1e-9:
            return Reason.CLUTCH_PRESSURE
    shaft[S_LOW], shaft[S_HIGH] = low, max(low, high)
    return Reason.FEASIBLE
