"""Numba kernel of the bound with the oil temperature: a trellis over state, gear and temperature.

See oil_bound.py for the theorem.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.codes import OFF, STARTING
from ..physics.entries import R_DT
from ..physics.starts import _start_fuel
from ..physics.warm_up import _cooled
from ..problem.graph import _gear_fits
from .bound_kernels import B_HIGH, B_LOW, _drain, _stage

STEEPEST = 0.7  # g that a gram of fuel may save by its heat at most; what saves more counts so


class OilHulls(NamedTuple):
    """Lower hulls of the choices at the warm end of every cell of temperature.

    Attributes
    ----------
    power, cost : W and g at fuel factor 1, one hull behind the other, (hull points,)
    first : int64, (cells, lists + 1); lists count by step, gear and class
    lone : int64, 1 where a list ends with the unpowered motor, (cells, lists)
    """

    power: Any
    cost: Any
    first: Any
    lone: Any


class OilTrellis(NamedTuple):
    """What the trellis leads over.

    Attributes
    ----------
    warming : how the driveline warms up
    rows : what is asked of each step, (steps, R_SIZE)
    oil : nodes, degC, (nodes,)
    factor : on the fuel, at the nodes, (nodes,)
    hull : int64, cell of the hulls that each cell lies in, (nodes - 1,)
    graph, shift, cost : states and moves, what shifts cost, and moves, as of a problem's events
    stops : int64, 1 for moves that stop the engine, (moves,)
    start_fuel, start_span : g and s, of an engine start
    most : g, of fuel in each step, at fuel factor 1, (steps,)
    prices : of stored energy at which lists are known, g/J, increasing, (prices,)
    wanted : int64, those at which the trellis is looked at, increasing, (wanted,)
    window : stored energy after each step and at the start, J, lowest and highest, (steps + 1, 2)
    """

    warming: Any
    rows: Any
    oil: Any
    factor: Any
    hull: Any
    graph: Any
    shift: Any
    cost: Any
    stops: Any
    start_fuel: float
    start_span: float
    most: Any
    prices: Any
    wanted: Any
    window: Any


@kernel
def _level(values, oil, steepest):
    """Lower values over temperature so that they do not rise, nor fall faster than `steepest`."""
    for i in range(1, oil.size):
        values[i] = min(values[i], values[i - 1])
    for i in range(oil.size - 2, -1, -1):
        values[i] = min(values[i], values[i + 1] + steepest * (oil[i + 1] - oil[i]))


@kernel
def _level_all(values, oil, steepest):
    """Level values of all prices, states and gears, (wanted, states, gears, nodes)."""
    for k in range(values.shape[0]):
        for s in range(values.shape[1]):
            for g in range(values.shape[2]):
                _level(values[k, s, g], oil, steepest)


@kernel
def _least(hulls, cell, row, weight, change, dt, boxes, span, floor, efficiency):
    """Lowest cost + weight * drain + change * z of a list over boxes of stored energy."""
    a, b = hulls.first[cell, row], hulls.first[cell, row + 1]
    lone = b - hulls.lone[cell, row]
    power, cost = hulls.power[a:lone], hulls.cost[a:lone]
    best, corner = np.inf, 0
    for j in range(span[0], span[1] + 1 if b > a else span[0]):
        box = boxes[j]
        if box[B_HIGH] < floor:
            continue
        total = np.inf
        if lone > a:
            total, _, corner = _stage(power, cost, corner, dt, weight, box, efficiency)
        if lone < b:
            drain = _drain(hulls.power[lone], dt, box, efficiency)
            total = min(total, hulls.cost[lone] + weight * drain)
        total += change * (max(box[B_LOW], floor) if change >= 0.0 else box[B_HIGH])
        best = min(best, total)
    return best


@kernel(nogil=True)
def _price_lists(hulls, trellis, boxes, efficiency, first, steps, table):
    """Fill the least of fuel and priced energy of the lists of some steps at every price.

    `table` is (steps, hull cells, lists of a step, prices), of the steps from `first` on.
    """
    gears, prices = trellis.shift.shape[2], trellis.prices
    for t in range(steps[0], steps[1]):
        dt, span = trellis.rows[first + t, R_DT], (boxes.first[first + t], boxes.last[first + t])
        for cell in range(table.shape[1]):
            for row in range(3 * gears):
                for k in range(prices.size):
                    table[t, cell, row, k] = _least(
                        hulls,
                        cell,
                        (first + t) * 3 * gears + row,
                        prices[k],
                        0.0,
                        dt,
                        boxes.rows,
                        span,
                        boxes.floor[row % 3],
                        efficiency,
                    )


@kernel(inline="always")
def _priced(prices, known, begin, price):
    """Least of fuel and priced energy of a list at a price: concave, so a chord lies below."""
    k = begin
    while k < prices.size - 2 and prices[k + 1] < price:
        k += 1
    while k > 0 and prices[k] > price:
        k -= 1
    share = (price - prices[k]) / (prices[k + 1] - prices[k])
    return known[k] + share * (known[k + 1] - known[k])


@kernel(inline="always")
def _slope_of(oil, ahead, line):
    """Slope of the line of a cell, g/K; level beyond the warm end, whose cell is the last."""
    if line + 1 >= oil.size:
        return 0.0
    return (ahead[line + 1] - ahead[line]) / (oil[line + 1] - oil[line])


@kernel(inline="always")
def _lies_below(oil, ahead, line, cell):
    """Whether the line of a cell, led on, lies nowhere above what is ahead in another one.

    At a node between the two it is the same.
    """
    right = min(cell + 1, oil.size - 1)
    slope, below = _slope_of(oil, ahead, line), True
    if cell != line + 1:
        below = ahead[line] + slope * (oil[cell] - oil[line]) <= ahead[cell]
    if cell != line - 1:
        below = below and ahead[line] + slope * (oil[right] - oil[line]) <= ahead[right]
    return below


@kernel
def _lines_needed(oil, ahead, cell, lowest, highest, needed):
    """Fill the lines of which one lies at or below what is ahead wherever a cell leads.

    `ahead` is (nodes,); what lies beyond the warm end is level. Returns how many lines.
    """
    needed[0], count, kept, j = cell, 1, cell, cell - 1
    while j >= 0 and oil[j + 1] > lowest:
        if not _lies_below(oil, ahead, kept, j):
            kept, needed[count] = j, j
            count += 1
        j -= 1
    kept, j = cell, cell + 1
    while j < oil.size and oil[j] < highest:
        if not _lies_below(oil, ahead, kept, j):
            kept, needed[count] = j, j
            count += 1
        j += 1
    return count


@kernel(inline="always")
def _along(trellis, t, node, begun, engine, place, known, line, extra, ahead):
    """Cost of arriving from a node, with what follows on the line of a cell over temperature.

    A further slope `extra`, 0 or less, may be charged for the heat.
    """
    warming, oil, prices = trellis.warming, trellis.oil, trellis.prices
    slope = _slope_of(oil, ahead, line)
    cost = ahead[line] + slope * (_cooled(warming, oil[node], trellis.rows[t]) - oil[line])
    if engine == OFF:
        return known[place] + cost
    kept = 1.0 + (slope + extra) * warming.heat / warming.capacity
    kept = max(kept, 1.0 - STEEPEST)
    omega = trellis.factor[node] * kept
    cost += omega * (_priced(prices, known, place, prices[place] / omega) - begun)
    return cost + begun * kept


@kernel
def _edge(trellis, values, s, g, cell, z):
    """Return the wanted price whose line lies highest at an energy, in the middle of a cell."""
    best, chosen = -np.inf, 0
    for k in range(values.shape[0]):
        here = 0.5 * (values[k, s, g, cell] + values[k, s, g, cell + 1])
        here -= trellis.prices[trellis.wanted[k]] * z
        if here > best:
            best, chosen = here, k
    return chosen


@kernel
def _keep_in_window(trellis, t, values, ahead):
    """Fill what is ahead at the nodes, (wanted, states, gears, nodes), in the window of SoC.

    At a price that would rather be beyond an edge of the window, the line of the price there
    counts, in each cell its own; of two cells' values at a node the lower one.
    """
    low, high, prices = trellis.window[t, 0], trellis.window[t, 1], trellis.prices
    ahead[:] = np.inf
    for s in range(values.shape[1]):
        for g in range(values.shape[2]):
            if values[0, s, g, 0] == np.inf:
                continue
            for cell in range(values.shape[3] - 1):
                steep = _edge(trellis, values, s, g, cell, low)
                flat = _edge(trellis, values, s, g, cell, high)
                for k in range(values.shape[0]):
                    taken, z = k, 0.0
                    if k > steep:
                        taken, z = steep, low
                    elif k < flat:
                        taken, z = flat, high
                    more = (prices[trellis.wanted[k]] - prices[trellis.wanted[taken]]) * z
                    for i in range(cell, cell + 2):
                        ahead[k, s, g, i] = min(ahead[k, s, g, i], values[taken, s, g, i] + more)


@kernel
def _stages_of_cell(trellis, t, cell, k, table, ahead, needed, stage):
    """Fill stage[end, arrival, gear]: what arriving from either end of a cell costs in all.

    `ahead` is (states, gears, nodes) after the step.
    """
    graph, place, oil, warming = trellis.graph, trellis.wanted[k], trellis.oil, trellis.warming
    row, last = trellis.rows[t], trellis.oil.size - 1
    started = _start_fuel(trellis.start_fuel, trellis.start_span, row[R_DT])
    lowest = min(_cooled(warming, oil[cell], row), oil[cell])
    warmer = trellis.most[t] * max(trellis.factor[cell], 1.0) * warming.heat / warming.capacity
    for i in range(stage.shape[1]):
        c, s = graph.arrival_engine[i], graph.arrival_state[i]
        for g in range(ahead.shape[1]):
            stage[0, i, g], stage[1, i, g] = np.inf, np.inf
            known, after = table[trellis.hull[cell], g * 3 + c], ahead[s, g]
            if known[0] == np.inf or after[cell] == np.inf:
                continue
            rise, bend, begun = 0.0, 0.0, started if c == STARTING else 0.0
            if c != OFF:
                rise = warmer
                bend = _slope_of(oil, after, cell) - _slope_of(oil, after, min(cell + 1, last))
            count = _lines_needed(oil, after, cell, lowest, oil[cell + 1] + rise, needed)
            for q in range(count):
                for end in range(2):
                    extra = min(bend, 0.0) if end == 0 else 0.0
                    total = _along(
                        trellis, t, cell + end, begun, c, place, known, needed[q], extra, after
                    )
                    stage[end, i, g] = min(stage[end, i, g], total)


@kernel(nogil=True)
def _oil_trellis(trellis, first, table, values, ahead):
    """Lead values, (wanted, states, gears, nodes), from after some steps to before them.

    `table` is that of the steps from `first` on; `ahead` is room like `values`.
    """
    warming, oil, graph = trellis.warming, trellis.oil, trellis.graph
    gears, nodes = values.shape[2:]
    stage = np.empty((2, graph.arrival_engine.size, gears))
    needed = np.empty(nodes + 1, dtype=np.int64)
    steepest = STEEPEST * warming.capacity / warming.heat if warming.heat > 0.0 else np.inf
    for back in range(table.shape[0]):
        t = first + table.shape[0] - 1 - back
        _level_all(values, oil, steepest)
        _keep_in_window(trellis, t + 1, values, ahead)
        _level_all(ahead, oil, steepest)
        values[:] = np.inf
        for k in range(values.shape[0]):
            for cell in range(nodes - 1):
                _stages_of_cell(trellis, t, cell, k, table[t - first], ahead[k], needed, stage)
                _take_moves(trellis, t, cell, stage, values[k])


@kernel
def _take_moves(trellis, t, cell, stage, now):
    """Lower the values before a step at both ends of a cell, (states, gears, nodes), by moves."""
    graph, gears = trellis.graph, now.shape[1]
    for m in range(graph.source.size):
        s, c, i = graph.source[m], graph.engine[m], graph.arrival[m]
        too_cold = trellis.stops[m] == 1 and trellis.oil[cell + 1] < trellis.warming.stop
        if trellis.cost[t, m] == np.inf or too_cold:
            continue
        for g2 in range(gears):
            if stage[0, i, g2] == np.inf:
                continue
            for g in range(gears):
                event = trellis.shift[t, c, g, g2] + trellis.cost[t, m]
                if event == np.inf or not _gear_fits(graph, m, g, g2):
                    continue
                for end in range(2):
                    total = stage[end, i, g2] + event
                    if total < now[s, g, cell + end]:
                        now[s, g, cell + end] = total
