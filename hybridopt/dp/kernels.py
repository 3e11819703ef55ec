"""Numba kernels of the optimiser: battery step, cost-to-go, backward sweep, forward choice.

All of them live in this file because numba's cache does not notice edits across files.
Arrays: cost-to-go `value` has shape (steps + 1, 2 engine states, gears, SoC points).
"""

from typing import Any, NamedTuple

import numpy as np
from numba import njit, prange

OFF, RUNNING, STARTING = 0, 1, 2


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
def _current(cell, soc, power):
    """Battery current, A, for a terminal power; NaN beyond a limit of power or voltage.

    I = 2 P / (U + sqrt(U^2 - 4 R P)), the root of R I^2 - U I + P = 0 that goes to P / U.
    """
    voltage = _at(cell.soc, cell.voltage, soc)
    resistance = _at(cell.soc, cell.discharge if power > 0.0 else cell.charge, soc)
    if power > _at(cell.soc, cell.power_max, soc) or power < _at(cell.soc, cell.power_min, soc):
        return np.nan
    root = voltage * voltage - 4.0 * resistance * power
    if root < 0.0:
        return np.nan
    return 2.0 * power / (voltage + np.sqrt(root))


@njit(cache=True)
def _next_soc(cell, soc, power, dt):
    """SoC after a step; NaN beyond a battery limit."""
    current = _current(cell, soc, power)
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


@njit(cache=True, inline="always")
def _split_values(powers, costs, count, row, voltage, discharge, charge, power_max, power_min,
                  step, charge_step, floor_slope, best):  # fmt: skip
    """Fill best[x] = min over splits of cost + value after the split; infinite where none."""
    points = best.size
    best[:] = np.inf
    for k in range(count):
        cost, power = costs[k], powers[k]
        if cost == np.inf:
            continue
        resistance = discharge if power > 0.0 else charge
        scale = 2.0 * power * (step if power > 0.0 else charge_step)
        four = 4.0 * power
        for x in range(points):
            u = voltage[x]
            root = np.sqrt(max(u * u - four * resistance[x], 0.0))
            y = x - scale / (u + root)
            i = min(max(int(y), 0), points - 2)
            w = min(y - i, 1.0)
            v = row[i] + w * (row[i + 1] - row[i])
            v = row[0] - floor_slope * y if y < 0.0 else v
            ok = (power <= power_max[x]) & (power >= power_min[x])
            total = cost + v if ok else np.inf
            best[x] = min(best[x], total)


@njit(cache=True, parallel=True)
def _sweep(cost, power, count, dt, cell, grid, nodes, shift, start_cost, value, first, last):
    """Backward sweep from step last - 1 to first; `value[last]` is given.

    V_t(x,e,g) = min over e', g' of shift(g,g') + start(e,e') + W_t(x; g', class(e,e')),
    W_t(x; g', class) = min over splits u of cost_u + V_{t+1}(x - d_u(x), e', g').
    """
    gears, points = cost.shape[1], grid.points
    voltage, discharge, charge, power_max, power_min = nodes
    best = np.empty((3, gears, points))
    for t in range(last - 1, first - 1, -1):
        step = dt[t] / (cell.capacity * grid.spacing)
        for block in prange(3 * gears):
            c, g = block // gears, block % gears
            _split_values(power[t, g, c], cost[t, g, c], count[t, g, c],
                          value[t + 1, 0 if c == OFF else 1, g], voltage, discharge, charge,
                          power_max, power_min, step, step * cell.efficiency,
                          grid.floor_penalty * grid.spacing, best[c, g])  # fmt: skip
        for block in prange(2 * gears):
            e, g = block // gears, block % gears
            out = value[t, e, g]
            out[:] = np.inf
            on = RUNNING if e == 1 else STARTING
            extra = 0.0 if e == 1 else start_cost
            for g2 in range(gears):
                s = shift[g, g2]
                for x in range(points):
                    out[x] = min(out[x], s + min(best[OFF, g2, x], best[on, g2, x] + extra))


@njit(cache=True)
def _best_choice(cost, power, count, dt, cell, grid, shift, start_cost, row, final,
                 soc, engine, gear):  # fmt: skip
    """Best decision of one step from a continuous SoC; the split may lie between two listed ones.

    Returns gear, class, split index, share of the next split, and the value; value is infinite
    when nothing is admissible. `row` is the cost-to-go after the step.
    """
    best, best_gear, best_class, best_split = np.inf, -1, -1, -1
    for g in range(cost.shape[0]):
        for c in range(3):
            if (c == STARTING and engine == 1) or (c == RUNNING and engine == 0):
                continue
            extra = shift[gear, g] + (start_cost if c == STARTING else 0.0)
            after = row[0 if c == OFF else 1, g]
            for k in range(count[g, c]):
                if cost[g, c, k] == np.inf:
                    continue
                total = extra + _mixed(cost, power, dt, cell, grid, after, final, soc, g, c, k, 0.0)
                if total < best:
                    best, best_gear, best_class, best_split = total, g, c, k
    share = 0.0
    if best < np.inf and best_split > 0:
        best_split, share, best = _refine(cost, power, count, dt, cell, grid,
                                          row[0 if best_class == OFF else 1, best_gear], final, soc,
                                          best_gear, best_class, best_split, best,
                                          shift[gear, best_gear] +
                                          (start_cost if best_class == STARTING else 0.0))  # fmt: skip
    return best_gear, best_class, best_split, share, best


@njit(cache=True)
def _between(values, k, share):
    """Value of a split that lies a share of the way from k to k + 1."""
    return values[k] + share * (values[k + 1] - values[k]) if share > 0.0 else values[k]


@njit(cache=True)
def _mixed(cost, power, dt, cell, grid, row, final, soc, g, c, k, share):
    """Cost plus value after a split between k and k + 1; infinite beyond a limit."""
    grams = _between(cost[g, c], k, share)
    after = _next_soc(cell, soc, _between(power[g, c], k, share), dt)
    if np.isnan(after):
        return np.inf
    if final:
        return grams + _terminal(grid, after) + _beyond(grid, after)
    return grams + _value(grid, row, after)


@njit(cache=True)
def _beyond(grid, soc):
    return grid.floor_penalty * max(grid.low - soc, 0.0)


@njit(cache=True)
def _refine(cost, power, count, dt, cell, grid, row, final, soc, g, c, split, best, extra):
    """Golden-section search between a split and its neighbours; never worse than the split."""
    golden = 0.6180339887498949
    best_split, best_share = split, 0.0
    for k in (split - 1, split):
        if k < 1 or k + 1 >= count[g, c] or cost[g, c, k] == np.inf or cost[g, c, k + 1] == np.inf:
            continue
        low, high = 0.0, 1.0
        for _ in range(24):
            a, b = high - golden * (high - low), low + golden * (high - low)
            fa = _mixed(cost, power, dt, cell, grid, row, final, soc, g, c, k, a)
            fb = _mixed(cost, power, dt, cell, grid, row, final, soc, g, c, k, b)
            if fa <= fb:
                high = b
            else:
                low = a
        share = 0.5 * (low + high)
        total = extra + _mixed(cost, power, dt, cell, grid, row, final, soc, g, c, k, share)
        if total < best:
            best, best_split, best_share = total, k, share
    return best_split, best_share, best


@njit(cache=True)
def _trim(powers, costs, count, dt, cell, grid, soc, k, share):
    """Charge no more than the SoC window takes: raise the split until the step ends in it.

    The sweep values charge beyond the window like a full battery; here the motor gives way
    (and the brakes or a lower engine torque take over). Returns split -1 if that is impossible.
    """
    top = grid.low + grid.spacing * (grid.points - 1)
    if not _next_soc(cell, soc, _between(powers, k, share), dt) > top:
        return k, share
    while k + 1 < count and _next_soc(cell, soc, powers[k + 1], dt) > top:
        k, share = k + 1, 0.0
    if k + 1 >= count or costs[k + 1] == np.inf:
        return -1, 0.0
    low, high = share, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _next_soc(cell, soc, _between(powers, k, middle), dt) > top:
            low = middle
        else:
            high = middle
    return (k + 1, 0.0) if high == 1.0 else (k, high)


@njit(cache=True)
def _forward(cost, power, count, dt, cell, grid, shift, start_cost, value, soc, engine,
             gear, gears, classes, splits, shares, path):  # fmt: skip
    """Forward run of the optimal policy; return the number of steps done."""
    path[0] = soc
    for t in range(cost.shape[0]):
        final = t == cost.shape[0] - 1
        g, c, k, share, best = _best_choice(cost[t], power[t], count[t], dt[t], cell,
                                            grid, shift, start_cost, value[t + 1], final, soc,
                                            engine, gear)  # fmt: skip
        if best == np.inf:
            return t
        k, share = _trim(power[t, g, c], cost[t, g, c], count[t, g, c], dt[t], cell, grid, soc, k,
                         share)  # fmt: skip
        if k < 0:
            return t
        gears[t], classes[t], splits[t], shares[t] = g, c, k, share
        soc = _next_soc(cell, soc, _between(power[t, g, c], k, share), dt[t])
        engine, gear = (0 if c == OFF else 1), g
        path[t + 1] = soc
    return cost.shape[0]


@njit(cache=True)
def _soc_path(power, dt, cell, path):
    """Fill the SoC path of given battery powers; return the first step beyond a limit, or -1."""
    for t in range(power.size):
        path[t + 1] = _next_soc(cell, path[t], power[t], dt[t])
        if np.isnan(path[t + 1]):
            return t
    return -1
