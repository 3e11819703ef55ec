"""Numba kernels that bring a command to what the driveline can do in a step.

The physics is that of `step.py` and `dp/kernels.py`; clear numba's cache after editing those.
A motor torque of NaN is the unpowered motor, an infinite one the limit on that side.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _next_soc, _state, _terminal_power
from ..physics.codes import OFF, RUNNING, STARTING, Reason
from ..physics.entries import (
    P_BATTERY_POWER,
    P_FUEL_RATE,
    P_MOTOR_TORQUE,
    P_SIZE,
    R_DT,
    R_SPEED,
    R_WHEEL_ACCELERATION,
    R_WHEEL_SPEED,
    R_WHEEL_TORQUE,
    S_AUXILIARY,
    S_DRAG,
    S_HIGH,
    S_LOW,
    S_MOTOR,
    S_POWER_MAX,
    S_POWER_MIN,
    S_SIZE,
    S_START,
)
from ..physics.shaft import _shaft
from ..physics.starts import _start_fuel
from ..physics.step import _electric_power, _point
from ..problem.graph import _gear_fits

CLIPPED_GEAR, CLIPPED_ENGINE, CLIPPED_TORQUE, LEFT_WINDOW, PASSED_INHIBITOR = 1, 2, 4, 8, 16
SLACK = 1e-9  # SoC beyond the window that counts as in it
SHRINK = 1.0 - 1e-9  # of the battery's limits, so that rounding stays within them
NO_WINDOW = 1e9


class Road(NamedTuple):
    """What the wheels want, one entry per step, and the rows of `step.py`."""

    rows: Any
    speed: Any
    wheel_speed: Any
    wheel_acceleration: Any
    wheel_torque: Any
    dt: Any


def make_road(rows: np.ndarray) -> Road:
    """Put rows and their columns beside each other."""
    entries = (R_SPEED, R_WHEEL_SPEED, R_WHEEL_ACCELERATION, R_WHEEL_TORQUE, R_DT)
    return Road(rows, *(np.ascontiguousarray(rows[:, entry]) for entry in entries))


class Rules(NamedTuple):
    """States of engine and gear, and what closes the moves between them; see dp/graph.py."""

    graph: Any
    cost: Any
    soc_least: Any
    shift: Any


class Work(NamedTuple):
    """Room for one shaft and one point on it."""

    shaft: Any
    fuel_row: Any
    loss_row: Any
    point: Any


@kernel
def _make_work(plant):
    return Work(
        np.empty(S_SIZE),
        np.empty(plant.fuel_torque.size),
        np.empty(plant.loss_torque.size),
        np.empty(P_SIZE),
    )


@kernel(inline="always")
def _fill_shaft(plant, road, t, gear, engine, work):
    """Fill the shaft of a step; return whether gear and engine class are possible."""
    why = _shaft(plant, road.rows[t], gear, engine, work.shaft, work.fuel_row, work.loss_row)
    return why == Reason.FEASIBLE


@kernel(inline="always")
def _motor_power(plant, work, torque):
    """Electric power of the motor, W."""
    return _electric_power(plant.loss_torque, work.loss_row, work.shaft[S_MOTOR], torque)


@kernel
def _power_limits(cell, state, soc, dt, low, high):
    """Least and most terminal power within the battery's limits and a SoC window, W."""
    voltage, discharge, charge, power_max, power_min = state
    power_max, power_min = power_max * SHRINK, power_min * SHRINK
    current = max(soc - low, 0.0) * cell.capacity / dt
    if 2.0 * discharge * current < voltage:
        power_max = min(power_max, _terminal_power(voltage, discharge, current))
    current = max(high - soc, 0.0) * cell.capacity / (dt * cell.efficiency)
    power_min = max(power_min, _terminal_power(voltage, charge, -current))
    return power_min, power_max


@kernel(inline="always")
def _after(plant, cell, state, soc, road, t, torque, powered, low, high, work):
    """SoC after a step with a motor torque; NaN where that is not admissible."""
    if not _point(
        plant,
        work.shaft,
        work.fuel_row,
        work.loss_row,
        road.wheel_torque[t],
        torque,
        powered,
        work.point,
    ):
        return np.nan
    after = _next_soc(cell, state, soc, work.point[P_BATTERY_POWER], road.dt[t])
    if after < min(low - SLACK, soc) or after > max(high + SLACK, soc):
        return np.nan
    return after


@kernel
def _nearest_torque(plant, work, wanted, power_min, power_max):
    """Powered motor torque nearest to the wanted one whose power is within limits, or NaN.

    Power is linear between the torques of the loss map, so each piece is settled exactly.
    """
    low, high = work.shaft[S_LOW], work.shaft[S_HIGH]
    extra = work.shaft[S_START] + work.shaft[S_AUXILIARY]
    least = max(power_min, work.shaft[S_POWER_MIN] * SHRINK) - extra
    most = min(power_max, work.shaft[S_POWER_MAX] * SHRINK) - extra
    wanted = min(max(wanted, low), high)
    best, distance = np.nan, np.inf
    axis = plant.loss_torque
    a, power_a = low, _motor_power(plant, work, low)
    for i in range(axis.size + 1):
        b = axis[i] if i < axis.size else high
        if b <= a and i < axis.size:
            continue
        b = min(b, high)
        power_b = _motor_power(plant, work, b)
        first, last = 0.0, 1.0
        if power_b != power_a:
            s, e = (least - power_a) / (power_b - power_a), (most - power_a) / (power_b - power_a)
            first, last = max(first, min(s, e)), min(last, max(s, e))
        elif power_a < least or power_a > most:
            last = -1.0
        if first <= last:
            near, far = a + (b - a) * first, a + (b - a) * last
            torque = min(max(wanted, near), far)
            if abs(torque - wanted) < distance:
                best, distance = torque, abs(torque - wanted)
        if b >= high:
            break
        a, power_a = b, power_b
    return best


@kernel
def _settle(plant, cell, state, soc, road, t, gear, engine, wanted, low, high, work):
    """Bring a motor torque into the range of a gear and engine class.

    Returns torque, whether it is powered and SoC after; SoC is NaN where nothing is admissible.
    """
    if not _fill_shaft(plant, road, t, gear, engine, work):
        return 0.0, False, np.nan
    can_power = not (engine == OFF and work.shaft[S_MOTOR] == 0.0)
    if np.isnan(wanted):
        after = _after(plant, cell, state, soc, road, t, 0.0, False, low, high, work)
        if not np.isnan(after):
            return work.point[P_MOTOR_TORQUE], False, after
        wanted = -work.shaft[S_DRAG]
    if can_power:
        torque = min(max(wanted, work.shaft[S_LOW]), work.shaft[S_HIGH])
        after = _after(plant, cell, state, soc, road, t, torque, True, low, high, work)
        if not np.isnan(after):
            return torque, True, after
        least, most = _power_limits(cell, state, soc, road.dt[t], low, high)
        torque = _nearest_torque(plant, work, wanted, least, most)
        if not np.isnan(torque):
            after = _after(plant, cell, state, soc, road, t, torque, True, low, high, work)
            if not np.isnan(after):
                return torque, True, after
    after = _after(plant, cell, state, soc, road, t, 0.0, False, low, high, work)
    return work.point[P_MOTOR_TORQUE], False, after


@kernel(inline="always")
def _was_changed(wanted, torque, powered, work):
    """Tell whether a torque differs from the wanted one; an infinite wish is met by any limit."""
    if np.isinf(wanted):
        return False
    if np.isnan(wanted):
        return powered
    scale = 1.0 + abs(work.shaft[S_LOW]) + abs(work.shaft[S_HIGH])
    return abs(torque - wanted) > 1e-6 * scale


@kernel
def _engine_class(rules, t, source, on):
    """Engine class of a step with the engine on or off: a start goes on until it is done."""
    graph = rules.graph
    if not on:
        return OFF
    for m in range(graph.source.size):
        if graph.source[m] == source and graph.engine[m] == RUNNING and rules.cost[t, m] < np.inf:
            return RUNNING
    return STARTING


@kernel
def _move(rules, source, engine, gear, gear_after):
    """Find the move of an engine class and a change of gear; every state has one of each."""
    graph = rules.graph
    for m in range(graph.source.size):
        fits = _gear_fits(graph, m, gear, gear_after)
        if graph.source[m] == source and graph.engine[m] == engine and fits:
            return m
    return -1


@kernel(inline="always")
def _is_open(rules, t, source, soc, engine, gear, gear_after):
    """Whether no inhibitor closes the way to an engine class and gear."""
    m = _move(rules, source, engine, gear, gear_after)
    return (
        m >= 0
        and rules.cost[t, m] < np.inf
        and soc >= rules.soc_least[m] - SLACK
        and rules.shift[t, engine, gear, gear_after] < np.inf
    )


@kernel
def _search(
    plant,
    cell,
    state,
    soc,
    road,
    t,
    rules,
    source,
    gear_now,
    obey,
    on,
    gear,
    wanted,
    low,
    high,
    work,
):
    """Settle in the nearest admissible gear of the wanted engine state, else of the other."""
    for other in range(2):
        engine = _engine_class(rules, t, source, on != (other == 1))
        for away in range(plant.ratio.size):
            for sign in (-1, 1):
                g = gear + sign * away
                if g < 0 or g >= plant.ratio.size or (away == 0 and sign == 1):
                    continue
                if obey and not _is_open(rules, t, source, soc, engine, gear_now, g):
                    continue
                torque, powered, after = _settle(
                    plant, cell, state, soc, road, t, g, engine, wanted, low, high, work
                )
                if not np.isnan(after):
                    return g, engine, torque, powered, after
    return gear, OFF, 0.0, False, np.nan


@kernel(inline="always")
def _apply(plant, cell, road, t, rules, source, gear_now, low, high, soc, on, gear, wanted, work):
    """Do what a command asks as far as the driveline and the inhibitors allow.

    Where nothing drives the step, first the SoC window is given up, then the inhibitors. Returns
    gear, engine class, motor torque, whether it is powered, SoC after (NaN where nothing at all
    can drive the step) and what was clipped, as bits.
    """
    state = _state(cell, soc)
    asked = min(max(gear, 0), plant.ratio.size - 1)
    clipped = 0 if asked == gear else CLIPPED_GEAR
    g, engine, torque, powered, after = asked, OFF, 0.0, False, np.nan
    for attempt in range(4):
        bits = (LEFT_WINDOW if attempt % 2 == 1 else 0) | (PASSED_INHIBITOR if attempt > 1 else 0)
        wish, goal, least, most = on, wanted, low, high
        if attempt % 2 == 1:
            goal = -np.inf if soc - low < high - soc else np.inf
            wish, least, most = goal < 0.0, -NO_WINDOW, NO_WINDOW
        g, engine, torque, powered, after = _search(
            plant,
            cell,
            state,
            soc,
            road,
            t,
            rules,
            source,
            gear_now,
            attempt < 2,
            wish,
            asked,
            goal,
            least,
            most,
            work,
        )
        if not np.isnan(after):
            clipped |= bits
            break
    if (engine != OFF) != on:
        clipped |= CLIPPED_ENGINE
    elif g != asked:
        clipped |= CLIPPED_GEAR
    elif clipped == 0 and _was_changed(wanted, torque, powered, work):
        clipped |= CLIPPED_TORQUE
    return g, engine, torque, powered, after, clipped


@kernel(inline="always")
def _step_fuel(plant, work, engine, dt):
    """Fuel of the point that was applied last, g, without that of a shift.

    What the battery's throughput is charged counts as well.
    """
    fuel = work.point[P_FUEL_RATE] * dt
    fuel += plant.throughput * abs(work.point[P_BATTERY_POWER]) * dt
    if engine == STARTING:
        fuel += _start_fuel(plant.start_fuel, plant.start_duration, dt)
    return fuel
