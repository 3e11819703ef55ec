"""Numba kernels of the optimiser's forward run: battery step, cost-to-go, choice of a step.

They live together because numba's cache does not notice edits across files.
Arrays: cost-to-go `value` has shape (steps + 1, states, gears, SoC points), any float.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _landing, _landings, _next_soc, _rates, _state
from ..problem.graph import _gear_fits
from ..problem.grid import _terminal

GOLDEN = 0.6180339887498949


@kernel
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


@kernel
def _slope(grid, row, soc):
    """Fall of the cost-to-go per unit of SoC in the grid cell a SoC lies in."""
    i = min(max(int((soc - grid.low) / grid.spacing) - grid.first, 0), row.size - 2)
    return (np.float64(row[i]) - row[i + 1]) / grid.spacing


@kernel
def _between(values, k, share):
    """Value of a split that lies a share of the way from k to k + 1."""
    return values[k] + share * (values[k + 1] - values[k]) if share > 0.0 else values[k]


@kernel
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


@kernel
def _mixed(costs, powers, k, share, rates, state, grid, row, final, aim, soc):
    """Cost plus value after a split between k and k + 1."""
    after = _landing(state, rates, soc, _between(powers, k, share))
    return _total(_between(costs, k, share), after, grid, row, final, aim)


@kernel
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


@kernel
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


@kernel
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


@kernel
def _splits(points, t, gear, engine):
    """Costs and powers of a step's splits in a gear and engine class."""
    begin = points.first[t, gear, engine]
    end = begin + points.length[t, gear, engine]
    return points.cost[begin:end], points.power[begin:end]


@kernel
def _choose(
    points,
    t,
    cell,
    grid,
    shift,
    graph,
    move_cost,
    soc_least,
    row,
    final,
    aim,
    soc,
    source,
    gear,
    only_gear,
    only_engine,
    only_motor,
):
    """Best decision of one step from a continuous SoC: gear, move, split, share and value.

    Where only_gear is not -1, gear, engine class and whether the motor is off (only_motor is 0) or
    on (above 0) are given. The split may lie a share of the way to the next one. The value is
    infinite when nothing is admissible. `row` is the cost-to-go after the step.
    """
    state, rates = _state(cell, soc), _rates(cell, points.dt[t])
    top = grid.low + grid.spacing * (grid.points - 1)
    none: Any = np.int64(-1)  # with a bare -1, all kernels that take it would compile once more
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
                    total = event + _mixed(
                        costs, powers, j, share, rates, state, grid, ahead, final, aim, soc
                    )
                if total < best:
                    best, pick = total, (g, m, j, share)
    g, m, k, share = pick
    if k < 0 or share > 0.0:
        return g, m, k, share, best
    c = graph.engine[m]
    event = shift[c, gear, g] + move_cost[m]
    costs, powers = _splits(points, t, g, c)
    split, share, total = _refine(
        costs,
        powers,
        costs.size,
        k,
        best - event,
        rates,
        state,
        grid,
        row[graph.target[m], g],
        final,
        aim,
        soc,
    )
    split, share = _trim(powers, costs, costs.size, rates, state, top, soc, split, share)
    return g, m, split, share, event + total


@kernel
def _forward(
    points,
    cell,
    grid,
    shift,
    graph,
    move_cost,
    soc_least,
    value,
    final,
    aim,
    frozen,
    gear,
    states,
    gears,
    classes,
    splits,
    shares,
    path,
    costate,
):
    """Forward run of the optimal policy over a part of the steps; return the number of steps done.

    Where it is `frozen`, gears, classes and where the motor is on are given and only the splits are
    chosen.

    `value` (steps + 1, states, gears, points) may have an offset: it changes no choice. `final`
    tells whether the part ends where the problem does; path[0], states[0] and gear are given.
    """
    steps = points.first.shape[0]
    for t in range(steps):
        last = final and t == steps - 1
        g, m, k, share, best = _choose(
            points,
            t,
            cell,
            grid,
            shift[t],
            graph,
            move_cost[t],
            soc_least,
            value[t + 1],
            last,
            aim,
            path[t],
            states[t],
            gear,
            gears[t] if frozen else -1,
            classes[t],
            splits[t],
        )
        if best == np.inf:
            return t
        c = graph.engine[m]
        gears[t], classes[t], splits[t], shares[t] = g, c, k, share
        watts = _between(_splits(points, t, g, c)[1], k, share)
        path[t + 1] = _next_soc(cell, _state(cell, path[t]), path[t], watts, points.dt[t])
        states[t + 1], gear = graph.target[m], g
        costate[t] = _slope(grid, value[t + 1, states[t + 1], gear], path[t + 1])
    return steps
