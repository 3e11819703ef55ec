"""Numba kernels of the optimiser's forward run: battery step, cost-to-go, choice of a step.

They live together because numba's cache does not notice edits across files.
Arrays: cost-to-go `value` has shape (steps + 1, states, gears, SoC points), any float.
"""

from typing import Any, NamedTuple

import numpy as np
from numba import njit

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
    """The SoC grid and the value beyond it and at the end.

    Rows of values may hold a part of the points: those from number `first` on.
    """

    low: float
    spacing: float
    points: int
    penalty: float
    floor_penalty: float
    target: float
    two_sided: float
    first: int = 0


@njit(cache=True, error_model="numpy")
def _terminal(grid, soc):
    """Terminal value: exact penalty for missing the target."""
    miss = grid.target - soc
    if miss > 0.0:
        return grid.penalty * miss
    return -miss * grid.penalty if grid.two_sided > 0.0 else 0.0


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def _state(cell, soc):
    """Voltage, discharge and charge resistance, highest and lowest power at a SoC."""
    voltage, discharge = _at(cell.soc, cell.voltage, soc), _at(cell.soc, cell.discharge, soc)
    power_max = _at(cell.soc, cell.power_max, soc)
    if discharge > 0.0:
        power_max = min(power_max, voltage * voltage / (4.0 * discharge))
    charge, power_min = _at(cell.soc, cell.charge, soc), _at(cell.soc, cell.power_min, soc)
    return voltage, discharge, charge, power_max, power_min


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def _rates(cell, dt):
    """Charge per ampere in a step when discharging and when charging, s, and the capacity, C."""
    return dt, dt * cell.efficiency, cell.capacity


@njit(cache=True, error_model="numpy")
def _landing(state, rates, soc, power):
    """SoC after a step of given rates; NaN beyond a battery limit."""
    current = _current(state, power)
    return soc - current * (rates[1] if current < 0.0 else rates[0]) / rates[2]


@njit(cache=True, error_model="numpy")
def _landings(powers, count, state, rates, soc, after):
    """Fill SoC after a step of every split, as `_landing`, in vector registers."""
    voltage, discharge, charge, power_max, power_min = state
    out, inside = after[:count], powers[:count]
    for k in range(count):
        power = inside[k]
        resistance = discharge if power > 0.0 else charge
        root = np.sqrt(max(voltage * voltage - 4.0 * resistance * power, 0.0))
        current = 2.0 * power / (voltage + root)
        fallen = soc - current * (rates[1] if current < 0.0 else rates[0]) / rates[2]
        out[k] = np.nan if power > power_max or power < power_min else fallen


@njit(cache=True, error_model="numpy")
def _next_soc(cell, state, soc, power, dt):
    """SoC after a step; NaN beyond a battery limit."""
    return _landing(state, _rates(cell, dt), soc, power)


@njit(cache=True, error_model="numpy")
def _value(grid, row, soc):
    """Cost-to-go between grid points: linear; below the window by the penalty, above flat.

    NaN where the row does not hold the points.
    """
    y = (soc - grid.low) / grid.spacing
    i, share, below = min(max(int(y), 0), grid.points - 1), 0.0, 0.0
    if y <= 0.0:
        below = grid.floor_penalty * grid.spacing * y
    elif i < grid.points - 1:
        share = y - i
    i -= grid.first
    if i < 0 or i >= row.size or (share > 0.0 and i + 1 == row.size):
        return np.nan
    return row[i] - below + (share * (np.float64(row[i + 1]) - row[i]) if share > 0.0 else 0.0)


@njit(cache=True, error_model="numpy")
def _slope(grid, row, soc):
    """Fall of the cost-to-go per unit of SoC in the grid cell a SoC lies in."""
    i = min(max(int((soc - grid.low) / grid.spacing) - grid.first, 0), row.size - 2)
    return (np.float64(row[i]) - row[i + 1]) / grid.spacing


@njit(cache=True, error_model="numpy")
def _between(values, k, share):
    """Value of a split that lies a share of the way from k to k + 1."""
    return values[k] + share * (values[k + 1] - values[k]) if share > 0.0 else values[k]


@njit(cache=True, error_model="numpy")
def _total(grams, after, grid, row, final, aim):
    """Cost plus value of landing at a SoC; infinite when the landing is beyond a limit.

    `aim` shifts the value's SoC axis: a positive aim makes the run end that much higher.
    """
    if np.isnan(after):
        return np.inf
    grams += grid.floor_penalty * max(grid.low - after, 0.0)
    if final:
        return grams + _terminal(grid, after - aim)
    return grams + _value(grid, row, after - aim)


@njit(cache=True, error_model="numpy")
def _mixed(costs, powers, k, share, rates, state, grid, row, final, aim, soc):
    """Cost plus value after a split between k and k + 1."""
    after = _landing(state, rates, soc, _between(powers, k, share))
    return _total(_between(costs, k, share), after, grid, row, final, aim)


@njit(cache=True, error_model="numpy")
def _refine(costs, powers, count, split, best, rates, state, grid, row, final, aim, soc):
    """Golden-section search between a split and its neighbours; never worse than the split."""
    best_split, best_share = split, 0.0
    for k in (split - 1, split):
        if k < 1 or k + 1 >= count or costs[k] == np.inf or costs[k + 1] == np.inf:
            continue
        low, high = 0.0, 1.0
        a, b = 1.0 - GOLDEN, GOLDEN
        fa = _mixed(costs, powers, k, a, rates, state, grid, row, final, aim, soc)
        fb = _mixed(costs, powers, k, b, rates, state, grid, row, final, aim, soc)
        for _ in range(26):
            if fa <= fb:
                high, b, fb = b, a, fa
                a = high - GOLDEN * (high - low)
                fa = _mixed(costs, powers, k, a, rates, state, grid, row, final, aim, soc)
            else:
                low, a, fa = a, b, fb
                b = low + GOLDEN * (high - low)
                fb = _mixed(costs, powers, k, b, rates, state, grid, row, final, aim, soc)
        share, total = (a, fa) if fa <= fb else (b, fb)
        if total < best:
            best, best_split, best_share = total, k, share
    return best_split, best_share, best


@njit(cache=True, error_model="numpy")
def _trim(powers, costs, count, rates, state, top, soc, k, share):
    """Charge no more than the SoC window takes: raise the split until the step ends in it.

    The sweep values charge beyond the window like a full battery; here the motor gives way
    (and the brakes or a lower engine torque take over). Returns split -1 if that is impossible.
    """
    if not _landing(state, rates, soc, _between(powers, k, share)) > top:
        return k, share
    if k == 0:
        return -1, 0.0
    while k + 1 < count and _landing(state, rates, soc, powers[k + 1]) > top:
        k, share = k + 1, 0.0
    if k + 1 >= count or costs[k] == np.inf or costs[k + 1] == np.inf:
        return -1, 0.0
    low, high = share, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _landing(state, rates, soc, _between(powers, k, middle)) > top:
            low = middle
        else:
            high = middle
    return (k + 1, 0.0) if high == 1.0 else (k, high)


@njit(cache=True, error_model="numpy")
def _totals(costs, after, count, grid, row, final, aim, totals):
    """Fill cost plus value of every split's landing, as `_total`, in vector registers but for V."""
    low, floor_penalty = grid.low, grid.floor_penalty
    for k in range(count):
        grams = costs[k] + floor_penalty * max(low - after[k], 0.0)
        totals[k] = np.inf if np.isnan(after[k]) else grams
    for k in range(count):
        if totals[k] < np.inf:
            soc = after[k] - aim
            totals[k] += _terminal(grid, soc) if final else _value(grid, row, soc)


@njit(cache=True, error_model="numpy", inline="always")
def _gear_fits(graph, move, gear, gear_after):
    """Whether a move may go from a gear to a gear: its kind is 0 any, 1 the same, 2 another."""
    kind = graph.gear[move]
    return kind == 0 or (kind == 1) == (gear == gear_after)


@njit(cache=True, error_model="numpy")
def _splits(points, t, gear, engine):
    """Costs and powers of a step's splits in a gear and engine class."""
    begin = points.first[t, gear, engine]
    end = begin + points.length[t, gear, engine]
    return points.cost[begin:end], points.power[begin:end]


@njit(cache=True, error_model="numpy")
def _choose(points, t, cell, grid, shift, graph, move_cost, soc_least, row, final, aim, soc, source,
            gear, only_gear, only_engine, only_motor):  # fmt: skip
    """Best decision of one step from a continuous SoC: gear, move, split, share and value.

    Where only_gear is not -1, gear, engine class and whether the motor is off (only_motor is 0) or
    on (above 0) are given. The split may lie a share of the way to the next one. The value is
    infinite when nothing is admissible. `row` is the cost-to-go after the step.
    """
    state, rates = _state(cell, soc), _rates(cell, points.dt[t])
    top = grid.low + grid.spacing * (grid.points - 1)
    none = np.int64(-1)  # with a bare -1, all kernels that take it would compile once more
    best, pick = np.inf, (none, none, none, 0.0)
    landings, totals = np.empty(points.longest), np.empty(points.longest)
    for g in range(points.first.shape[1]):
        for m in range(graph.source.size):
            c = graph.engine[m]
            if only_gear >= 0 and (g != only_gear or c != only_engine):
                continue
            if graph.source[m] != source or not _gear_fits(graph, m, gear, g):
                continue
            event = shift[c, gear, g] + move_cost[m]
            if event == np.inf or soc < soc_least[m]:
                continue
            costs, powers = _splits(points, t, g, c)
            count, ahead = costs.size, row[graph.target[m], g]
            _landings(powers, count, state, rates, soc, landings)
            _totals(costs, landings, count, grid, ahead, final, aim, totals)
            for k in range(count):
                if costs[k] == np.inf or (only_gear >= 0 and (k > 0) != (only_motor > 0)):
                    continue
                j, share, total = k, 0.0, event + totals[k]
                if landings[k] > top:
                    j, share = _trim(powers, costs, count, rates, state, top, soc, k, 0.0)
                    if j < 0:
                        continue
                    total = event + _mixed(costs, powers, j, share, rates, state, grid, ahead,
                                           final, aim, soc)  # fmt: skip
                if total < best:
                    best, pick = total, (g, m, j, share)
    g, m, k, share = pick
    if k < 0 or share > 0.0:
        return g, m, k, share, best
    c = graph.engine[m]
    event = shift[c, gear, g] + move_cost[m]
    costs, powers = _splits(points, t, g, c)
    split, share, total = _refine(costs, powers, costs.size, k, best - event, rates, state, grid,
                                  row[graph.target[m], g], final, aim, soc)  # fmt: skip
    split, share = _trim(powers, costs, costs.size, rates, state, top, soc, split, share)
    return g, m, split, share, event + total


@njit(cache=True, error_model="numpy")
def _forward(points, cell, grid, shift, graph, move_cost, soc_least, value, final, aim, frozen,
             gear, states, gears, classes, splits, shares, path, costate):  # fmt: skip
    """Forward run of the optimal policy over a part of the steps; return the number of steps done.

    Where it is `frozen`, gears, classes and where the motor is on are given and only the splits are
    chosen.

    `value` (steps + 1, states, gears, points) may have an offset: it changes no choice. `final`
    tells whether the part ends where the problem does; path[0], states[0] and gear are given.
    """
    steps = points.first.shape[0]
    for t in range(steps):
        last = final and t == steps - 1
        g, m, k, share, best = _choose(points, t, cell, grid, shift[t], graph, move_cost[t],
                                       soc_least, value[t + 1], last, aim, path[t], states[t], gear,
                                       gears[t] if frozen else -1, classes[t],
                                       splits[t])  # fmt: skip
        if best == np.inf:
            return t
        c = graph.engine[m]
        gears[t], classes[t], splits[t], shares[t] = g, c, k, share
        watts = _between(_splits(points, t, g, c)[1], k, share)
        path[t + 1] = _next_soc(cell, _state(cell, path[t]), path[t], watts, points.dt[t])
        states[t + 1], gear = graph.target[m], g
        costate[t] = _slope(grid, value[t + 1, states[t + 1], gear], path[t + 1])
    return steps


@njit(cache=True, error_model="numpy")
def _states(cell, soc, out):
    """States of the battery at many SoCs, (5, SoCs)."""
    for i in range(soc.size):
        out[0, i], out[1, i], out[2, i], out[3, i], out[4, i] = _state(cell, soc[i])


@njit(cache=True, error_model="numpy")
def _soc_path(power, dt, cell, path, current):
    """Fill SoC path and current of given battery powers; return the first step beyond a limit."""
    for t in range(power.size):
        state = _state(cell, path[t])
        current[t] = _current(state, power[t])
        path[t + 1] = _next_soc(cell, state, path[t], power[t], dt[t])
        if np.isnan(path[t + 1]):
            return t
    return -1
