"""Numba kernels of the built-in controllers and of the closed loop that runs them.

A controller is an integer kind, a vector of parameters and a packed array of maps. All kinds
share the first entries of the vector (dwell and gear lines); the rest are their own.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _current, _state
from ..physics.codes import OFF, RUNNING, STARTING
from ..physics.entries import S_FULL, S_HIGH, S_LOW, S_MOTOR, S_OVERRUN, S_TOTAL
from .clipping import _apply, _fill_shaft, _make_work, _motor_power, _move, _step_fuel
from .rule_kernels import _table_command

LOAD_FOLLOWING, ELECTRIC_POWER, EQUIVALENCE, PLAYBACK, RULE_TABLE = range(5)  # kinds
GEAR_LINES, GEAR_PLAN, GEAR_FREE = range(3)  # how gears are chosen

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
    OWN,
) = range(12)
# of load following
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
# of the electric-power rule; SOC_START and SOC_STOP as above
ELECTRIC_START, ELECTRIC_STOP = START_POWER, STOP_POWER
# of the equivalence factor
(
    FACTOR,
    PROPORTIONAL,
    INTEGRAL,
    FACTOR_LOW,
    FACTOR_HIGH,
    START_SHARE,
    STOP_CHARGE,
    SHIFT_SHARE,
    START_COST,
) = range(OWN, OWN + 9)

# what a controller remembers
ENGINE_TIME, GEAR_TIME, SOC_ERROR, MEMORY = range(4)
LONG_AGO = 1e9  # s, time in state before the first step


class PointsPart(NamedTuple):
    """Operating points and shift costs of some steps; empty where a kind does not need them."""

    first: int
    cost: Any
    power: Any
    motor_torque: Any
    count: Any
    shift: Any


class PackedSchedule(NamedTuple):
    """A schedule to follow; empty where a kind does not need it."""

    gear: Any
    on: Any
    motor_torque: Any


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
    """Tell whether the shaft speed suits a gear, so that its least time can be kept."""
    speed = wheel_speed * plant.ratio[gear]
    if on and gear > 0 and wheel_speed > 0.0 and speed < plant.idle_speed:
        return False
    return speed <= min(plant.engine_max_speed, plant.motor_max_speed)


@kernel(inline="always")
def _rule_gear(plant, road, t, plan, params, gear, engine, memory):
    """Gear of a rule: of a plan, or by lines with a least time in gear."""
    if params[GEARS] == GEAR_PLAN:
        return plan.gear[t]
    stay = _may_stay(plant, road.wheel_speed[t], gear, engine == 1)
    if memory[GEAR_TIME] < params[MIN_GEAR] and stay:
        return gear
    power = road.wheel_torque[t] * road.wheel_speed[t]
    return _line_gear(plant, params, road.wheel_speed[t], power, gear, engine)


@kernel(inline="always")
def _dwell(params, engine, memory, start, stop):
    """Engine state wanted next: hysteresis between start and stop, and least times on and off."""
    if engine == 1:
        return not stop or memory[ENGINE_TIME] < params[MIN_ON]
    return start and memory[ENGINE_TIME] >= params[MIN_OFF]


@kernel(inline="always")
def _can_be_off(plant, road, t, gear, work):
    """Tell whether the motor alone can drive a step; fills the shaft."""
    return _fill_shaft(plant, road, t, gear, OFF, work)


@kernel(inline="always")
def _running_torque(plant, road, t, gear, engine, charge, load_low, load_high, work):
    """Motor torque with the engine on: the engine takes the demand and some charging power.

    Its torque is kept between two shares of full load; the motor makes up the difference. While
    the wheels brake the fuel is cut and the motor recuperates what is left.
    """
    running = RUNNING if engine == 1 else STARTING
    if not _fill_shaft(plant, road, t, gear, running, work):
        return -np.inf
    shaft = work.shaft
    total = shaft[S_TOTAL]
    if road.wheel_torque[t] < 0.0 and total <= 0.0:
        wanted = min(total - shaft[S_OVERRUN], 0.0)
    else:
        engine_torque = total + charge / max(shaft[S_MOTOR], 1.0)
        least, most = load_low * shaft[S_FULL], load_high * shaft[S_FULL]
        wanted = total - min(max(engine_torque, least), most)
    return min(max(wanted, shaft[S_LOW]), shaft[S_HIGH])


@kernel(inline="always")
def _load_following(plant, road, t, plan, params, soc, engine, gear, memory, work):
    """Engine on above thresholds of wheel power, speed and below one of SoC."""
    power = road.wheel_torque[t] * road.wheel_speed[t]
    ease = params[POWER_PER_SOC] * (soc - params[SOC_REFERENCE])
    speed = road.speed[t]
    start = power >= params[START_POWER] + ease or speed >= params[START_SPEED]
    stop = power < params[STOP_POWER] + ease and speed < params[STOP_SPEED]
    return _thresholds(plant, road, t, plan, params, soc, engine, gear, start, stop, memory, work)


@kernel(inline="always")
def _electric_power(plant, road, t, plan, params, soc, engine, gear, memory, work):
    """Engine on where driving on the motor would take more than a threshold of power."""
    g = _rule_gear(plant, road, t, plan, params, gear, engine, memory)
    power = np.inf
    if _can_be_off(plant, road, t, g, work):
        power = 0.0
        if work.shaft[S_MOTOR] > 0.0:
            power = _motor_power(plant, work, work.shaft[S_LOW])
    start, stop = power > params[ELECTRIC_START], power <= params[ELECTRIC_STOP]
    return _thresholds(plant, road, t, plan, params, soc, engine, gear, start, stop, memory, work)


@kernel(inline="always")
def _thresholds(plant, road, t, plan, params, soc, engine, gear, start, stop, memory, work):
    """Add SoC guard, least times, gear and split to what a threshold rule wants."""
    start = start or soc <= params[SOC_START]
    stop = stop and soc >= params[SOC_STOP]
    on = _dwell(params, engine, memory, start, stop)
    g = _rule_gear(plant, road, t, plan, params, gear, 1 if on else 0, memory)
    if not on and _can_be_off(plant, road, t, g, work):
        return False, g, -np.inf if work.shaft[S_MOTOR] > 0.0 else np.nan
    if not on:
        g = _rule_gear(plant, road, t, plan, params, gear, 1, memory)
    running = RUNNING if engine == 1 else STARTING
    while g > 0 and not _fill_shaft(plant, road, t, g, running, work):
        g -= 1  # too little torque in this gear
    charge = params[CHARGE_GAIN] * (params[SOC_REFERENCE] - soc)
    torque = _running_torque(
        plant, road, t, g, engine, charge, params[LOAD_LOW], params[LOAD_HIGH], work
    )
    return True, g, torque


@kernel
def _cheapest_split(cell, state, soc, low, high, costs, powers, count, dt, factor, best):
    """Split with the least fuel plus factor times energy from the store, if less than `best`.

    Returns -1 where there is none, and the least. The store gives at least the terminal power,
    which settles most splits without the battery's square root.
    """
    pick = -1
    for k in range(count):
        if costs[k] + factor * powers[k] * dt >= best:
            continue
        current = _current(state, powers[k])
        if np.isnan(current):
            continue
        if current < 0.0:
            current *= cell.efficiency
        after = soc - current * dt / cell.capacity
        if after < min(low, soc) or after > max(high, soc):
            continue
        total = costs[k] + factor * state[0] * current * dt
        if total < best:
            pick, best = k, total
    return pick, best


@kernel
def _equivalence_factor(road, t, params, soc, memory):
    """Factor, g/J: constant, or following SoC where its gains are not zero."""
    error = params[SOC_REFERENCE] - soc
    memory[SOC_ERROR] += error * road.dt[t]
    factor = params[FACTOR] + params[PROPORTIONAL] * error + params[INTEGRAL] * memory[SOC_ERROR]
    return min(max(factor, params[FACTOR_LOW]), params[FACTOR_HIGH])


@kernel
def _cheapest_gear(
    cell, state, soc, low, high, part, i, share, engine_class, gear, only, dt, factor
):
    """Gear and split with the least fuel, share of shift cost and factor times energy.

    `only` is the one gear allowed, or -1. Returns the least (infinite where there is none), gear
    and split.
    """
    best, best_g, best_k = np.inf, gear, -1
    for g in range(part.cost.shape[1]):
        if only >= 0 and g != only:
            continue
        event = share * part.shift[i, engine_class, gear, g]
        k, total = _cheapest_split(
            cell,
            state,
            soc,
            low,
            high,
            part.cost[i, g, engine_class],
            part.power[i, g, engine_class],
            part.count[i, g, engine_class],
            dt,
            factor,
            best - event,
        )
        if k >= 0:
            best, best_g, best_k = event + total, g, k
    return best, best_g, best_k


@kernel
def _equivalence(plant, cell, road, t, low, high, part, plan, params, soc, engine, gear, memory):
    """Least fuel plus events plus factor times stored energy over gear, engine and split.

    The engine is started or stopped if what that gains in the step is worth it: a start its share
    of what it takes beyond running on, a stop its charge for the start to come.
    """
    factor, dt = _equivalence_factor(road, t, params, soc, memory), road.dt[t]
    state, i, share = _state(cell, soc), t - part.first, params[SHIFT_SHARE]
    least = params[MIN_ON] if engine == 1 else params[MIN_OFF]
    hold = memory[ENGINE_TIME] < least
    for free in range(2):  # the least time in gear is given up where it leaves nothing
        only = -1
        if free == 0 and params[GEARS] != GEAR_FREE:
            only = _rule_gear(plant, road, t, plan, params, gear, engine, memory)
        elif free == 0 and memory[GEAR_TIME] < params[MIN_GEAR]:
            only = gear
        off, off_g, off_k = _cheapest_gear(
            cell, state, soc, low, high, part, i, share, OFF, gear, only, dt, factor
        )
        run, on_g, on_k = _cheapest_gear(
            cell, state, soc, low, high, part, i, share, RUNNING, gear, only, dt, factor
        )
        on, threshold, gain = run, params[STOP_CHARGE], run - off
        if engine == 0:
            on, on_g, on_k = _cheapest_gear(
                cell, state, soc, low, high, part, i, share, STARTING, gear, only, dt, factor
            )
            threshold, gain = params[START_SHARE] * (on - run + params[START_COST]), off - run
        stay, other = (on, off) if engine == 1 else (off, on)
        if stay == np.inf and (free == 0 and hold or other == np.inf):
            continue
        switch = stay == np.inf or (other < np.inf and not hold and gain > threshold)
        if switch == (engine == 1):
            return False, off_g, part.motor_torque[i, off_g, OFF, off_k] if off_k > 0 else np.nan
        now = RUNNING if engine == 1 else STARTING
        return True, on_g, part.motor_torque[i, on_g, now, on_k] if on_k > 0 else np.nan
    return True, gear, -np.inf


@kernel(inline="always")
def _rule_table(plant, road, t, params, maps, soc, engine, gear, memory, work):
    """Rules by maps; the motor torque is brought into the motor's range."""
    gearbox = plant.ratio, plant.idle_speed, min(plant.engine_max_speed, plant.motor_max_speed)
    on, g, wanted = _table_command(
        gearbox,
        (plant.efficiency, plant.gear_drag),
        params[OWN:],
        maps,
        params[MIN_ON:GEARS],
        road.speed[t],
        road.wheel_speed[t],
        road.wheel_torque[t],
        soc,
        engine,
        gear,
        memory[ENGINE_TIME],
        memory[GEAR_TIME],
    )
    if not on and _can_be_off(plant, road, t, g, work):
        return False, g, -np.inf if work.shaft[S_MOTOR] > 0.0 else np.nan
    if not _fill_shaft(plant, road, t, g, RUNNING if engine == 1 else STARTING, work):
        return on, g, wanted
    return True, g, min(max(wanted, work.shaft[S_LOW]), work.shaft[S_HIGH])


@kernel(inline="always")
def _decide(
    plant, cell, road, t, low, high, part, plan, kind, params, maps, soc, engine, gear, memory, work
):
    """Command of a built-in controller: engine on, gear, motor torque (NaN: unpowered)."""
    if kind == LOAD_FOLLOWING:
        return _load_following(plant, road, t, plan, params, soc, engine, gear, memory, work)
    if kind == ELECTRIC_POWER:
        return _electric_power(plant, road, t, plan, params, soc, engine, gear, memory, work)
    if kind == EQUIVALENCE:
        return _equivalence(
            plant, cell, road, t, low, high, part, plan, params, soc, engine, gear, memory
        )
    if kind == PLAYBACK:
        return plan.on[t] == 1, plan.gear[t], plan.motor_torque[t]
    return _rule_table(plant, road, t, params, maps, soc, engine, gear, memory, work)


@kernel
def _make_memory():
    memory = np.zeros(MEMORY)
    memory[ENGINE_TIME], memory[GEAR_TIME] = LONG_AGO, LONG_AGO
    return memory


@kernel
def _remember(memory, dt, engine, gear, engine_after, gear_after):
    """Count on the time in the engine state and in the gear."""
    memory[ENGINE_TIME] = memory[ENGINE_TIME] + dt if engine_after == engine else dt
    memory[GEAR_TIME] = memory[GEAR_TIME] + dt if gear_after == gear else dt


@kernel
def _closed_loop(
    plant,
    cell,
    road,
    rules,
    low,
    high,
    part,
    plan,
    kind,
    params,
    maps,
    memory,
    first,
    last,
    gear,
    gears,
    classes,
    torques,
    powered,
    fuel,
    clipped,
    states,
    path,
):
    """Run a built-in controller over steps first to last - 1; path[first], states[first] are given.

    Returns the step that nothing could drive, or -1.
    """
    work = _make_work(plant)
    graph = rules.graph
    for t in range(first, last):
        soc, source = path[t], states[t]
        engine = 1 if source > graph.off else 0
        on, wanted_gear, wanted = _decide(
            plant,
            cell,
            road,
            t,
            low,
            high,
            part,
            plan,
            kind,
            params,
            maps,
            soc,
            engine,
            gear,
            memory,
            work,
        )
        (gears[t], classes[t], torques[t], powered[t], path[t + 1], clipped[t]) = _apply(
            plant, cell, road, t, rules, source, gear, low, high, soc, on, wanted_gear, wanted, work
        )
        if np.isnan(path[t + 1]):
            return t
        fuel[t] = _step_fuel(plant, work, classes[t], road.dt[t])
        engine_after = min(classes[t], 1)
        _remember(memory, road.dt[t], engine, gear, engine_after, gears[t])
        states[t + 1] = graph.target[_move(rules, source, classes[t], gear, gears[t])]
        gear = gears[t]
    return -1
