"""Numba kernels that bring a command to what the driveline can do in a step, and do it."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _current_to, _terminal_power
from ..physics.codes import OFF, STARTING
from ..physics.entries import (
    P_BATTERY_POWER,
    P_ENGINE_TORQUE,
    P_FUEL_RATE,
    P_MOTOR_TORQUE,
    R_DT,
    R_WHEEL_TORQUE,
    S_AUXILIARY,
    S_DRAG,
    S_HIGH,
    S_LOW,
    S_MOTOR,
    S_POWER_MAX,
    S_POWER_MIN,
    S_START,
    S_TOTAL,
)
from ..physics.starts import _start_fuel
from ..physics.step import _electric_power, _point
from .situation import (
    ENGINE_TORQUE,
    SLACK,
    BatteryStep,
    Situation,
    TorqueSpan,
    Wish,
    _battery_step,
    _end_of,
    _engine_class,
    _fill_shaft,
    _is_open,
    _move,
    _remember,
    _span,
    _warm_up,
)

CLIPPED_GEAR, CLIPPED_ENGINE, CLIPPED_TORQUE, LEFT_WINDOW, PASSED_INHIBITOR = 1, 2, 4, 8, 16
LACKED_POWER = 32
SHRINK = 1.0 - 1e-9  # of the battery's limits, so that rounding stays within them
NO_WINDOW = 1e9
NEAR = 1e-6  # N m, how far past its span an engine torque counts as in it


class Columns(NamedTuple):
    """What is done in each step, (steps,); states of the graph and SoC before each, (steps + 1,).

    `fuel` is in g without what shifts cost, but with what battery throughput is charged; `clipped`
    holds bits.
    """

    gear: Any
    engine: Any
    torque: Any
    powered: Any
    fuel: Any
    clipped: Any
    states: Any
    soc: Any


@kernel(inline="always")
def _motor_power(plant, work, torque):
    """Electric power of the motor, W."""
    return _electric_power(plant.loss_torque, work.loss_row, work.shaft[S_MOTOR], torque)


@kernel
def _power_limits(battery):
    """Lowest and highest terminal power within the battery's limits and the SoC window, W."""
    voltage, discharge, charge, power_max, power_min = battery.state
    power_max, power_min = power_max * SHRINK, power_min * SHRINK
    current = max(_current_to(battery.soc, battery.low, battery.rates), 0.0)
    if 2.0 * discharge * current < voltage:
        power_max = min(power_max, _terminal_power(voltage, discharge, current))
    current = min(_current_to(battery.soc, battery.high, battery.rates), 0.0)
    power_min = max(power_min, _terminal_power(voltage, charge, current))
    return power_min, power_max


@kernel(inline="always")
def _after(plant, row, torque, powered, battery, span, work):
    """SoC after a step with a motor torque; NaN where that is not admissible."""
    shaft, fuel_row, loss_row, point = work
    if not _point(plant, shaft, fuel_row, loss_row, row[R_WHEEL_TORQUE], torque, powered, point):
        return np.nan
    if not span.low - NEAR <= max(point[P_ENGINE_TORQUE], 0.0) <= span.high + NEAR:
        return np.nan
    return _end_of(battery, work.point[P_BATTERY_POWER], SLACK)


@kernel
def _nearest_torque(plant, work, wanted, power_min, power_max):
    """Powered motor torque nearest to the wanted one whose power is within limits, or NaN.

    Power is linear between the torques of the loss map, so each piece is settled exactly.
    """
    low, high = work.shaft[S_LOW], work.shaft[S_HIGH]
    extra = work.shaft[S_START] + work.shaft[S_AUXILIARY]
    lowest = max(power_min, work.shaft[S_POWER_MIN] * SHRINK) - extra
    highest = min(power_max, work.shaft[S_POWER_MAX] * SHRINK) - extra
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
            s, e = (
                (lowest - power_a) / (power_b - power_a),
                (highest - power_a) / (power_b - power_a),
            )
            first, last = max(first, min(s, e)), min(last, max(s, e))
        elif power_a < lowest or power_a > highest:
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


@kernel(inline="always")
def _keep_span(shaft, span):
    """Cut the motor's range so that the engine's torque is in a span; return whether any is."""
    shaft[S_LOW] = max(shaft[S_LOW], shaft[S_TOTAL] - span.high)
    if span.low > 0.0:
        shaft[S_HIGH] = min(shaft[S_HIGH], shaft[S_TOTAL] - span.low)
    return shaft[S_LOW] <= shaft[S_HIGH]


@kernel
def _settle(plant, row, gear, engine, wanted, battery, span, work):
    """Bring a motor torque into the range of a gear and engine class.

    A running engine's torque stays in a span. Returns torque, whether it is powered and SoC after;
    SoC is NaN where nothing is admissible.
    """
    if not _fill_shaft(plant, row, gear, engine, work):
        return 0.0, False, np.nan
    if engine == OFF:
        span = TorqueSpan(0.0, np.inf)
    can_power = not (engine == OFF and work.shaft[S_MOTOR] == 0.0) and _keep_span(work.shaft, span)
    if np.isnan(wanted):
        after = _after(plant, row, 0.0, False, battery, span, work)
        if not np.isnan(after):
            return work.point[P_MOTOR_TORQUE], False, after
        wanted = -work.shaft[S_DRAG]
    if can_power:
        torque = min(max(wanted, work.shaft[S_LOW]), work.shaft[S_HIGH])
        after = _after(plant, row, torque, True, battery, span, work)
        if not np.isnan(after):
            return torque, True, after
        lowest, highest = _power_limits(battery)
        torque = _nearest_torque(plant, work, wanted, lowest, highest)
        if not np.isnan(torque):
            after = _after(plant, row, torque, True, battery, span, work)
            if not np.isnan(after):
                return torque, True, after
    after = _after(plant, row, 0.0, False, battery, span, work)
    return work.point[P_MOTOR_TORQUE], False, after


@kernel(inline="always")
def _was_changed(wanted, torque, powered, work):
    """Whether a torque differs from the wanted one; an infinite wish is met by any limit."""
    if np.isinf(wanted):
        return False
    if np.isnan(wanted):
        return powered
    return _differs(torque, wanted, work.shaft[S_LOW], work.shaft[S_HIGH])


@kernel(inline="always")
def _differs(torque, wanted, low, high):
    """Whether a torque differs from the wanted one by more than rounding in its range."""
    return abs(torque - wanted) > 1e-6 * (1.0 + abs(low) + abs(high))


@kernel(inline="always")
def _search(around, at, obey, wish, battery, span, work):
    """Settle in the nearest admissible gear of the wanted engine state, else of the other."""
    on, gear, wanted = wish
    gears = around.plant.ratio.size
    for other in range(2):
        engine = _engine_class(around.moves, at, on != (other == 1))
        for away in range(gears):
            for sign in (-1, 1):
                g = gear + sign * away
                if g < 0 or g >= gears or (away == 0 and sign == 1):
                    continue
                if obey and not _is_open(around.moves, at, engine, g):
                    continue
                torque, powered, after = _settle(
                    around.plant, around.rows[at.t], g, engine, wanted, battery, span, work
                )
                if not np.isnan(after):
                    return g, engine, torque, powered, after
    return gear, OFF, 0.0, False, np.nan


@kernel(borrows=True)
def _apply(around, at, wish, work):
    """Do what a command asks as far as the driveline and the inhibitors allow.

    Where nothing drives the step, first the rates of the engine's torque are given up, then the SoC
    window, then the inhibitors. Returns
    gear, engine class, motor torque, whether it is powered, SoC after (NaN where nothing at all
    can drive the step) and what was clipped, as bits.
    """
    on, gear, wanted = wish
    soc, low, high = at.soc, around.low, around.high
    asked = min(max(gear, 0), around.plant.ratio.size - 1)
    clipped = 0 if asked == gear else CLIPPED_GEAR
    dt = around.rows[at.t, R_DT]
    here = _battery_step(around.cell, soc, dt, low, high)
    goal = -np.inf if soc - low < high - soc else np.inf  # back towards the window's middle
    g, engine, torque, powered, after = asked, OFF, 0.0, False, np.nan
    span = _span(around, at)
    limited = span.low > 0.0 or span.high < np.inf
    for attempt in range(-1 if limited else 0, 4):
        leaves, obey = attempt > 0 and attempt % 2 == 1, attempt < 2
        if attempt >= 0:
            span = TorqueSpan(0.0, np.inf)
        if leaves:
            low, high = -NO_WINDOW, NO_WINDOW
            wish = Wish(goal < 0.0, asked, goal)
        else:
            low, high = around.low, around.high
            wish = Wish(on, asked, wanted)
        battery = BatteryStep(here.state, here.rates, soc, low, high)
        g, engine, torque, powered, after = _search(around, at, obey, wish, battery, span, work)
        if not np.isnan(after):
            passed = not obey or (limited and attempt >= 0)
            clipped |= (LEFT_WINDOW if leaves else 0) | (PASSED_INHIBITOR if passed else 0)
            break
    if (engine != OFF) != on:
        clipped |= CLIPPED_ENGINE
    elif g != asked:
        clipped |= CLIPPED_GEAR
    elif clipped == 0 and _was_changed(wanted, torque, powered, work):
        clipped |= CLIPPED_TORQUE
    return g, engine, torque, powered, after, clipped


@kernel(borrows=True)
def _can_drive(around, at, on, rows, work, able):
    """Fill whether the step can be driven as each of `rows` asks, with the engine on if `on`.

    The row of the step in `around` is overwritten.
    """
    for i in range(rows.shape[0]):
        for j in range(rows.shape[1]):
            around.rows[at.t, j] = rows[i, j]
        _, engine, _, _, after, _ = _apply(around, at, Wish(on, at.gear, 0.0), work)
        able[i] = not np.isnan(after) and (engine != OFF or not on)


@kernel(inline="always")
def _step_fuel(plant, work, engine, dt):
    """Fuel of the point that was applied last, g, without that of a shift.

    What the battery's throughput is charged counts as well.
    """
    fuel = work.point[P_FUEL_RATE] * dt
    fuel += plant.throughput * abs(work.point[P_BATTERY_POWER]) * dt
    if engine == STARTING:
        fuel += _start_fuel(plant.start_fuel, plant.start_span, dt)
    return fuel


@kernel(inline="always")
def _situation(around, columns, memory, t):
    """Where a drive is before a step, after those that are done."""
    source = columns.states[t]
    engine = 1 if source > around.moves.off else 0
    gear = columns.gear[t - 1] if t > 0 else around.gear
    return Situation(t, columns.soc[t], source, engine, gear, memory)


@kernel(borrows=True)
def _step(around, at, wish, columns, work):
    """Do one step of a drive: what is asked is clipped, done, counted and remembered.

    Returns whether anything could drive the step.
    """
    t, dt = at.t, around.rows[at.t, R_DT]
    gear, engine, torque, powered, after, clipped = _apply(around, at, wish, work)
    if np.isnan(after):
        return False
    columns.gear[t], columns.engine[t], columns.torque[t] = gear, engine, torque
    columns.powered[t], columns.clipped[t], columns.soc[t + 1] = powered, clipped, after
    columns.fuel[t] = _step_fuel(around.plant, work, engine, dt)
    if around.warming.capacity > 0.0:
        worn = around.plant.throughput * abs(work.point[P_BATTERY_POWER]) * dt
        _warm_up(around, t, columns.fuel[t] - worn)
    _remember(at, dt, min(engine, 1), gear)
    at.memory[ENGINE_TORQUE] = max(work.point[P_ENGINE_TORQUE], 0.0)
    columns.states[t + 1] = around.moves.target[_move(around.moves, at, engine, gear)]
    return True
