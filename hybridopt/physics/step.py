"""The physics of one step, in numba: the only place where torque, speed and loss meet.

Operating points, replay, controllers and tables all call the same kernels here. What is asked of
a step is a `row`; for one gear and engine class it is reduced to a `shaft` (speeds, torque limits
and the interpolated map rows); any motor torque is then a `point` on it. Kernels of other files
call these: clear numba's cache after edits here.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel

OFF, RUNNING, STARTING = 0, 1, 2  # engine class of a step
LOCKED, SLIPPING, OPEN = 0, 1, 2  # launch clutch
FEASIBLE, GEAR_OVERSPEED, ENGINE_UNDERSPEED, MOTOR_TORQUE, ENGINE_TORQUE = 0, 1, 2, 3, 4
NO_ELECTRIC_DRIVE, CLUTCH_PRESSURE, CLUTCH_CAPACITY, BATTERY_POWER = 5, 6, 7, 8
UNPOWERED_MISFIT, NOT_USED, START_TORQUE, ENGINE_NEEDED, MUST_NOT_SLIP = 9, 10, 11, 12, 13
NO_BOOST, NO_RECUPERATION, NO_COASTING, NO_ENGINE_STOP = 14, 15, 16, 17
DRAGS, OPENS, REFUSED = 0.0, 1.0, 2.0  # what an unpowered motor means with the engine off

# entries of a row: what is asked of a step
(
    R_SPEED,
    R_WHEEL_SPEED,
    R_WHEEL_ACCELERATION,
    R_WHEEL_TORQUE,
    R_DT,
    R_MOTOR_SHARE,
    R_BATTERY_SHARE,
    R_SLIP,
    R_FUEL_FACTOR,
    R_ENGINE_NEEDED,
    R_SIZE,
) = range(11)
# entries of a shaft; S_WORK is the share of the step in which the engine works
(
    S_ON,
    S_ENGINE,
    S_MOTOR,
    S_INPUT,
    S_TOTAL,
    S_LOW,
    S_HIGH,
    S_INERTIA,
    S_FULL,
    S_OVERRUN,
    S_DRAG,
    S_CLUTCH,
    S_START,
    S_RATIO,
    S_EFFICIENCY,
    S_GEAR_DRAG,
    S_AUXILIARY,
    S_WORK,
    S_COAST,
    S_CAPACITY,
    S_POWER_MIN,
    S_POWER_MAX,
    S_SIZE,
) = range(23)
# entries of a point
(
    P_ENGINE_TORQUE,
    P_MOTOR_TORQUE,
    P_BRAKE_TORQUE,
    P_FUEL_RATE,
    P_BATTERY_POWER,
    P_ENGINE_SPEED,
    P_MOTOR_SPEED,
    P_CLUTCH,
    P_MOTOR_LOSS,
    P_SLIP_LOSS,
    P_GEARBOX_LOSS,
    P_SHAFT_INERTIA,
    P_START_POWER,
    P_AUXILIARY,
    P_SIZE,
) = range(15)
POINT_NAMES = (
    "engine_torque",
    "motor_torque",
    "brake_torque",
    "fuel_rate",
    "battery_power",
    "engine_speed",
    "motor_speed",
    "launch_clutch",
    "motor_loss",
    "clutch_loss",
    "gearbox_loss",
    "shaft_inertia_power",
    "start_power",
    "auxiliary_power",
)


@kernel
def _cell(axis, x):
    """Index of the cell of `axis` that holds x, clamped to the axis (counting needs no branch)."""
    i = 0
    for j in range(1, axis.size - 1):
        i += axis[j] <= x
    return i


@kernel
def _interp(axis, values, x):
    i = _cell(axis, x)
    w = min(max((x - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0)
    return values[i] + w * (values[i + 1] - values[i])


@kernel
def _row(axis, table, x, out):
    """Row of a map at x: with it, a bilinear lookup is a linear one."""
    i = _cell(axis, x)
    w = min(max((x - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0)
    for j in range(table.shape[1]):
        out[j] = table[i, j] + w * (table[i + 1, j] - table[i, j])


@kernel
def _fuel_rate(fuel_torque, shaft, fuel_row, torque):
    """Fuel rate (g/s): zero at overrun torque, linear up to 0 N m, then the map.

    Torque and rate are means of the step; the engine works only for a share of it.
    """
    work, overrun = shaft[S_WORK], shaft[S_OVERRUN]
    if work <= 0.0 or torque <= overrun + 1e-9 and torque < 0.0:
        return 0.0
    if torque >= 0.0:
        return work * _interp(fuel_torque, fuel_row, torque / work)
    return work * fuel_row[0] * (1.0 - torque / overrun)


@kernel(inline="always")
def _input_torque(ratio, efficiency, drag, wheel_torque):
    """Torque at the gearbox input for a wheel torque, without the inertia of the input shaft."""
    if wheel_torque >= 0.0:
        return wheel_torque / (ratio * efficiency) + drag
    return wheel_torque * efficiency / ratio + drag


@kernel(inline="always")
def _fade(low, high, speed, engine):
    """Share of braking recuperation may keep at low speed; a running engine drives the pump."""
    if engine != OFF or high <= 0.0 or speed >= high:
        return 1.0
    if speed <= low:
        return 0.0
    return (speed - low) / (high - low)


@kernel(inline="always")
def _start_steps(duration, dt):
    """Count the steps of a start at a step length, as :func:`hybridopt.physics.starts.start_steps`."""
    return max(1.0, np.ceil(duration / dt - 1e-9))


@kernel(inline="always")
def _start_fuel(fuel, duration, dt):
    """Fuel that a start adds to each of its steps, g."""
    return fuel / _start_steps(duration, dt)


@kernel(inline="always")
def _launch_clutch(plant, row, gear, engine):
    """State of the launch clutch, or -1 - reason when the gear cannot be used."""
    wheel_torque, speed = row[R_WHEEL_TORQUE], row[R_WHEEL_SPEED] * plant.ratio[gear]
    if row[R_WHEEL_SPEED] <= 0.0:
        return OPEN
    if engine == OFF:
        if plant.pump_speed > 0.0 and speed < plant.pump_speed:
            return OPEN if wheel_torque <= 0.0 else -1 - CLUTCH_PRESSURE
        limit = plant.motor_max_speed
        if plant.separating == 0.0:
            limit = min(limit, plant.engine_max_speed)
        return LOCKED if speed <= limit else -1 - GEAR_OVERSPEED
    if speed > min(plant.engine_max_speed, plant.motor_max_speed):
        return -1 - GEAR_OVERSPEED
    if speed >= plant.idle_speed:
        return LOCKED
    if wheel_torque <= 0.0:
        return OPEN
    if gear >= plant.launch_gears:
        return -1 - ENGINE_UNDERSPEED
    return SLIPPING if row[R_SLIP] > 0.0 else -1 - MUST_NOT_SLIP


@kernel
def _shaft(plant, row, gear, engine, shaft, fuel_row, loss_row):
    """Fill `shaft` and the map rows for one step, gear and engine class; return the reason."""
    if engine == OFF and row[R_ENGINE_NEEDED] > 0.0:
        return ENGINE_NEEDED
    if engine == OFF and plant.stop == 0.0:
        return NO_ENGINE_STOP
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
    work = 1.0
    if engine == STARTING:
        work = max(0.0, 1.0 - plant.start_duration / row[R_DT])
    inertia = 0.0
    if clutch == LOCKED:
        turning = 1.0 if dragged or plant.separating == 0.0 else (work if on else 0.0)
        inertia = plant.motor_inertia + turning * plant.engine_inertia
        inertia *= row[R_WHEEL_ACCELERATION] * plant.ratio[gear]
    shaft[S_ON], shaft[S_WORK] = (1.0 if on else 0.0), work
    shaft[S_ENGINE] = motor_speed if on or dragged else 0.0
    shaft[S_MOTOR], shaft[S_INPUT], shaft[S_INERTIA] = motor_speed, input_speed, inertia
    shaft[S_CLUTCH], shaft[S_AUXILIARY] = clutch, plant.auxiliary
    shaft[S_RATIO], shaft[S_EFFICIENCY] = plant.ratio[gear], plant.efficiency[gear]
    shaft[S_GEAR_DRAG], shaft[S_COAST], shaft[S_CAPACITY] = plant.gear_drag[gear], DRAGS, np.inf
    if not on and moving:
        shaft[S_AUXILIARY] += plant.pump_power
        if plant.coast == 0.0:
            shaft[S_COAST] = REFUSED
        elif plant.opens > 0.0 and clutch == LOCKED and row[R_WHEEL_TORQUE] <= 0.0:
            shaft[S_COAST] = OPENS
        if plant.pump_speed > 0.0 and clutch == LOCKED:
            shaft[S_CAPACITY] = _held_torque(
                plant.pump_speed, plant.full_pressure_speed, plant.launch_capacity, input_speed
            )
    share = plant.battery_share + row[R_BATTERY_SHARE] * (1.0 - plant.battery_share)
    shaft[S_POWER_MIN], shaft[S_POWER_MAX] = share * plant.power_min, share * plant.power_max
    overrun = _interp(plant.overrun_speed, plant.overrun, motor_speed) if on or dragged else 0.0
    shaft[S_START] = 0.0
    if engine == STARTING:
        energy = _start_energy(plant, motor_speed, overrun)
        shaft[S_START] = energy / (_start_steps(plant.start_duration, row[R_DT]) * row[R_DT])
    shaft[S_OVERRUN] = work * overrun
    shaft[S_FULL] = shaft[S_OVERRUN]
    if on:
        shaft[S_FULL] = work * _interp(plant.full_speed, plant.full, motor_speed)
        _row(plant.fuel_speed, plant.fuel, motor_speed, fuel_row)
        if row[R_FUEL_FACTOR] != 1.0:
            for j in range(fuel_row.size):
                fuel_row[j] *= row[R_FUEL_FACTOR]
    shaft[S_DRAG] = _interp(plant.drag_speed, plant.drag, motor_speed)
    _row(plant.loss_speed, plant.loss, motor_speed, loss_row)
    return _torque_range(plant, row, engine, shaft)


@kernel(inline="always")
def _held_torque(least_speed, full_speed, capacity, speed):
    """Torque that the launch clutch holds by the input-driven pump alone, N m."""
    if speed >= full_speed:
        return capacity
    return capacity * ((speed - least_speed) / (full_speed - least_speed))


@kernel(inline="always")
def _start_energy(plant, speed, overrun):
    """Electric energy of an engine start up to a speed, J.

    Rotor, the same again as slip loss of the separating clutch that pulls it up (none without
    one or with a starter), and friction work. It is charged whether or not the engine
    turned: the state does not say.
    """
    inertia = plant.engine_inertia + (plant.motor_inertia if plant.separating == 0.0 else 0.0)
    rotor = 0.5 * inertia * speed**2
    slip = rotor if plant.starter == 0.0 and plant.separating > 0.0 else 0.0
    friction = 0.5 * speed * -overrun * plant.start_duration
    return (rotor + slip + friction) / plant.start_efficiency


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
    total = _input_torque(ratio, efficiency, drag, kept) + inertia
    return required, max(required, min(total, shaft[S_OVERRUN]))


@kernel(inline="always")
def _torque_range(plant, row, engine, shaft):
    """Fill the total torque wanted on the shaft and the motor's range; return the reason."""
    clutch, speed = shaft[S_CLUTCH], shaft[S_MOTOR]
    required, total = _total_torque(plant, row, engine, shaft)
    shaft[S_TOTAL], shaft[S_LOW], shaft[S_HIGH] = total, 0.0, 0.0
    if clutch == SLIPPING and required > plant.launch_capacity:
        return CLUTCH_CAPACITY
    if engine == OFF and clutch == OPEN:
        return FEASIBLE
    peak = _interp(plant.peak_speed, plant.peak, speed)
    continuous = min(_interp(plant.continuous_speed, plant.continuous, speed), peak)
    limit = continuous + row[R_MOTOR_SHARE] * (peak - continuous)
    highest, pulls = limit, engine != RUNNING and plant.starter == 0.0
    if pulls:
        reserve = _interp(plant.reserve_speed, plant.reserve, speed)
        if engine == STARTING and reserve > peak:
            return START_TORQUE
        highest = min(limit, max(peak - reserve, 0.0))
    low, high = max(-limit, total - shaft[S_FULL]), total - shaft[S_OVERRUN]
    if row[R_WHEEL_TORQUE] < 0.0:
        high = max(high, min(0.0, highest))
    high = min(high, highest)
    if engine == OFF and plant.electric == 0.0 and low > 0.0:
        return NO_ELECTRIC_DRIVE
    if low > high + 1e-9:
        if engine == RUNNING or engine == STARTING and not pulls:
            return ENGINE_TORQUE if total - shaft[S_FULL] > highest else MOTOR_TORQUE
        return START_TORQUE if engine == STARTING or high < low <= limit else MOTOR_TORQUE
    return _allowed_range(plant, row, engine, highest, low, max(low, high), shaft)


@kernel(inline="always")
def _allowed_range(plant, row, engine, highest, low, high, shaft):
    """Cut the motor's range to the functions switched on and to the clutch's pressure."""
    if engine == OFF and plant.electric == 0.0:
        high = min(high, 0.0)
    if engine != OFF and plant.boost == 0.0:  # while it is pulled up, the motor may drive
        high = min(high, (1.0 - shaft[S_WORK]) * highest)
        if low > high + 1e-9:
            return NO_BOOST
    if row[R_WHEEL_TORQUE] < 0.0:
        if plant.recuperate == 0.0:
            low = max(low, 0.0)
            if low > high + 1e-9:
                return NO_RECUPERATION
    elif engine != OFF and plant.shift_load == 0.0:
        low = max(low, min(0.0, shaft[S_TOTAL], high))
    if shaft[S_CAPACITY] < np.inf:
        middle = shaft[S_INERTIA] - shaft[S_OVERRUN]
        low, high = max(low, middle - shaft[S_CAPACITY]), min(high, middle + shaft[S_CAPACITY])
        if low > high + 1e-9:
            return CLUTCH_PRESSURE
    shaft[S_LOW], shaft[S_HIGH] = low, max(low, high)
    return FEASIBLE


@kernel
def _point(plant, shaft, fuel_row, loss_row, wheel_torque, motor_torque, powered, point):
    """Fill `point` for a motor torque on a shaft; return whether it is admissible."""
    return FEASIBLE == _torque_point(
        plant.fuel_torque,
        plant.loss_torque,
        shaft,
        fuel_row,
        loss_row,
        wheel_torque,
        motor_torque,
        powered,
        point,
    )


@kernel(inline="always")
def _torque_point(
    fuel_torque, loss_torque, shaft, fuel_row, loss_row, wheel_torque, motor_torque, powered, point
):
    """As `_point`, returning the reason.

    Inner loops call it: passing the whole plant would count references each time.
    """
    if shaft[S_COAST] == REFUSED and (not powered or abs(motor_torque) <= 1e-9):
        return NO_COASTING
    point[P_FUEL_RATE], point[P_START_POWER] = 0.0, shaft[S_START]
    point[P_AUXILIARY] = shaft[S_AUXILIARY]
    opens = shaft[S_COAST] == OPENS and not powered
    tolerance = 1e-9 * (1.0 + abs(wheel_torque))
    driveline, loss, motor_power, engine_torque = 0.0, 0.0, 0.0, 0.0
    if opens:
        motor_torque = 0.0
        for i in (P_ENGINE_SPEED, P_MOTOR_SPEED, P_SLIP_LOSS, P_GEARBOX_LOSS, P_SHAFT_INERTIA):
            point[i] = 0.0
    else:
        if powered:
            loss = _interp(loss_torque, loss_row, motor_torque)
            motor_power = motor_torque * shaft[S_MOTOR] + loss
        else:
            motor_torque = -shaft[S_DRAG] if shaft[S_MOTOR] > 0.0 else 0.0
            loss = -motor_torque * shaft[S_MOTOR]
        engine_torque = min(max(shaft[S_TOTAL] - motor_torque, shaft[S_OVERRUN]), shaft[S_FULL])
        point[P_ENGINE_SPEED], point[P_MOTOR_SPEED] = shaft[S_ENGINE], shaft[S_MOTOR]
        if shaft[S_ON] > 0.0:
            point[P_FUEL_RATE] = _fuel_rate(fuel_torque, shaft, fuel_row, engine_torque)
        driveline = _wheel_side(shaft, engine_torque + motor_torque, point)
    point[P_ENGINE_TORQUE], point[P_MOTOR_TORQUE] = engine_torque, motor_torque
    point[P_CLUTCH], point[P_MOTOR_LOSS] = (OPEN if opens else shaft[S_CLUTCH]), loss
    power = motor_power + shaft[S_START] + shaft[S_AUXILIARY]
    point[P_BATTERY_POWER] = power
    brake = wheel_torque - driveline
    point[P_BRAKE_TORQUE] = brake if brake < -tolerance else 0.0
    misfit = MOTOR_TORQUE if powered else UNPOWERED_MISFIT
    if brake > tolerance or wheel_torque >= 0.0 and brake < -tolerance:
        return misfit
    if not opens and not _is_held(shaft, engine_torque + motor_torque):
        return CLUTCH_PRESSURE if shaft[S_CAPACITY] < np.inf else misfit
    slack = 1e-9 * (shaft[S_POWER_MAX] - shaft[S_POWER_MIN])
    if power > shaft[S_POWER_MAX] + slack or power < shaft[S_POWER_MIN] - slack:
        return BATTERY_POWER
    return FEASIBLE


@kernel
def _is_held(shaft, torque):
    """Tell whether the launch clutch carries the torque of a shaft; open, it carries none."""
    if shaft[S_CLUTCH] == OPEN:
        return abs(torque) <= 1e-9 * (1.0 + abs(shaft[S_OVERRUN]))
    return abs(torque - shaft[S_INERTIA]) <= shaft[S_CAPACITY] + 1e-9


@kernel
def _wheel_side(shaft, torque, point):
    """Return the driveline's torque at the wheels; fill clutch and gearbox loss and inertia."""
    point[P_SLIP_LOSS], point[P_GEARBOX_LOSS], point[P_SHAFT_INERTIA] = 0.0, 0.0, 0.0
    if shaft[S_CLUTCH] == OPEN:
        return 0.0
    speed = shaft[S_INPUT]
    net = torque - shaft[S_INERTIA] - shaft[S_GEAR_DRAG]
    efficiency = shaft[S_EFFICIENCY]
    point[P_SLIP_LOSS] = torque * (shaft[S_MOTOR] - speed)
    point[P_SHAFT_INERTIA] = shaft[S_INERTIA] * speed
    point[P_GEARBOX_LOSS] = shaft[S_GEAR_DRAG] * speed
    if net >= 0.0:
        point[P_GEARBOX_LOSS] += net * speed * (1.0 - efficiency)
        return net * shaft[S_RATIO] * efficiency
    point[P_GEARBOX_LOSS] += net * speed * (1.0 - 1.0 / efficiency)
    return net * shaft[S_RATIO] / efficiency


@kernel
def _evaluate(plant, rows, gear, engine, motor_torque, powered, out, reason):
    """Points of a given schedule, one row per step.

    A power beyond the widest limits is left to the battery's own step, which knows the SoC.
    """
    shaft = np.empty(S_SIZE)
    fuel_row, loss_row = np.empty(plant.fuel_torque.size), np.empty(plant.loss_torque.size)
    for t in range(rows.shape[0]):
        row = rows[t]
        reason[t] = _shaft(plant, row, gear[t], engine[t], shaft, fuel_row, loss_row)
        if reason[t] != FEASIBLE:
            continue
        slack = 1e-9 * (1.0 + abs(shaft[S_LOW]) + abs(shaft[S_HIGH]))
        inside = shaft[S_LOW] - slack <= motor_torque[t] <= shaft[S_HIGH] + slack
        if powered[t] and not inside:
            reason[t] = MOTOR_TORQUE
            continue
        why = _torque_point(
            plant.fuel_torque,
            plant.loss_torque,
            shaft,
            fuel_row,
            loss_row,
            row[R_WHEEL_TORQUE],
            motor_torque[t],
            powered[t],
            out[t],
        )
        if why != BATTERY_POWER or row[R_BATTERY_SHARE] < 1.0:
            reason[t] = why
