"""Numba kernels of the backward sweep with the oil temperature as a state.

V_t(x, s, g, T) at the nodes of T. A split lands at its own temperature T' beside a node, where V is
a parabola between neighbours; what it costs is so known but for V's change over T, whose range in
reach of a block makes the spread that keeps pruning exact.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np
from numba import prange

from ..base.compiled import kernel
from ..physics.entries import R_DT
from ..physics.step_costs import StepCosts
from ..physics.warm_up import _warmed
from ..problem.graph import Moves
from .block_kernels import MANY, _combine, _prove_losses
from .oil_bends import _bend, _inner, _second
from .pruning import Lists, _cells_in_reach, _splits_of
from .split_kernels import Rates, _drops, _list_kept, _look_closer, _lower_to_split, _min_difference
from .sweep import _block, _extend_rows, _list_splits, _store, _swept


class OilStep(NamedTuple):
    """Lists of a step at all nodes, and where their splits land in temperature.

    Attributes
    ----------
    power, cost : W and g, (nodes, classes, gears, longest list)
    count : splits of each list, (nodes, classes, gears)
    side : int64, the neighbouring node towards which a split lands, as `power`
    share : of the way to it, as `power`
    """

    power: Any
    cost: Any
    count: Any
    side: Any
    share: Any


@kernel
def _list_landings(points, warming, t, step):
    """Fill the lists of a step at all nodes and where they land; return the widest share."""
    nodes, gears = points.oil.size, points.first.shape[2]
    widest = 0.0
    for j in range(nodes):
        here = StepCosts(
            points.rows[j, :, R_DT],
            points.cost,
            points.power,
            points.first[j],
            points.length[j],
            points.longest,
        )
        _list_splits(here, t, step.cost[j], step.power[j], step.count[j])
        row, oil = points.rows[j, t], points.oil[j]
        for c in range(3):
            for g in range(gears):
                for k in range(step.count[j, c, g]):
                    fuel = step.cost[j, c, g, k]
                    fuel -= warming.wear * abs(step.power[j, c, g, k]) * row[R_DT]
                    rise = _warmed(warming, oil, row, fuel) - oil
                    side = min(j + 1, nodes - 1) if rise > 0.0 else max(j - 1, 0)
                    width = abs(points.oil[side] - oil)
                    share = abs(rise) / width if width > 0.0 else 0.0
                    step.side[j, c, g, k], step.share[j, c, g, k] = side, share
                    widest = max(widest, share)
    return widest


@kernel
def _fill_bends(oil, after, span, second, bends):
    """Fill the bends of all cells between nodes, (nodes - 1, states, gears, padded points).

    `second` is room like `after`, of which the points of `span` count.
    """
    nodes, (a, b) = oil.size, span
    bends[:] = 0.0
    for s in range(after.shape[1] if nodes > 2 else 0):
        for g in range(after.shape[2]):
            for j in range(1, nodes - 1):
                left, right = oil[j] - oil[j - 1], oil[j + 1] - oil[j]
                one, two, three = after[j - 1, s, g], after[j, s, g], after[j + 1, s, g]
                for x in range(a, b):
                    second[j, x] = _second(one[x], two[x], three[x], left, right)
            for j in range(nodes - 1):
                one, two = second[_inner(j, nodes)], second[_inner(j + 1, nodes)]
                width = oil[j + 1] - oil[j]
                for x in range(a, b):
                    bends[j, s, g, x] = _bend(one[x], two[x], width)


@kernel
def _spread_costs(step, node, graph, values, cells, lists, scratch):
    """Fill the least that splits cost in reach of a block, and how much more it may be.

    `values` are those after the step at the nodes and the bends between them.
    """
    after, bends = values
    lists.cost[:], lists.spread[:] = step.cost[node], 0.0
    begin, end = cells[0], cells[1] + 2
    gears, level = after.shape[2], np.zeros(end - begin)
    lowest, highest = np.zeros((3, gears, 2, 2)), np.zeros((3, gears, 2, 2))
    for way in range(2):
        other = node + 2 * way - 1
        if other < 0 or other == after.shape[0]:
            continue
        lowest[:, :, way], highest[:, :, way] = np.inf, -np.inf
        for i in range(graph.arrival_engine.size):
            c, s = graph.arrival_engine[i], graph.arrival_state[i]
            for g in range(gears):
                here, there = after[node, s, g, begin:end], after[other, s, g, begin:end]
                for part in range(2):
                    if part == 1:
                        here, there = level, bends[min(node, other), s, g, begin:end]
                    low = _min_difference(there, here, scratch)
                    high = -_min_difference(here, there, scratch)
                    lowest[c, g, way, part] = min(lowest[c, g, way, part], low)
                    highest[c, g, way, part] = max(highest[c, g, way, part], high)
    for c in range(3):
        for g in range(gears):
            for k in range(step.count[node, c, g]):
                share = step.share[node, c, g, k]
                if share > 0.0:
                    way = 1 if step.side[node, c, g, k] > node else 0
                    low, high = lowest[c, g, way], highest[c, g, way]
                    curved = share * (1.0 - share)
                    lists.cost[c, g, k] += share * low[0] - curved * high[1]
                    width = share * (high[0] - low[0]) + curved * (high[1] - low[1])
                    lists.spread[c, g, k] = width if width == width else np.inf


@kernel
def _blend(here, there, bend, share, cells, out):
    """Fill a row a share of the way between two, in reach of a block."""
    curved = share * (1.0 - share)
    for x in range(cells[0], cells[1] + 2):
        change = share * (there[x] - here[x]) - curved * bend[x]
        out[x] = here[x] + (change if here[x] < np.inf else 0.0)


@kernel
def _warm_values(step, node, moves, block, rates, values, pad, prune, best, used):
    """Fill W of every arrival and gear over a block at a node; see `_block_values`."""
    after, bends = values
    power, count = step.power[node], step.count[node]
    classes, gears, size = power.shape
    graph, width = moves.graph, block.voltage.size
    arrivals = graph.arrival_engine.size
    shape = (classes, gears, size)
    lists = Lists(power, np.empty(shape), count, np.empty(shape), np.empty(shape), np.empty(shape))
    losses, kept = np.zeros((arrivals, gears, size)), np.empty(size, dtype=np.int64)
    reference = np.full((arrivals, gears), -1, dtype=np.int64)
    scratch, row = np.empty((2, width + 2 * pad + 2)), np.empty(after.shape[3])
    for c in range(classes):
        for g in range(gears):
            _drops(_splits_of(lists, c, g), block.facts, rates)
    cells = _cells_in_reach(lists, block, pad, after.shape[3])
    _spread_costs(step, node, graph, values, cells, lists, scratch)
    if prune:
        _prove_losses(lists, moves, block, after[node], pad, losses, reference, scratch)
    looked_at = 0
    for i in range(arrivals):
        c, state = graph.arrival_engine[i], graph.arrival_state[i]
        for g in range(gears):
            splits, here = _splits_of(lists, c, g), after[node, state, g]
            n = _list_kept(splits, block.facts, losses[i, g], kept)
            if reference[i, g] >= 0 and n > MANY:
                n = _look_closer(splits, kept, n, reference[i, g], here, block, scratch)
            used[i, g] = n > 0
            looked_at += n * width
            best[i, g, :] = np.inf
            towards, blended = -1, 0.0
            for q in range(n):
                k = kept[q]
                side, share = step.side[node, c, g, k], step.share[node, c, g, k]
                if side != towards or share != blended:
                    there, bend = after[side, state, g], bends[min(node, side, bends.shape[0] - 1)]
                    _blend(here, there, bend[state, g], share, cells, row)
                    towards, blended = side, share
                drops = splits.near[k], splits.far[k]
                cost = step.cost[node, c, g, k]
                _lower_to_split(cost, power[c, g, k], drops, block, rates, row, best[i, g])
    return looked_at


@kernel
def _warm_block(number, node, layout, nodes, rates, step, moves, values, out, prune):
    """Sweep a block at a node in one step, from the values after it to those before it."""
    block = _block(nodes, layout, number)
    a, end = block.first, block.first + block.voltage.size
    arrivals, gears = moves.graph.arrival_engine.size, out.shape[2]
    best = np.empty((arrivals, gears, end - a))
    used = np.empty((arrivals, gears), dtype=np.bool_)
    looked_at = _warm_values(step, node, moves, block, rates, values, layout.pad, prune, best, used)
    _combine(best, used, moves, a, prune, out[node, :, :, layout.pad + a : layout.pad + end])
    return looked_at


@kernel(parallel=True)
def _warm_blocks(swept, layout, nodes, rates, step, graph, events, values, out, looked_at):
    """Sweep the blocks between two points at all nodes in a step, in threads.

    `events` are shift costs, costs of moves at every node, and where moves open.
    """
    shift, cost, opens = events
    blocks, oil = layout.bounds.size - 1, out.shape[0]
    for job in prange(blocks * oil):
        number, node = job // oil, job % oil
        if layout.bounds[number] >= swept[0] and layout.bounds[number + 1] <= swept[1]:
            moves = Moves(graph, shift, cost[node], opens)
            looked_at[job] += _warm_block(
                number, node, layout, nodes, rates, step, moves, values, out, layout.prune
            )


@kernel
def _sweep_oil(points, warming, battery, layout, moves, rows, kept, looked_at):
    """Sweep backward over a part of the steps at all nodes; see `_sweep` of sweep.py.

    `rows` is (2, nodes, states, gears, padded points), `kept.value` (steps + 1, nodes, states,
    gears, points), and the cost of moves (steps, nodes, moves). Returns the widest share of the way
    to a neighbouring node that a step takes: above 1 the sweep says nothing.
    """
    nodes, steps, gears = points.first.shape[0], points.first.shape[1], points.first.shape[2]
    pad, begin, widest = layout.pad, kept.begin, 0.0
    shape = (nodes, 3, gears, points.longest)
    step = OilStep(
        np.empty(shape),
        np.empty(shape),
        np.empty((nodes, 3, gears), dtype=np.int64),
        np.empty(shape, dtype=np.int64),
        np.empty(shape),
    )
    swept, before = (
        _swept(layout.bounds, layout.reach[steps + 1]),
        _swept(layout.bounds, layout.reach[steps]),
    )
    held = slice(pad + begin, pad + begin + kept.value.shape[4])
    second, bends = np.zeros((nodes, rows.shape[4])), np.zeros((nodes - 1, *rows.shape[2:]))
    for j in range(nodes):
        _extend_rows(rows[0, j], pad, swept, before, layout.floor_slope, layout.prices[steps])
        _store(rows[0, j, :, :, held], kept.offset, kept.value[steps, j])
    for back in range(steps):
        t, after, out = steps - 1 - back, rows[back % 2], rows[(back + 1) % 2]
        cells = points.rows[0, t, R_DT] * battery.cells
        rates = Rates(cells, cells * battery.efficiency)
        swept, before = before, _swept(layout.bounds, layout.reach[t])
        span = max(swept[0], 0), min(swept[1] + 2 * pad, rows.shape[4])
        widest = max(widest, _list_landings(points, warming, t, step))
        events, values = (moves.shift[t], moves.cost[t], moves.opens), (after, bends)
        _fill_bends(points.oil, after, span, second, bends)
        _warm_blocks(
            swept, layout, battery.nodes, rates, step, moves.graph, events, values, out, looked_at
        )
        for j in range(nodes):
            _store(out[j, :, :, held], kept.offset, kept.value[t, j])
            _extend_rows(out[j], pad, swept, before, layout.floor_slope, layout.prices[t])
    return widest
