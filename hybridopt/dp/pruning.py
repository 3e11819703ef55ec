"""Numba kernels that prove which torque splits cannot be optimal anywhere in a block of SoC points.

A split is compared with a good one of its own gear and arrival, with the best gear of the arrival,
and with the engine off. What is left out is proved to be useless, so pruning is exact. Arrivals are
those of problem/graph.py: pairs of an engine class and a state.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..problem.graph import _gear_fits
from .split_kernels import (
    Splits,
    _is_left,
    _min_difference,
    _raise_losses,
    _reference,
    _row_value,
    _slope_range,
)


class Lists(NamedTuple):
    """All admissible splits of a step over a block, by engine class and gear.

    Attributes
    ----------
    power, cost : W and g, (3 engine classes, gears, longest list)
    count : splits of each list, (3, gears)
    near, far, spread : as :class:`Splits` has them, (3, gears, longest list)
    """

    power: Any
    cost: Any
    count: Any
    near: Any
    far: Any
    spread: Any


class Looked(NamedTuple):
    """What a first look at every list of splits has found, by arrival and gear.

    Attributes
    ----------
    losses : g, proved loss of every split anywhere in the block, (arrivals, gears, longest list)
    reference : number of a good split, or -1, (arrivals, gears)
    slopes : lowest and highest slope of the value in reach, g per cell, (arrivals, gears, 2)
    totals : g, cost and value of the reference in the middle of the block, (arrivals, gears)
    leads : best gear of each arrival, (arrivals,)
    """

    losses: Any
    reference: Any
    slopes: Any
    totals: Any
    leads: Any


@kernel
def _splits_of(lists, c, g):
    """Return the splits of an engine class and gear."""
    n = lists.count[c, g]
    return Splits(
        lists.power[c, g, :n],
        lists.cost[c, g, :n],
        lists.near[c, g, :n],
        lists.far[c, g, :n],
        lists.spread[c, g, :n],
    )


@kernel
def _cells_in_reach(lists, block, pad, size):
    """First and last cell of a row that any split can land in from anywhere in a block."""
    low, high = float(pad), -float(pad)
    for c in range(lists.count.shape[0]):
        for g in range(lists.count.shape[1]):
            for k in range(lists.count[c, g]):
                low = min(low, lists.near[c, g, k], lists.far[c, g, k])
                high = max(high, lists.near[c, g, k], lists.far[c, g, k])
    low, high = max(low, -float(pad)), min(high, float(pad))
    end = block.start + block.voltage.size - 1
    first, last = int(block.start - high - 1e-6), int(end - low + 1e-6)
    return max(first, 0), min(last, size - 2)


@kernel
def _look(lists, graph, after, reach, block, pad, looked, scratch):
    """First look at every list: reference, its total at the middle, slopes, proved losses."""
    middle, slopes = block.start + block.voltage.size // 2, looked.slopes
    for i in range(graph.arrival_engine.size):
        c, state = graph.arrival_engine[i], graph.arrival_state[i]
        same = i
        for j in range(i):
            same = j if graph.arrival_state[j] == state else same
        for g in range(after.shape[1]):
            row, splits = after[state, g], _splits_of(lists, c, g)
            looked.totals[i, g], looked.reference[i, g] = np.inf, -1
            if same < i:
                slopes[i, g, 0], slopes[i, g, 1] = slopes[same, g, 0], slopes[same, g, 1]
            else:
                slopes[i, g, 0], slopes[i, g, 1] = _slope_range(row, reach[0], reach[1], scratch)
            r = _reference(splits, row[middle] - row[middle + 1], block.facts)
            if r < 0:
                continue
            cost, near, far = splits.cost[r] + splits.spread[r], splits.near[r], splits.far[r]
            drop = 0.5 * (near + far)
            if not abs(drop) < pad:
                continue
            looked.reference[i, g] = r
            looked.totals[i, g] = cost + _row_value(row, middle - drop)
            _raise_losses(
                splits, cost, near, far, slopes[i, g, 0], slopes[i, g, 1], looked.losses[i, g]
            )


@kernel
def _find_leads(totals, leads):
    """Find the gear with the lowest total of every arrival."""
    for i in range(totals.shape[0]):
        leads[i] = 0
        for g in range(totals.shape[1]):
            if totals[i, g] < totals[i, leads[i]]:
                leads[i] = g


@kernel
def _max_switch_cost(moves, first, arrival, g, rival, lead):
    """Most that the events into the lead cost beyond those into an arrival's gear, or infinity.

    The lead is another gear of the same arrival, or a gear of its rival, and is compared from
    every state and gear that can get to the arrival's gear, at the points from `first` on.
    """
    graph, highest = moves.graph, -np.inf
    c = graph.arrival_engine[arrival]
    lead_class = graph.arrival_engine[graph.arrival_rival[arrival]] if rival else c
    for m in range(graph.source.size):
        if graph.arrival[m] != arrival or moves.cost[m] == np.inf:
            continue
        other = graph.rival[m] if rival else m
        if other < 0 or moves.opens[other] > max(first, moves.opens[m]):
            return np.inf
        extra = moves.cost[other] - moves.cost[m]
        for h in range(moves.shift.shape[1]):
            if moves.shift[c, h, g] < np.inf and _gear_fits(graph, m, h, g):
                if not _gear_fits(graph, m, h, lead):
                    return np.inf
                switch = moves.shift[lead_class, h, lead] - moves.shift[c, h, g]
                highest = max(highest, switch + extra)
    return highest


@kernel
def _compare_with_leads(lists, moves, after, reach, first, looked, scratch):
    """Raise proved losses against the best gear of the arrival, and against the engine off.

    With V the value in the split's own gear and state and V_r in the lead's,
    V(x - d) >= V_r(x - d) + D, D the lowest difference of the two rows over all cells in reach.
    """
    graph, totals, leads = moves.graph, looked.totals, looked.leads
    begin, end = reach[0], reach[1] + 2
    for i in range(graph.arrival_engine.size):
        c, other = graph.arrival_engine[i], graph.arrival_rival[i]
        for which in range(2 if other >= 0 else 1):
            j = i if which == 0 else other
            if which == 1 and not totals[j, leads[j]] < totals[i, leads[i]]:
                continue
            rival = graph.arrival_engine[j]
            for g in range(after.shape[1]):
                lead = leads[j] if which == 0 or graph.gear_ages == 1 else g
                r, losses = looked.reference[j, lead], looked.losses[i, g]
                if r < 0 or (j == i and lead == g) or not _is_left(losses, lists.count[c, g]):
                    continue
                cost = _max_switch_cost(moves, first, i, g, which == 1, lead)
                if cost == np.inf:
                    continue
                row = after[graph.arrival_state[i], g]
                lead_row = after[graph.arrival_state[j], lead]
                cost += lists.cost[rival, lead, r] + lists.spread[rival, lead, r]
                cost -= _min_difference(row[begin:end], lead_row[begin:end], scratch)
                _raise_losses(
                    _splits_of(lists, c, g),
                    cost,
                    lists.near[rival, lead, r],
                    lists.far[rival, lead, r],
                    looked.slopes[j, lead, 0],
                    looked.slopes[j, lead, 1],
                    losses,
                )
