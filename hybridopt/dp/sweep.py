"""Backward sweep of the cost-to-go in numba, with exact pruning of torque splits.

Rows of the value are padded on both sides (flat above the window, by the penalty below it). States,
moves and arrivals are those of dp/graph.py. Clear numba's cache after editing `split_kernels.py` or
`kernels.py`.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from types import FunctionType

import numpy as np
from numba import prange

from ..base.compiled import kernel
from ..problem.graph import _gear_fits
from .split_kernels import (
    _falls,
    _is_left,
    _least_difference,
    _list_kept,
    _look_closer,
    _raise_gains,
    _reference,
    _row_value,
    _slope_range,
    _split_values,
)

MANY = 3  # splits left from which a second, narrower look pays


@kernel
def _dearest_switch(shift, graph, move_cost, floors, a, arrival, g, rival, lead):
    """Most that the events into the lead cost beyond those into an arrival's gear, or infinity.

    The lead is another gear of the same arrival, or a gear of its rival, and is compared from
    every state and gear that can get to the arrival's gear.
    """
    most = -np.inf
    c = graph.arrival_engine[arrival]
    lead_class = graph.arrival_engine[graph.arrival_rival[arrival]] if rival else c
    for m in range(graph.source.size):
        if graph.arrival[m] != arrival or move_cost[m] == np.inf:
            continue
        other = graph.rival[m] if rival else m
        if other < 0 or floors[other] > max(a, floors[m]):
            return np.inf
        extra = move_cost[other] - move_cost[m]
        for h in range(shift.shape[1]):
            if shift[c, h, g] < np.inf and _gear_fits(graph, m, h, g):
                if not _gear_fits(graph, m, h, lead):
                    return np.inf
                most = max(most, shift[lead_class, h, lead] - shift[c, h, g] + extra)
    return most


@kernel
def _cells_in_reach(near, far, count, start, width, pad, size):
    """First and last cell of a row that any split can land in from anywhere in a block."""
    low, high = float(pad), -float(pad)
    for c in range(count.shape[0]):
        for g in range(count.shape[1]):
            for k in range(count[c, g]):
                low = min(low, near[c, g, k], far[c, g, k])
                high = max(high, near[c, g, k], far[c, g, k])
    low, high = max(low, -float(pad)), min(high, float(pad))
    first, last = int(start - high - 1e-6), int(start + width - 1 - low + 1e-6)
    return max(first, 0), min(last, size - 2)


@kernel
def _look(
    lists,
    count,
    graph,
    after,
    reach,
    middle,
    pad,
    info,
    near,
    far,
    gains,
    refs,
    slopes,
    totals,
    scratch,
):
    """First look at every list: reference, its total at the middle, slopes, proved losses."""
    list_power, list_cost = lists
    for i in range(graph.arrival_engine.size):
        c, state = graph.arrival_engine[i], graph.arrival_state[i]
        same = i
        for j in range(i):
            same = j if graph.arrival_state[j] == state else same
        for g in range(after.shape[1]):
            row, n = after[state, g], count[c, g]
            totals[i, g], refs[i, g] = np.inf, -1
            if same < i:
                slopes[i, g, 0], slopes[i, g, 1] = slopes[same, g, 0], slopes[same, g, 1]
            else:
                slopes[i, g, 0], slopes[i, g, 1] = _slope_range(row, reach[0], reach[1], scratch)
            if n == 0:
                continue
            slope = row[middle] - row[middle + 1]
            r = _reference(list_power[c, g], list_cost[c, g], n, slope, info, near[c, g], far[c, g])
            fall = 0.5 * (near[c, g, r] + far[c, g, r])
            if r < 0 or not abs(fall) < pad:
                continue
            refs[i, g] = r
            totals[i, g] = list_cost[c, g, r] + _row_value(row, middle - fall)
            _raise_gains(
                list_cost[c, g],
                n,
                near[c, g],
                far[c, g],
                list_cost[c, g, r],
                near[c, g, r],
                far[c, g, r],
                slopes[i, g, 0],
                slopes[i, g, 1],
                gains[i, g],
            )


@kernel
def _best_gears(totals, leads):
    """Gear with the least total of every arrival."""
    for i in range(totals.shape[0]):
        leads[i] = 0
        for g in range(totals.shape[1]):
            if totals[i, g] < totals[i, leads[i]]:
                leads[i] = g


@kernel
def _compare_with_leads(
    lists,
    count,
    graph,
    move_cost,
    floors,
    after,
    a,
    reach,
    shift,
    near,
    far,
    gains,
    refs,
    slopes,
    totals,
    leads,
    scratch,
):
    """Raise proved losses against the best gear of the arrival, and against the engine off.

    With V the value in the split's own gear and state and V_r in the lead's,
    V(x - d) >= V_r(x - d) + D, D the least difference of the two rows over all cells in reach.
    """
    first, end = reach[0], reach[1] + 2
    for i in range(graph.arrival_engine.size):
        c, other = graph.arrival_engine[i], graph.arrival_rival[i]
        for which in range(2 if other >= 0 else 1):
            j = i if which == 0 else other
            if which == 1 and not totals[j, leads[j]] < totals[i, leads[i]]:
                continue
            rival = graph.arrival_engine[j]
            for g in range(after.shape[1]):
                lead = leads[j] if which == 0 or graph.gear_ages == 1 else g
                r = refs[j, lead]
                if r < 0 or (j == i and lead == g) or not _is_left(gains[i, g], count[c, g]):
                    continue
                base = _dearest_switch(shift, graph, move_cost, floors, a, i, g, which == 1, lead)
                if base == np.inf:
                    continue
                row = after[graph.arrival_state[i], g]
                lead_row = after[graph.arrival_state[j], lead]
                base += lists[1][rival, lead, r]
                base -= _least_difference(row[first:end], lead_row[first:end], scratch)
                low, high = slopes[j, lead, 0], slopes[j, lead, 1]
                _raise_gains(
                    lists[1][c, g],
                    count[c, g],
                    near[c, g],
                    far[c, g],
                    base,
                    near[rival, lead, r],
                    far[rival, lead, r],
                    low,
                    high,
                    gains[i, g],
                )


@kernel
def _block_values(
    lists,
    count,
    graph,
    move_cost,
    floors,
    nodes,
    a,
    b,
    info,
    step,
    charge_step,
    after,
    pad,
    shift,
    prune,
    best,
    used,
):
    """W of every arrival and gear over a block, best[arrival, g, x] for points a to b - 1.

    Returns how many pairs of a split and a point were looked at; `used` tells what is filled.
    """
    list_power, list_cost = lists
    classes, gears, size = list_power.shape
    arrivals = graph.arrival_engine.size
    start, width = pad + a, b - a
    near, far = np.empty((classes, gears, size)), np.empty((classes, gears, size))
    gains, kept = np.zeros((arrivals, gears, size)), np.empty(size, dtype=np.int64)
    refs, leads = np.empty((arrivals, gears), dtype=np.int64), np.empty(arrivals, dtype=np.int64)
    slopes, totals = np.empty((arrivals, gears, 2)), np.empty((arrivals, gears))
    scratch = np.empty((2, width + 2 * pad + 2))
    for c in range(classes):
        for g in range(gears):
            _falls(list_power[c, g], count[c, g], info, step, charge_step, near[c, g], far[c, g])
    refs[:] = -1
    if prune:
        reach = _cells_in_reach(near, far, count, start, width, pad, after.shape[2])
        _look(
            lists,
            count,
            graph,
            after,
            reach,
            start + width // 2,
            pad,
            info,
            near,
            far,
            gains,
            refs,
            slopes,
            totals,
            scratch,
        )
        _best_gears(totals, leads)
        _compare_with_leads(
            lists,
            count,
            graph,
            move_cost,
            floors,
            after,
            a,
            reach,
            shift,
            near,
            far,
            gains,
            refs,
            slopes,
            totals,
            leads,
            scratch,
        )
    looked_at = 0
    for i in range(arrivals):
        c = graph.arrival_engine[i]
        for g in range(gears):
            n = _list_kept(list_power[c, g], count[c, g], info, gains[i, g], kept)
            row = after[graph.arrival_state[i], g]
            if refs[i, g] >= 0 and n > MANY:
                n = _look_closer(
                    list_cost[c, g],
                    near[c, g],
                    far[c, g],
                    kept,
                    n,
                    refs[i, g],
                    row,
                    start,
                    width,
                    scratch,
                )
            used[i, g] = n > 0
            looked_at += n * width
            if n > 0:
                _split_values(
                    list_power[c, g],
                    list_cost[c, g],
                    kept,
                    n,
                    near[c, g],
                    far[c, g],
                    nodes,
                    a,
                    b,
                    info,
                    step,
                    charge_step,
                    row,
                    start,
                    best[i, g],
                )
    return looked_at


@kernel
def _losses(best, used, prune, leads, losses, scratch):
    """Find a good gear of every arrival, and how much every other one costs more at the least."""
    middle = best.shape[2] // 2
    for i in range(best.shape[0]):
        leads[i] = -1
        for g in range(best.shape[1]):
            better = leads[i] < 0 or best[i, g, middle] < best[i, leads[i], middle]
            if used[i, g] and better:
                leads[i] = g
        for g in range(best.shape[1]):
            losses[i, g] = -np.inf
            if prune and used[i, g] and g != leads[i]:
                losses[i, g] = _least_difference(best[i, g], best[i, leads[i]], scratch)


@kernel
def _combine(best, used, shift, graph, move_cost, floors, a, prune, out):
    """Minimum over next gear and state: V of a block from its W, best[arrival, gear, x].

    With `prune`, gears are left out that cost more than another one all over the block.
    """
    arrivals, gears, width = best.shape
    leads, losses = np.empty(arrivals, dtype=np.int64), np.empty((arrivals, gears))
    _losses(best, used, prune, leads, losses, np.empty((2, width)))
    for s in range(out.shape[0]):
        for g in range(gears):
            out[s, g, :] = np.inf
    for m in range(graph.source.size):
        c, i, first = graph.engine[m], graph.arrival[m], max(floors[m] - a, 0)
        for g in range(gears if move_cost[m] < np.inf and leads[i] >= 0 else 0):
            lead, least = leads[i], out[graph.source[m], g]
            fits = _gear_fits(graph, m, g, lead)
            base = shift[c, g, lead] + move_cost[m] if fits else np.inf
            for g2 in range(gears):
                event = shift[c, g, g2] + move_cost[m]
                if not used[i, g2] or event == np.inf or not _gear_fits(graph, m, g, g2):
                    continue
                if losses[i, g2] + event - base > 1e-12:
                    continue
                source = best[i, g2]
                for x in range(first, width):
                    total = source[x] + event
                    least[x] = total if total < least[x] else least[x]


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


def _sweep_back(
    points,
    battery_step,
    efficiency,
    floor_slope,
    prices,
    nodes,
    pad,
    bounds,
    facts,
    reach,
    shift,
    graph,
    move_cost,
    floors,
    prune,
    rows,
    value,
    begin,
    offset,
    looked_at,
):
    """Backward sweep over a part of the steps.

    V_t(x,s,g) = min over moves s -> s' and g' of shift(g,g') + cost(move) + W_t(x; g', s', class),
    W_t(x; g', s', class) = min over splits u of cost_u + V_{t+1}(x - d_u(x), s', g').

    An arrival is a pair of class and s'. A move is open from the grid point `floors` on. `rows`
    (2, states, gears, padded points) holds V after the part in rows[0] and gets V before it there;
    `value` (steps + 1, states, gears, points from number `begin` on) gets V less `offset`, rounded
    to its type; `looked_at` (blocks,) is raised by the pairs of split and point looked at. Blocks
    outside `reach` (steps + 2, 2) are left out; its first row is that of the step before the part,
    its last that of the values after it. There V goes on at `prices` (steps + 1,), g per point.
    With `prune`, splits are left out that cannot be optimal anywhere in a block: within a gear and
    arrival, against the best gear, against the engine off. All exact.
    """
    steps, gears, size = points.first.shape[0], points.first.shape[1], points.longest
    arrivals = graph.arrival_engine.size
    list_power, list_cost = np.empty((3, gears, size)), np.empty((3, gears, size))
    list_count = np.empty((3, gears), dtype=np.int64)
    swept, before = _swept(bounds, reach[steps + 1]), _swept(bounds, reach[steps])
    _extend_rows(rows[0], pad, swept, before, floor_slope, prices[steps])
    _store(rows[0, :, :, pad + begin : pad + begin + value.shape[3]], offset, value[steps])
    for back in range(steps):
        t, after, now = steps - 1 - back, rows[back % 2], rows[(back + 1) % 2]
        step = points.dt[t] * battery_step
        swept, before = before, _swept(bounds, reach[t])
        _list_splits(points, t, list_cost, list_power, list_count)
        for block in prange(bounds.size - 1):
            a, b = bounds[block], bounds[block + 1]
            if a < swept[0] or b > swept[1]:
                continue
            best = np.empty((arrivals, gears, b - a))
            used = np.empty((arrivals, gears), dtype=np.bool_)
            out = now[:, :, pad + a : pad + b]
            looked_at[block] += _block_values(
                (list_power, list_cost),
                list_count,
                graph,
                move_cost[t],
                floors,
                nodes,
                a,
                b,
                facts[block],
                step,
                step * efficiency,
                after,
                pad,
                shift[t],
                prune,
                best,
                used,
            )
            _combine(best, used, shift[t], graph, move_cost[t], floors, a, prune, out)
            _store(out, offset, value[t, :, :, a - begin : b - begin])
        _extend_rows(now, pad, swept, before, floor_slope, prices[t])
    if steps % 2 == 1:
        _store(rows[1], 0.0, rows[0])


def _named(name: str) -> FunctionType:
    """Return the sweep under another name: numba's cache tells kernels apart by it."""
    copy = FunctionType(_sweep_back.__code__, globals(), name)
    copy.__qualname__ = name
    return copy


# A parallel kernel compiles for long and is seldom worth it: it has a name of its own.
_sweep = kernel(_named("_sweep"))
_sweep_threads = kernel(_named("_sweep_threads"), parallel=True)
