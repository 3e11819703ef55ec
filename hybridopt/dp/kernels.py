"""Numba kernels of the optimiser's forward run: battery step, cost-to-go, choice of a step.

They live together because numba's cache does not notice edits across files.
Arrays: cost-to-go `value` has shape (steps + 1, 2 engine states, gears, SoC points).
"""

from typing import Any, NamedTuple

import numpy as np
from numba import njit

OFF, RUNNING, STARTING = 0, 1, 2
GOLDEN = 0.6180339887498949


class Cell(NamedTuple):
    """The battery as bare arrays over its SoC table, and its charge."""

    soc: Any
    voltage: Any
    discharge: Any
    charge: Any
    power_max: Any
    power_min: Any
    capacity: float
    efficiency: float


class Grid(NamedTuple):
    """The SoC grid and the value beyond it and at the end."""

    low: float
    spacing: float
    points: int
    penalty: float
    floor_penalty: float
    target: float
    two_sided: float


@njit(cache=True)
def _terminal(grid, soc):
    """Terminal value: exact penalty for missing the target."""
    miss = grid.target - soc
    if miss > 0.0:
        return grid.penalty * miss
    return -miss * grid.penalty if grid.two_sided > 0.0 else 0.0


@njit(cache=True)
def _at(axis, values, x):
    low, high = 0, axis.size - 1
    while high - low > 1:
        middle = (low + high) // 2
        if axis[middle] <= x:
            low = middle
        else:
            high = middle
    w = min(max((x - axis[low]) / (axis[low + 1] - axis[low]), 0.0), 1.0)
    return values[low] + w * (values[low + 1] - values[low])


@njit(cache=True)
def _state(cell, soc):
    """Voltage, discharge and charge resistance, highest and lowest power at a SoC."""
    voltage, discharge = _at(cell.soc, cell.voltage, soc), _at(cell.soc, cell.discharge, soc)
    power_max = _at(cell.soc, cell.power_max, soc)
    if discharge > 0.0:
        power_max = min(power_max, voltage * voltage / (4.0 * discharge))
    charge, power_min = _at(cell.soc, cell.charge, soc), _at(cell.soc, cell.power_min, soc)
    return voltage, discharge, charge, power_max, power_min


@njit(cache=True)
def _current(state, power):
    """Battery current, A, for a terminal power; NaN beyond a limit of power or voltage.

    I = 2 P / (U + sqrt(U^2 - 4 R P)), the root of R I^2 - U I + P = 0 that goes to P / U.
    """
    voltage, discharge, charge, power_max, power_min = state
    if power > power_max or power < power_min:
        return np.nan
    resistance = discharge if power > 0.0 else charge
    root = np.sqrt(max(voltage * voltage - 4.0 * resistance * power, 0.0))
    return 2.0 * power / (voltage + root)


@njit(cache=True)
def _next_soc(cell, state, soc, power, dt):
    """SoC after a step; NaN beyond a battery limit."""
    current = _current(state, power)
    if current < 0.0:
        current *= cell.efficiency
    return soc - current * dt / cell.capacity


@njit(cache=True)
def _value(grid, row, soc):
    """Cost-to-go between grid points: linear; below the window by the penalty, above flat."""
    y = (soc - grid.low) / grid.spacing
    if y <= 0.0:
        return row[0] - grid.floor_penalty * grid.spacing * y
    i = int(y)
    if i >= grid.points - 1:
        return row[grid.points - 1]
    return row[i] + (y - i) * (row[i + 1] - row[i])


@njit(cache=True)
def _between(values, k, share):
    """Value of a split that lies a share of the way from k to k + 1."""
    return values[k] + share * (values[k + 1] - values[k]) if share > 0.0 else values[k]


@njit(cache=True)
def _outcome(costs, powers, k, share, dt, cell, state, grid, row, final, aim, soc):
    """Cost plus value after a split between k and k + 1; infinite beyond a battery limit.

    `aim` shifts the value's SoC axis: a positive aim makes the run end that much higher.
    """
    after = _next_soc(cell, state, soc, _between(powers, k, share), dt)
    if np.isnan(after):
        return np.inf
    grams = _between(costs, k, share) + grid.floor_penalty * max(grid.low - after, 0.0)
    if final:
        return grams + _terminal(grid, after - aim)
    return grams + _value(grid, row, after - aim)


@njit(cache=True)
def _refine(costs, powers, count, split, best, dt, cell, state, grid, row, final, aim, soc):
    """Golden-section search between a split and its neighbours; never worse than the split."""
    best_split, best_share = split, 0.0
    for k in (split - 1, split):
        if k < 1 or k + 1 >= count or costs[k] == np.inf or costs[k + 1] == np.inf:
            continue
        low, high = 0.0, 1.0
        a, b = 1.0 - GOLDEN, GOLDEN
        fa = _outcome(costs, powers, k, a, dt, cell, state, grid, row, final, aim, soc)
        fb = _outcome(costs, powers, k, b, dt, cell, state, grid, row, final, aim, soc)
        for _ in range(26):
            if fa <= fb:
                high, b, fb = b, a, fa
                a = high - GOLDEN * (high - low)
                fa = _outcome(costs, powers, k, a, dt, cell, state, grid, row, final, aim, soc)
            else:
                low, a, fa = a, b, fb
                b = low + GOLDEN * (high - low)
                fb = _outcome(costs, powers, k, b, dt, cell, state, grid, row, final, aim, soc)
        share, total = (a, fa) if fa <= fb else (b, fb)
        if total < best:
            best, best_split, best_share = total, k, share
    return best_split, best_share, best


@njit(cache=True)
def _trim(powers, costs, count, dt, cell, state, top, soc, k, share):
    """Charge no more than the SoC window takes: raise the split until the step ends in it.

    The sweep values charge beyond the window like a full battery; here the motor gives way
    (and the brakes or a lower engine torque take over). Returns split -1 if that is impossible.
    """
    if not _next_soc(cell, state, soc, _between(powers, k, share), dt) > top:
        return k, share
    if k == 0:
        return -1, 0.0
    while k + 1 < count and _next_soc(cell, state, soc, powers[k + 1], dt) > top:
        k, share = k + 1, 0.0
    if k + 1 >= count or costs[k] == np.inf or costs[k + 1] == np.inf:
        return -1, 0.0
    low, high = share, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _next_soc(cell, state, soc, _between(powers, k, middle), dt) > top:
            low = middle
        else:
            high = middle
    return (k + 1, 0.0) if high == 1.0 else (k, high)


@njit(cache=True)
def _choose(cost, power, count, dt, cell, grid, shift, start_cost, row, final, aim, soc, engine,
            gear):  # fmt: skip
    """Best decision of one step from a continuous SoC: gear, class, split, share and value.

    The split may lie a share of the way to the next one. The value is infinite when nothing is
    admissible. `row` is the cost-to-go after the step.
    """
    state = _state(cell, soc)
    top = grid.low + grid.spacing * (grid.points - 1)
    best, pick = np.inf, (-1, -1, -1, 0.0)
    for g in range(cost.shape[0]):
        for c in (OFF, STARTING if engine == 0 else RUNNING):
            event = shift[c, gear, g] + (start_cost if c == STARTING else 0.0)
            after = row[min(c, 1), g]
            for k in range(count[g, c]):
                if cost[g, c, k] == np.inf:
                    continue
                j, share = _trim(power[g, c], cost[g, c], count[g, c], dt, cell, state, top, soc,
                                 k, 0.0)  # fmt: skip
                if j < 0:
                    continue
                total = event + _outcome(cost[g, c], power[g, c], j, share, dt, cell, state, grid,
                                         after, final, aim, soc)  # fmt: skip
                if total < best:
                    best, pick = total, (g, c, j, share)
    g, c, k, share = pick
    if k < 0 or share > 0.0:
        return g, c, k, share, best
    event = shift[c, gear, g] + (start_cost if c == STARTING else 0.0)
    split, share, total = _refine(cost[g, c], power[g, c], count[g, c], k, best - event, dt, cell,
                                  state, grid, row[min(c, 1), g], final, aim, soc)  # fmt: skip
    split, share = _trim(power[g, c], cost[g, c], count[g, c], dt, cell, state, top, soc, split,
                         share)  # fmt: skip
    return g, c, split, share, event + total


@njit(cache=True)
def _forward(cost, power, count, dt, cell, grid, shift, start_cost, value, aim, soc, engine, gear,
             gears, classes, splits, shares, path):  # fmt: skip
    """Forward run of the optimal policy; return the number of steps done."""
    path[0] = soc
    steps = cost.shape[0]
    for t in range(steps):
        g, c, k, share, best = _choose(cost[t], power[t], count[t], dt[t], cell, grid, shift[t],
                                       start_cost, value[t + 1], t == steps - 1, aim, soc, engine,
                                       gear)  # fmt: skip
        if best == np.inf:
            return t
        gears[t], classes[t], splits[t], shares[t] = g, c, k, share
        watts = _between(power[t, g, c], k, share)
        soc = _next_soc(cell, _state(cell, soc), soc, watts, dt[t])
        engine, gear = min(c, 1), g
        path[t + 1] = soc
    return steps


@njit(cache=True)
def _soc_path(power, dt, cell, path, current):
    """Fill SoC path and current of given battery powers; return the first step beyond a limit."""
    for t in range(power.size):
        state = _state(cell, path[t])
        current[t] = _current(state, power[t])
        path[t + 1] = _next_soc(cell, state, path[t], power[t], dt[t])
        if np.isnan(path[t + 1]):
            return t
    return -1
