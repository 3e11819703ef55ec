"""The physics of one step, in numba: the only place where torque, speed and loss meet.

Operating points, replay, controllers and tables all call the same kernels here. A step is
first reduced to a `shaft` (speeds, torque limits and the interpolated map rows for one gear
and engine class); any motor torque is then a `point` on it.
"""

import numpy as np
from numba import njit

OFF, RUNNING, STARTING = 0, 1, 2  # engine class of a step
LOCKED, SLIPPING, OPEN = 0, 1, 2  # launch clutch
FEASIBLE, GEAR_OVERSPEED, ENGINE_UNDERSPEED, MOTOR_TORQUE, ENGINE_TORQUE = 0, 1, 2, 3, 4
NO_ELECTRIC_DRIVE, CLUTCH_PRESSURE, CLUTCH_CAPACITY, BATTERY_POWER = 5, 6, 7, 8
UNPOWERED_MISFIT, NOT_USED = 9, 10

# entries of a shaft
(S_ON, S_ENGINE, S_MOTOR, S_INPUT, S_TOTAL, S_LOW, S_HIGH, S_INERTIA, S_FULL, S_OVERRUN, S_DRAG,
 S_CLUTCH, S_START, S_RATIO, S_EFFICIENCY, S_GEAR_DRAG, S_AUXILIARY,
 S_SIZE) = range(18)  # fmt: skip
# entries of a point
(P_ENGINE_TORQUE, P_MOTOR_TORQUE, P_BRAKE_TORQUE, P_FUEL_RATE, P_BATTERY_POWER, P_ENGINE_SPEED,
 P_MOTOR_SPEED, P_CLUTCH, P_MOTOR_LOSS, P_SLIP_LOSS, P_GEARBOX_LOSS, P_SHAFT_INERTIA,
 P_START_POWER, P_SIZE) = range(14)  # fmt: skip
POINT_NAMES = ("engine_torque", "motor_torque", "brake_torque", "fuel_rate", "battery_power",
               "engine_speed", "motor_speed", "launch_clutch", "motor_loss", "clutch_loss",
               "gearbox_loss", "shaft_inertia_power", "start_power")  # fmt: skip


@njit(cache=True)
def _cell(axis, x):
    """Index of the cell of `axis` that holds x, clamped to the axis (counting needs no branch)."""
    i = 0
    for j in range(1, axis.size - 1):
        i += axis[j] <= x
    return i


@njit(cache=True)
def _interp(axis, values, x):
    i = _cell(axis, x)
    w = min(max((x - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0)
    return values[i] + w * (values[i + 1] - values[i])


@njit(cache=True)
def _row(axis, table, x, out):
    """Row of a map at x: with it, a bilinear lookup is a linear one."""
    i = _cell(axis, x)
    w = min(max((x - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0)
    for j in range(table.shape[1]):
        out[j] = table[i, j] + w * (table[i + 1, j] - table[i, j])


@njit(cache=True)
def _fuel_rate(fuel_torque, shaft, fuel_row, torque):
    """Fuel rate (g/s): zero at overrun torque, linear up to 0 N m, then the map."""
    if torque >= 0.0:
        return _interp(fuel_torque, fuel_row, torque)
    overrun = shaft[S_OVERRUN]
    if torque <= overrun + 1e-9:
        return 0.0
    return fuel_row[0] * (1.0 - torque / overrun)


@njit(cache=True)
def _input_torque(plant, gear, wheel_torque):
    """Torque at the gearbox input for a wheel torque, without the inertia of the input shaft."""
    ratio, efficiency = plant.ratio[gear], plant.efficiency[gear]
    if wheel_torque >= 0.0:
        return wheel_torque / (ratio * efficiency) + plant.gear_drag[gear]
    return wheel_torque * efficiency / ratio + plant.gear_drag[gear]


@njit(cache=True)
def _fade(plant, speed, engine):
    """Share of braking recuperation may keep at low speed; a running engine drives the pump."""
    if engine != OFF or plant.fade_high <= 0.0 or speed >= plant.fade_high:
        return 1.0
    if speed <= plant.fade_low:
        return 0.0
    return (speed - plant.fade_low) / (plant.fade_high - plant.fade_low)


@njit(cache=True)
def _launch_clutch(plant, wheel_speed, wheel_torque, gear, engine):
    """State of the launch clutch, or -1 - reason when the gear cannot be used."""
    speed = wheel_speed * plant.ratio[gear]
    if wheel_speed <= 0.0:
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
    return SLIPPING if gear < plant.launch_gears else -1 - ENGINE_UNDERSPEED


@njit(cache=True)
def _shaft(plant, speed, wheel_speed, wheel_acceleration, wheel_torque, dt, gear, engine,
           shaft, fuel_row, loss_row):  # fmt: skip
    """Fill `shaft` and the map rows for one step, gear and engine class; return the reason."""
    clutch = _launch_clutch(plant, wheel_speed, wheel_torque, gear, engine)
    if clutch < 0:
        return -1 - clutch
    on = engine != OFF
    dragged = not on and plant.separating == 0.0 and clutch == LOCKED
    input_speed = wheel_speed * plant.ratio[gear]
    motor_speed = input_speed
    if clutch == SLIPPING:
        motor_speed = plant.launch_speed
    elif clutch == OPEN:
        motor_speed = plant.idle_speed if on else 0.0
    inertia = 0.0
    if clutch == LOCKED:
        inertia = plant.motor_inertia + (plant.engine_inertia if on or dragged else 0.0)
        inertia *= wheel_acceleration * plant.ratio[gear]
    shaft[S_ENGINE] = motor_speed if on or dragged else 0.0
    shaft[S_MOTOR], shaft[S_INPUT], shaft[S_INERTIA] = motor_speed, input_speed, inertia
    shaft[S_CLUTCH], shaft[S_AUXILIARY] = clutch, plant.auxiliary
    shaft[S_RATIO], shaft[S_EFFICIENCY] = plant.ratio[gear], plant.efficiency[gear]
    shaft[S_GEAR_DRAG] = plant.gear_drag[gear]
    shaft[S_ON], shaft[S_OVERRUN] = (1.0 if on else 0.0), 0.0
    if on or dragged:
        shaft[S_OVERRUN] = _interp(plant.overrun_speed, plant.overrun, motor_speed)
    shaft[S_FULL] = shaft[S_OVERRUN]
    if on:
        shaft[S_FULL] = _interp(plant.full_speed, plant.full, motor_speed)
        _row(plant.fuel_speed, plant.fuel, motor_speed, fuel_row)
    shaft[S_DRAG] = _interp(plant.drag_speed, plant.drag, motor_speed)
    _row(plant.loss_speed, plant.loss, motor_speed, loss_row)
    shaft[S_START] = 0.0
    if engine == STARTING:
        shaft[S_START] = _start_energy(plant, shaft) / dt
    peak = _interp(plant.peak_speed, plant.peak, motor_speed)
    return _torque_range(plant, speed, wheel_torque, gear, engine, peak, shaft)


@njit(cache=True)
def _start_energy(plant, shaft):
    """Electric energy of an engine-pull start, J: rotor, equal slip loss, and friction work.

    Without a separating clutch the rolling vehicle turns the engine already.
    """
    if plant.separating == 0.0 and shaft[S_CLUTCH] == LOCKED:
        return 0.0
    speed = shaft[S_ENGINE]
    rotor = 0.5 * plant.engine_inertia * speed**2
    friction = 0.5 * speed * -shaft[S_OVERRUN] * plant.start_duration
    return (2.0 * rotor + friction) / plant.start_efficiency


@njit(cache=True)
def _torque_range(plant, speed, wheel_torque, gear, engine, peak, shaft):
    """Fill the total torque wanted on the shaft and the motor's range; return the reason."""
    clutch = shaft[S_CLUTCH]
    full, overrun = shaft[S_FULL], shaft[S_OVERRUN]
    required, total = 0.0, 0.0
    if clutch != OPEN:
        required = _input_torque(plant, gear, wheel_torque) + shaft[S_INERTIA]
        total = required
        if wheel_torque < 0.0:
            kept = plant.share * _fade(plant, speed, engine) * wheel_torque
            total = _input_torque(plant, gear, kept) + shaft[S_INERTIA]
            total = max(required, min(total, overrun))
    if clutch == SLIPPING and required > plant.launch_capacity:
        return CLUTCH_CAPACITY
    shaft[S_TOTAL] = total
    highest = peak if engine == RUNNING else max(peak - plant.reserve, 0.0)
    if engine == OFF and clutch == OPEN:
        shaft[S_LOW], shaft[S_HIGH] = 0.0, 0.0
        return FEASIBLE
    low = max(-peak, total - full)
    high = total - overrun
    if wheel_torque < 0.0:
        high = max(high, min(0.0, highest))
    high = min(high, highest)
    if engine == OFF and plant.electric == 0.0 and high > 0.0:
        if low > 0.0:
            return NO_ELECTRIC_DRIVE
        high = 0.0
    if low > high + 1e-9:
        return ENGINE_TORQUE if engine != OFF and total - full > highest else MOTOR_TORQUE
    shaft[S_LOW], shaft[S_HIGH] = low, max(low, high)
    return FEASIBLE


@njit(cache=True)
def _point(plant, shaft, fuel_row, loss_row, wheel_torque, motor_torque, powered, point):
    """Fill `point` for a motor torque on a shaft; return whether it is admissible."""
    return _torque_point(plant.fuel_torque, plant.loss_torque, shaft, fuel_row, loss_row,
                         wheel_torque, motor_torque, powered, point)  # fmt: skip


@njit(cache=True)
def _torque_point(fuel_torque, loss_torque, shaft, fuel_row, loss_row, wheel_torque, motor_torque,
                  powered, point):  # fmt: skip
    """As `_point`, for inner loops: passing the whole plant would count references each time."""
    loss = 0.0
    if powered:
        loss = _interp(loss_torque, loss_row, motor_torque)
        motor_power = motor_torque * shaft[S_MOTOR] + loss
    else:
        motor_torque = -shaft[S_DRAG] if shaft[S_MOTOR] > 0.0 else 0.0
        loss = -motor_torque * shaft[S_MOTOR]
        motor_power = 0.0
    engine_torque = min(max(shaft[S_TOTAL] - motor_torque, shaft[S_OVERRUN]), shaft[S_FULL])
    point[P_ENGINE_TORQUE], point[P_MOTOR_TORQUE] = engine_torque, motor_torque
    point[P_ENGINE_SPEED], point[P_MOTOR_SPEED] = shaft[S_ENGINE], shaft[S_MOTOR]
    point[P_FUEL_RATE] = 0.0
    if shaft[S_ON] > 0.0:
        point[P_FUEL_RATE] = _fuel_rate(fuel_torque, shaft, fuel_row, engine_torque)
    point[P_BATTERY_POWER] = motor_power + shaft[S_START] + shaft[S_AUXILIARY]
    point[P_CLUTCH], point[P_MOTOR_LOSS] = shaft[S_CLUTCH], loss
    point[P_START_POWER] = shaft[S_START]
    driveline = _wheel_side(shaft, engine_torque + motor_torque, point)
    brake = wheel_torque - driveline
    tolerance = 1e-9 * (1.0 + abs(wheel_torque))
    point[P_BRAKE_TORQUE] = brake if brake < -tolerance else 0.0
    return brake <= tolerance and (wheel_torque < 0.0 or brake >= -tolerance)


@njit(cache=True)
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


@njit(cache=True)
def _sort(values, count):
    """Sort the first values by insertion: few, and nearly in order."""
    for i in range(1, count):
        value, j = values[i], i
        while j > 0 and values[j - 1] > value:
            values[j] = values[j - 1]
            j -= 1
        values[j] = value


@njit(cache=True)
def _split_torques(plant, shaft, splits, nodes, torques):
    """Fill the motor torques of a shaft, increasing; return how many.

    All kinks of cost and power over torque are among them, so that both are linear in
    between; the widest gaps are filled up to `splits` torques where there is room.
    """
    low, high = shaft[S_LOW], shaft[S_HIGH]
    if high - low <= 1e-9:
        torques[0] = low
        return 1
    nodes[0], nodes[1] = low, high
    used = 2
    for torque in plant.loss_torque:
        if low < torque < high:
            nodes[used] = torque
            used += 1
    if shaft[S_ON] > 0.0:
        for engine_torque in plant.fuel_torque:
            torque = shaft[S_TOTAL] - engine_torque
            if low < torque < high:
                nodes[used] = torque
                used += 1
        torque = shaft[S_TOTAL] - shaft[S_OVERRUN]
        if low < torque < high:
            nodes[used] = torque
            used += 1
    _sort(nodes, used)
    gap = (high - low) / max(splits - used, 1)
    torques[0] = low
    count = 1
    for i in range(used - 1):
        width = nodes[i + 1] - nodes[i]
        if width <= 1e-9 * (high - low):
            continue
        parts = max(1, int(np.ceil(width / gap - 1e-9)))
        for part in range(1, parts + 1):
            torques[count] = nodes[i] + width * part / parts
            count += 1
    return count


@njit(cache=True)
def _limit_crossings(powers, torques, count, limit, extra, used):
    """Append to `extra` the torques where power crosses a limit between two split torques."""
    for i in range(count - 1):
        a, b = powers[i] - limit, powers[i + 1] - limit
        if a * b < 0.0 and used < extra.size:
            extra[used] = torques[i] + (torques[i + 1] - torques[i]) * a / (a - b)
            used += 1
    return used


@njit(cache=True, nogil=True)
def _fill_points(plant, speed, wheel_speed, wheel_acceleration, wheel_torque, dt, power_min,
                 power_max, splits, cost, power, motor_torque, count, reason):  # fmt: skip
    """All operating points; split 0 is the unpowered motor, the rest span the motor's range."""
    steps, gears, classes, size = cost.shape
    fuel_torque, loss_torque = plant.fuel_torque, plant.loss_torque
    for t in range(steps):
        shaft, point = np.empty(S_SIZE), np.empty(P_SIZE)
        fuel_row, loss_row = np.empty(plant.fuel_torque.size), np.empty(plant.loss_torque.size)
        nodes, torques, powers = np.empty(size), np.empty(2 * size), np.empty(size)
        for g in range(gears):
            for c in range(classes):
                for k in range(size):
                    cost[t, g, c, k], power[t, g, c, k] = np.inf, 0.0
                    motor_torque[t, g, c, k] = 0.0
                count[t, g, c] = 0
                why = _shaft(plant, speed[t], wheel_speed[t], wheel_acceleration[t],
                             wheel_torque[t], dt[t], g, c, shaft, fuel_row, loss_row)  # fmt: skip
                if why != FEASIBLE:
                    reason[t, g, c, :] = why
                    continue
                reason[t, g, c, :] = NOT_USED
                used = 0
                if not (c == OFF and shaft[S_MOTOR] == 0.0):
                    used = _split_torques(plant, shaft, splits - 1, nodes, torques)
                    for i in range(used):
                        powers[i] = torques[i] * shaft[S_MOTOR] + shaft[S_START]
                        powers[i] += plant.auxiliary
                        powers[i] += _interp(loss_torque, loss_row, torques[i])
                    more = _limit_crossings(powers, torques, used, power_max, torques, used)
                    used = _limit_crossings(powers, torques, used, power_min, torques, more)
                    _sort(torques, used)
                if used + 1 > size:
                    count[t, g, c] = -1
                    continue
                for k in range(used + 1):
                    torque = torques[k - 1] if k > 0 else 0.0
                    if not _torque_point(fuel_torque, loss_torque, shaft, fuel_row, loss_row,
                                         wheel_torque[t], torque, k > 0, point):  # fmt: skip
                        reason[t, g, c, k] = MOTOR_TORQUE if k > 0 else UNPOWERED_MISFIT
                        continue
                    motor_torque[t, g, c, k] = point[P_MOTOR_TORQUE]
                    watts = point[P_BATTERY_POWER]
                    power[t, g, c, k] = watts
                    slack = 1e-9 * (power_max - power_min)
                    if watts > power_max + slack or watts < power_min - slack:
                        reason[t, g, c, k] = BATTERY_POWER
                        continue
                    reason[t, g, c, k] = FEASIBLE
                    start = plant.start_fuel if c == STARTING else 0.0
                    cost[t, g, c, k] = point[P_FUEL_RATE] * dt[t] + start
                count[t, g, c] = used + 1


@njit(cache=True)
def _evaluate(plant, speed, wheel_speed, wheel_acceleration, wheel_torque, dt, gear, engine,
              motor_torque, powered, out, reason):  # fmt: skip
    """Points of a given schedule, one row per step."""
    shaft = np.empty(S_SIZE)
    fuel_row, loss_row = np.empty(plant.fuel_torque.size), np.empty(plant.loss_torque.size)
    for t in range(speed.size):
        reason[t] = _shaft(plant, speed[t], wheel_speed[t], wheel_acceleration[t],
                           wheel_torque[t], dt[t], gear[t], engine[t], shaft, fuel_row,
                           loss_row)  # fmt: skip
        if reason[t] != FEASIBLE:
            continue
        slack = 1e-9 * (1.0 + abs(shaft[S_LOW]) + abs(shaft[S_HIGH]))
        inside = shaft[S_LOW] - slack <= motor_torque[t] <= shaft[S_HIGH] + slack
        if powered[t] and not inside:
            reason[t] = MOTOR_TORQUE
        elif not _point(
            plant, shaft, fuel_row, loss_row, wheel_torque[t], motor_torque[t], powered[t],
            out[t]):  # fmt: skip
            reason[t] = MOTOR_TORQUE if powered[t] else UNPOWERED_MISFIT


@njit(cache=True)
def _power_ranges(cost, power, count, lowest, highest):
    """Widen the ranges of battery power of every step to its admissible points."""
    for t in range(cost.shape[0]):
        for g in range(cost.shape[1]):
            for c in range(cost.shape[2]):
                for k in range(count[t, g, c]):
                    if cost[t, g, c, k] < np.inf:
                        lowest[t] = min(lowest[t], power[t, g, c, k])
                        highest[t] = max(highest[t], power[t, g, c, k])
