"""Kernels that list every operating point: motor torques of a shaft, their cost and power."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

import numpy as np

from ..base.compiled import kernel
from .codes import OFF, STARTING, Reason
from .entries import (
    P_BATTERY_POWER,
    P_FUEL_RATE,
    P_MOTOR_TORQUE,
    P_SIZE,
    R_DT,
    R_WHEEL_TORQUE,
    S_AUXILIARY,
    S_HIGH,
    S_LOW,
    S_MOTOR,
    S_ON,
    S_OVERRUN,
    S_POWER_MAX,
    S_POWER_MIN,
    S_SIZE,
    S_START,
    S_TOTAL,
    S_WORK,
)
from .interpolation import _interp
from .shaft import _shaft
from .starts import _start_fuel
from .step import _torque_point


@kernel
def _sort(values, count):
    """Sort the first values by insertion: few, and nearly in order."""
    for i in range(1, count):
        value, j = values[i], i
        while j > 0 and values[j - 1] > value:
            values[j] = values[j - 1]
            j -= 1
        values[j] = value


@kernel(inline="always")
def _split_torques(fuel_torque, loss_torque, shaft, splits, nodes, torques):
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
    for torque in loss_torque:
        if low < torque < high:
            nodes[used] = torque
            used += 1
    if shaft[S_ON] > 0.0:
        for engine_torque in fuel_torque:
            torque = shaft[S_TOTAL] - shaft[S_WORK] * engine_torque
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
        parts = max(1, int(math.ceil(width / gap - 1e-9)))
        for part in range(1, parts + 1):
            torques[count] = nodes[i] + width * part / parts
            count += 1
    return count


@kernel
def _limit_crossings(powers, torques, count, limit, extra, used):
    """Append to `extra` the torques where power crosses a limit between two split torques."""
    for i in range(count - 1):
        a, b = powers[i] - limit, powers[i + 1] - limit
        if a * b < 0.0 and used < extra.size:
            extra[used] = torques[i] + (torques[i + 1] - torques[i]) * a / (a - b)
            used += 1
    return used


@kernel(inline="always")
def _list_torques(
    fuel_torque, loss_torque, throughput, shaft, loss_row, splits, nodes, torques, powers
):
    """Fill split torques and those at which the power meets a battery limit; return how many."""
    used = _split_torques(fuel_torque, loss_torque, shaft, splits, nodes, torques)
    for i in range(used):
        powers[i] = torques[i] * shaft[S_MOTOR] + shaft[S_START] + shaft[S_AUXILIARY]
        powers[i] += _interp(loss_torque, loss_row, torques[i])
    more = _limit_crossings(powers, torques, used, shaft[S_POWER_MAX], torques, used)
    more = _limit_crossings(powers, torques, used, shaft[S_POWER_MIN], torques, more)
    if throughput > 0.0:  # its cost has a kink where the battery neither gives nor takes
        more = _limit_crossings(powers, torques, used, 0.0, torques, more)
    used = more
    _sort(torques, used)
    return used


@kernel(nogil=True)
def _fill_points(plant, rows, splits, only, cost, power, motor_torque, count, reason, total):
    """All operating points; split 0 is the unpowered motor, the rest span the motor's range.

    Where `only` (steps, 2) is not -1, those of that gear and class alone.
    """
    steps, gears, classes, size = cost.shape
    fuel_torque, loss_torque = plant.fuel_torque, plant.loss_torque
    shaft, point = np.empty(S_SIZE), np.empty(P_SIZE)
    fuel_row, loss_row = np.empty(plant.fuel_torque.size), np.empty(plant.loss_torque.size)
    nodes, torques, powers = np.empty(size), np.empty(2 * size), np.empty(size)
    for t in range(steps):
        row = rows[t]
        dt, wheel_torque = row[R_DT], row[R_WHEEL_TORQUE]
        start = _start_fuel(plant.start_fuel, plant.start_span, dt)
        for g in range(gears):
            for c in range(classes):
                gear, engine = (g, c) if only[t, 0] < 0 else (only[t, 0], only[t, 1])
                for k in range(size):
                    cost[t, g, c, k], power[t, g, c, k] = np.inf, 0.0
                    motor_torque[t, g, c, k] = 0.0
                count[t, g, c] = 0
                why = _shaft(plant, row, gear, engine, shaft, fuel_row, loss_row)
                if why != Reason.FEASIBLE:
                    reason[t, g, c, :] = why
                    continue
                reason[t, g, c, :] = Reason.NOT_USED
                total[t, g, c] = shaft[S_TOTAL]
                used = 0
                if not (engine == OFF and shaft[S_MOTOR] == 0.0):
                    used = _list_torques(
                        fuel_torque,
                        loss_torque,
                        plant.throughput,
                        shaft,
                        loss_row,
                        splits - 1,
                        nodes,
                        torques,
                        powers,
                    )
                if used + 1 > size:
                    count[t, g, c] = -1
                    continue
                for k in range(used + 1):
                    torque = torques[k - 1] if k > 0 else 0.0
                    why = _torque_point(
                        fuel_torque,
                        loss_torque,
                        shaft,
                        fuel_row,
                        loss_row,
                        wheel_torque,
                        torque,
                        k > 0,
                        point,
                    )
                    reason[t, g, c, k] = why
                    if why != Reason.FEASIBLE and why != Reason.BATTERY_POWER:
                        continue
                    motor_torque[t, g, c, k] = point[P_MOTOR_TORQUE]
                    power[t, g, c, k] = point[P_BATTERY_POWER]
                    if why == Reason.FEASIBLE:
                        cost[t, g, c, k] = point[P_FUEL_RATE] * dt
                        cost[t, g, c, k] += plant.throughput * abs(point[P_BATTERY_POWER]) * dt
                        if engine == STARTING:
                            cost[t, g, c, k] += start
                count[t, g, c] = used + 1
