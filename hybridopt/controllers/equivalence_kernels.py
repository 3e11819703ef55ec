"""Numba kernels of the equivalence factor: the cheapest choice of each step."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _charge_taken, _current, _soc_after
from ..physics.codes import OFF, RUNNING, STARTING
from ..physics.entries import R_DT
from .reserve_kernels import _must_run
from .shared_kernels import (
    GEAR_FREE,
    GEARS,
    MIN_GEAR,
    MIN_OFF,
    MIN_ON,
    OWN,
    SOC_REFERENCE,
    _rule_gear,
)
from .situation import ENGINE_TIME, GEAR_TIME, SOC_ERROR, BatteryStep, _battery_step, _inside

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
ANY_GEAR = -1
RESERVE = 0.02  # of SoC, above the bottom of the window


class Weights(NamedTuple):
    """What a choice is weighed by: the battery, the equivalence factor, the share of a shift cost.

    The factor is in g/J: the usual one over the fuel's heating value.
    """

    battery: BatteryStep
    factor: float
    shift_share: float


@kernel
def _cheapest_split(costs, powers, count, weights, best):
    """Split with the least fuel plus factor times energy from the store, if less than `best`.

    Returns its number, -1 where there is none, and that cost. The store gives at least the
    terminal power, which settles most splits without the battery's square root.
    """
    battery, factor = weights.battery, weights.factor
    voltage, dt, pick = battery.state[0], battery.rates[0], -1
    for k in range(count):
        if costs[k] + factor * powers[k] * dt >= best:
            continue
        current = _current(battery.state, powers[k])
        if not _inside(battery, _soc_after(battery.soc, current, battery.rates), 0.0):
            continue
        total = costs[k] + factor * voltage * _charge_taken(current, battery.rates)
        if total < best:
            pick, best = k, total
    return pick, best


@kernel
def _equivalence_factor(around, at, params, motion, dt):
    """Factor, g/J: constant, or following SoC where its gains are not zero.

    Near the bottom of the window it rises to its highest value: that charge is in reserve for what
    the engine cannot do alone. `motion` is the charge that the vehicle's motion counts as.
    """
    error = params[SOC_REFERENCE] - at.soc - motion
    at.memory[SOC_ERROR] += error * dt
    factor = params[FACTOR] + params[PROPORTIONAL] * error
    factor += params[INTEGRAL] * at.memory[SOC_ERROR]
    factor = min(max(factor, params[FACTOR_LOW]), params[FACTOR_HIGH])
    short = max(1.0 - (at.soc - around.low) / RESERVE, 0.0)
    return factor + min(short, 1.0) * (params[FACTOR_HIGH] - factor)


@kernel
def _cheapest_gear(points, shift, at, engine, only, weights):
    """Gear and split with the least fuel, share of shift cost and factor times energy.

    `shift` holds the costs of shifts, `only` is the one gear allowed or ANY_GEAR. Returns that
    cost (infinite where there is no choice), gear and split.
    """
    best, best_g, best_k, i = np.inf, at.gear, -1, at.t - points.first
    for g in range(points.cost.shape[1]):
        if only >= 0 and g != only:
            continue
        event = weights.shift_share * shift[at.t, engine, at.gear, g]
        count = points.count[i, g, engine]
        costs, powers = points.cost[i, g, engine], points.power[i, g, engine]
        k, total = _cheapest_split(costs, powers, count, weights, best - event)
        if k >= 0:
            best, best_g, best_k = event + total, g, k
    return best, best_g, best_k


@kernel
def _torque_of(points, at, gear, engine, split):
    """Motor torque of a split; the first one is the unpowered motor."""
    if split <= 0:
        return np.nan
    return points.motor_torque[at.t - points.first, gear, engine, split]


@kernel
def _equivalence(around, at, rule, points, work):
    """Least fuel plus events plus factor times stored energy over gear, engine and split.

    The engine is started or stopped if what that gains in the step is worth it: a start its share
    of what it takes beyond running on, a stop its charge for the start to come.
    """
    params, shift, dt = rule.params, around.moves.shift, around.rows[at.t, R_DT]
    factor = _equivalence_factor(around, at, params, 0.0, dt)
    battery = _battery_step(around.cell, at.soc, dt, around.low, around.high)
    weights = Weights(battery, factor, params[SHIFT_SHARE])
    must = _must_run(around, at, rule, work)
    hold = at.memory[ENGINE_TIME] < (params[MIN_ON] if at.engine == 1 else params[MIN_OFF])
    hold, must = hold or (must and at.engine == 1), must and at.engine == 0 and not hold
    for free in range(2):  # the minimum time in gear is given up where it leaves nothing
        only = ANY_GEAR
        if free == 0 and params[GEARS] != GEAR_FREE:
            only = _rule_gear(around, at, rule, at.engine)
        elif free == 0 and at.memory[GEAR_TIME] < params[MIN_GEAR]:
            only = at.gear
        off, off_g, off_k = _cheapest_gear(points, shift, at, OFF, only, weights)
        run, on_g, on_k = _cheapest_gear(points, shift, at, RUNNING, only, weights)
        on, threshold, gain, now = run, params[STOP_CHARGE], run - off, RUNNING
        if at.engine == 0:
            now = STARTING
            on, on_g, on_k = _cheapest_gear(points, shift, at, STARTING, only, weights)
            threshold, gain = params[START_SHARE] * (on - run + params[START_COST]), off - run
        stay, other = (on, off) if at.engine == 1 else (off, on)
        if stay == np.inf and (free == 0 and hold or other == np.inf):
            continue
        switch = stay == np.inf or (other < np.inf and not hold and (must or gain > threshold))
        if switch == (at.engine == 1):
            return False, off_g, _torque_of(points, at, off_g, OFF, off_k)
        return True, on_g, _torque_of(points, at, on_g, now, on_k)
    return True, at.gear, -np.inf
