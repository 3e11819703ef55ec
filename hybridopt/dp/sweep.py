"""Numba kernels of the backward sweep of the cost-to-go over a part of the steps.

Rows of the value are padded on both sides (flat above the window, by the penalty below it). States,
moves and arrivals are those of problem/graph.py.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np
from numba import prange

from ..base.compiled import kernel
from ..problem.graph import Moves
from .block_kernels import _block_values, _combine
from .split_kernels import Block, Rates


class BatteryOnGrid(NamedTuple):
    """The battery at the SoC points, and what its charge does to SoC.

    Attributes
    ----------
    nodes : voltage, resistances (discharge, charge), V and ohm, highest and lowest power, W,
        (5, SoC points)
    cells : grid cells per C
    efficiency : coulombic efficiency of charging
    """

    nodes: Any
    cells: float
    efficiency: float


class Layout(NamedTuple):
    """How the SoC points are cut into blocks, which are swept, and how rows go on beside them.

    Attributes
    ----------
    pad : points that rows are padded with on either side
    bounds : int64, (blocks + 1,), see :func:`hybridopt.dp.blocks.block_bounds`
    facts : (blocks, 10), see :func:`hybridopt.dp.blocks.block_facts`
    reach : int64, first and last point to be swept, (steps + 2, 2): before the step before the
        part, before each step, and at the part's end
    prices : g per point, at which rows go on beside the points swept, (steps + 1,)
    floor_slope : g per point, likewise below the window
    prune : whether splits are left out that cannot be optimal anywhere in a block, see pruning.py
    """

    pad: int
    bounds: Any
    facts: Any
    reach: Any
    prices: Any
    floor_slope: float
    prune: bool


class Kept(NamedTuple):
    """Where a part's cost-to-go is kept.

    Attributes
    ----------
    value : g, of any float type, (steps + 1, states, gears, SoC points from number `begin` on)
    begin : number of the first SoC point
    offset : g, taken off all values
    """

    value: Any
    begin: int
    offset: float


@kernel
def _swept(bounds, reach):
    """First and last point, plus one, of the blocks that a range of points touches."""
    first, end = 0, 0
    for block in range(bounds.size - 1):
        if bounds[block + 1] <= reach[0]:
            first = bounds[block + 1]
        if bounds[block] <= reach[1]:
            end = bounds[block + 1]
    return first, end


@kernel
def _extend_rows(rows, pad, swept, read, floor_slope, price):
    """Continue all rows beyond the points swept, as far as a step from the range `read` can land.

    Below the window by the penalty, above it flat; within the window at a price per point.
    """
    points, (first, end) = rows.shape[2] - 2 * pad, swept
    below, above = floor_slope if first == 0 else price, 0.0 if end == points else price
    for e in range(rows.shape[0]):
        for g in range(rows.shape[1]):
            row = rows[e, g]
            for x in range(read[0] - pad, first):
                row[pad + x] = row[pad + first] + below * (first - x)
            for x in range(end, read[1] + pad):
                row[pad + x] = row[pad + end - 1] - above * (x - end + 1)


@kernel
def _list_splits(points, t, list_cost, list_power, list_count):
    """Gather the admissible splits of a step by engine class and gear."""
    for c in range(3):
        for g in range(list_count.shape[1]):
            n, first = 0, points.first[t, g, c]
            for k in range(first, first + points.length[t, g, c]):
                if points.cost[k] < np.inf:
                    list_power[c, g, n], list_cost[c, g, n] = points.power[k], points.cost[k]
                    n += 1
            list_count[c, g] = n


@kernel
def _store(values, offset, out):
    """Copy values less an offset (plain loops: array assignment takes seconds to compile)."""
    for e in range(values.shape[0]):
        for g in range(values.shape[1]):
            for x in range(values.shape[2]):
                out[e, g, x] = values[e, g, x] - offset


@kernel
def _block(nodes, layout, number):
    """Return a block by its number."""
    a, b = layout.bounds[number], layout.bounds[number + 1]
    return Block(
        a,
        layout.pad + a,
        layout.facts[number],
        nodes[0][a:b],
        nodes[1][a:b],
        nodes[2][a:b],
        nodes[3][a:b],
        nodes[4][a:b],
    )


@kernel
def _sweep_block(number, layout, nodes, rates, step_lists, moves, rows, kept, looked_at):
    """Sweep a block in one step: from the values after it, rows[0], to those before it, rows[1].

    Blocks outside what is to be swept are left out. `step_lists` holds power, cost and count of
    :class:`hybridopt.dp.pruning.Lists`; `moves` and `kept` are those of the step.
    """
    block = _block(nodes, layout, number)
    a, end = block.first, block.first + block.voltage.size
    arrivals, gears = moves.graph.arrival_engine.size, rows[0].shape[1]
    best = np.empty((arrivals, gears, end - a))
    used = np.empty((arrivals, gears), dtype=np.bool_)
    out = rows[1][:, :, layout.pad + a : layout.pad + end]
    looked_at[number] += _block_values(
        step_lists, moves, block, rates, rows[0], layout.pad, layout.prune, best, used
    )
    _combine(best, used, moves, a, layout.prune, out)
    _store(out, kept.offset, kept.value[:, :, a - kept.begin : end - kept.begin])


@kernel(parallel=True)
def _sweep_blocks_in_threads(
    swept, layout, nodes, rates, step_lists, graph, events, rows, kept, looked_at
):
    """Sweep the blocks between two points in a step, as many at a time as there are threads.

    `events` are all of :class:`hybridopt.problem.graph.Moves` but the graph: numba hands no tuple
    within a tuple to threads.
    """
    shift, cost, opens = events
    for number in prange(layout.bounds.size - 1):
        if layout.bounds[number] >= swept[0] and layout.bounds[number + 1] <= swept[1]:
            moves = Moves(graph, shift, cost, opens)
            _sweep_block(number, layout, nodes, rates, step_lists, moves, rows, kept, looked_at)


@kernel
def _sweep(points, battery, layout, moves, rows, kept, looked_at, threads):
    """Sweep backward over a part of the steps.

    V_t(x,s,g) = min over moves s -> s' and g' of shift(g,g') + cost(move) + W_t(x; g', s', class),
    W_t(x; g', s', class) = min over splits u of cost_u + V_{t+1}(x - d_u(x), s', g').

    An arrival is a pair of class and s'. `rows` (2, states, gears, padded points) holds V after
    the part in rows[0] and gets V before it there; `kept` gets V less its offset, rounded to its
    type; `looked_at` (blocks,) is raised by the pairs of split and point looked at. Blocks outside
    the reach are left out; there V goes on at the prices. `threads` is None for one thread: then
    the kernel for many, which compiles for long, is not compiled.
    """
    steps, gears, size = points.first.shape[0], points.first.shape[1], points.longest
    pad, bounds, value, begin = layout.pad, layout.bounds, kept.value, kept.begin
    power, cost = np.empty((3, gears, size)), np.empty((3, gears, size))
    count = np.empty((3, gears), dtype=np.int64)
    swept, before = _swept(bounds, layout.reach[steps + 1]), _swept(bounds, layout.reach[steps])
    _extend_rows(rows[0], pad, swept, before, layout.floor_slope, layout.prices[steps])
    _store(rows[0, :, :, pad + begin : pad + begin + value.shape[3]], kept.offset, value[steps])
    for back in range(steps):
        t, two = steps - 1 - back, (rows[back % 2], rows[(back + 1) % 2])
        cells = points.dt[t] * battery.cells
        rates = Rates(cells, cells * battery.efficiency)
        swept, before = before, _swept(bounds, layout.reach[t])
        _list_splits(points, t, cost, power, count)
        lists = power, cost, count
        events, out = (
            (moves.shift[t], moves.cost[t], moves.opens),
            Kept(value[t], begin, kept.offset),
        )
        if threads is None:
            now = Moves(moves.graph, *events)
            for number in range(bounds.size - 1):
                if bounds[number] >= swept[0] and bounds[number + 1] <= swept[1]:
                    _sweep_block(
                        number, layout, battery.nodes, rates, lists, now, two, out, looked_at
                    )
        else:
            _sweep_blocks_in_threads(
                swept, layout, battery.nodes, rates, lists, moves.graph, events, two, out, looked_at
            )
        _extend_rows(two[1], pad, swept, before, layout.floor_slope, layout.prices[t])
    if steps % 2 == 1:
        _store(rows[1], 0.0, rows[0])
