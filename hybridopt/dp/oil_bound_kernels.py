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
LINES = 3  # between neighbouring nodes, from that beside a cell on, of which one is taken


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
    ratios : prices of energy over the multiplier at which lists are known, increasing, (ratios,)
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
    ratios: Any


@kernel
def _level(values, oil, steepest):
    """Lower values over temperature to a convex line that falls, but not faster than `steepest`.

    Between the nodes the line lies below the lines through any two neighbours, continued.
    """
    n = oil.size
    for i in range(1, n):
        values[i] = min(values[i], values[i - 1])
    for i in range(n - 2, -1, -1):
        values[i] = min(values[i], values[i + 1] + steepest * (oil[i + 1] - oil[i]))
    corner, used = np.empty(n, dtype=np.int64), 0
    for i in range(n):
        if values[i] == np.inf:
            continue
        while used > 1:
            a, b = corner[used - 2], corner[used - 1]
            rise = (values[b] - values[a]) * (oil[i] - oil[a])
            if rise < (values[i] - values[a]) * (oil[b] - oil[a]):
                break
            used -= 1
        corner[used] = i
        used += 1
    for q in range(used - 1):
        a, b = corner[q], corner[q + 1]
        for i in range(a + 1, b):
            share = (oil[i] - oil[a]) / (oil[b] - oil[a])
            values[i] = values[a] + share * (values[b] - values[a])


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
def _price_lists(hulls, trellis, lam, boxes, efficiency, steps, table):
    """Fill the least of fuel and priced energy of the lists of some steps at every ratio of prices.

    `table` is (steps, hull cells, lists of a step, ratios). With the engine off, where fuel has no
    factor, only ratio 1 is needed, which is the first.
    """
    gears, ratios = trellis.shift.shape[2], trellis.ratios
    for t in range(steps[0], steps[1]):
        weight, change, dt = lam[t + 1], lam[t] - lam[t + 1], trellis.rows[t, R_DT]
        span = boxes.first[t], boxes.last[t]
        for cell in range(table.shape[1]):
            for row in range(3 * gears):
                engine = row % 3
                for k in range(ratios.size if engine != OFF else 1):
                    table[t, cell, row, k] = _least(
                        hulls,
                        cell,
                        t * 3 * gears + row,
                        weight * ratios[k],
                        change * ratios[k],
                        dt,
                        boxes.rows,
                        span,
                        boxes.floor[engine],
                        efficiency,
                    )


@kernel(inline="always")
def _priced(ratios, known, ratio):
    """Least of fuel and priced energy of a list at a ratio: concave, so a chord lies below."""
    k = 1
    while k < ratios.size - 2 and ratios[k + 1] < ratio:
        k += 1
    share = (ratio - ratios[k]) / (ratios[k + 1] - ratios[k])
    return known[k] + share * (known[k + 1] - known[k])


@kernel(inline="always")
def _along(trellis, t, cell, started, engine, known, values, line):
    """Costs of arriving from either end of a cell, with what follows on a line over temperature."""
    warming, oil, ratios = trellis.warming, trellis.oil, trellis.ratios
    fall = (values[line] - values[line + 1]) / (oil[line + 1] - oil[line])
    kept = 1.0 - fall * warming.heat / warming.capacity
    cold = values[line] - fall * (_cooled(warming, oil[cell], trellis.rows[t]) - oil[line])
    warm = values[line] - fall * (_cooled(warming, oil[cell + 1], trellis.rows[t]) - oil[line])
    if engine == OFF:
        return known[0] + cold, known[0] + warm
    extra = started * kept if engine == STARTING else 0.0
    begun = started if engine == STARTING else 0.0
    omega = trellis.factor[cell] * kept
    cold += omega * (_priced(ratios, known, 1.0 / omega) - begun) + extra
    omega = trellis.factor[cell + 1] * kept
    warm += omega * (_priced(ratios, known, 1.0 / omega) - begun) + extra
    return cold, warm


@kernel
def _stages_of_cell(trellis, t, cell, table, ahead, stage):
    """Fill stage[end, arrival, gear]: what arriving from either end of a cell costs in all.

    `ahead` is (states, gears, nodes) after the step. Of the lines beside the cell the highest one
    counts, for each list its own.
    """
    graph, cells = trellis.graph, trellis.oil.size - 1
    started = _start_fuel(trellis.start_fuel, trellis.start_span, trellis.rows[t, R_DT])
    for i in range(stage.shape[1]):
        c, s = graph.arrival_engine[i], graph.arrival_state[i]
        for g in range(ahead.shape[1]):
            stage[0, i, g], stage[1, i, g] = np.inf, np.inf
            known, values = table[t, trellis.hull[cell], g * 3 + c], ahead[s, g]
            if known[0] == np.inf or values[cell] == np.inf:
                continue
            low = cell - 1 if c == OFF else cell
            best = -np.inf
            for line in range(max(low, 0), min(low + LINES, cells)):
                cold, warm = _along(trellis, t, cell, started, c, known, values, line)
                if cold + warm > best:
                    best = cold + warm
                    stage[0, i, g], stage[1, i, g] = cold, warm


@kernel(nogil=True)
def _oil_trellis(trellis, table, values):
    """Fill the least cost from every state, gear and node on, before the first step.

    `values` is (2, states, gears, nodes), zero at the end; the result is in values[0].
    """
    warming, oil, graph = trellis.warming, trellis.oil, trellis.graph
    gears, steps, nodes = values.shape[2], trellis.rows.shape[0], oil.size
    stage = np.empty((2, graph.arrival_engine.size, gears))
    steepest = STEEPEST * warming.capacity / warming.heat if warming.heat > 0.0 else np.inf
    for back in range(steps):
        t, ahead, now = steps - 1 - back, values[back % 2], values[(back + 1) % 2]
        for s in range(graph.states):
            for g in range(gears):
                _level(ahead[s, g], oil, steepest)
                for i in range(nodes):
                    now[s, g, i] = np.inf
        for cell in range(nodes - 1):
            _stages_of_cell(trellis, t, cell, table, ahead, stage)
            for m in range(graph.source.size):
                s, c, i = graph.source[m], graph.engine[m], graph.arrival[m]
                too_cold = trellis.stops[m] == 1 and oil[cell + 1] < warming.stop
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
    if steps % 2 == 1:
        for s in range(graph.states):
            for g in range(gears):
                for i in range(nodes):
                    values[0, s, g, i] = values[1, s, g, i]
    for s in range(graph.states):
        for g in range(gears):
            _level(values[0, s, g], oil, steepest)
