"""Numba kernels of one step of the backward sweep over a block of SoC points.

First W, the minimum over splits of each arrival and gear; then V, the minimum over moves
and gears of W and their events.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel
from ..problem.graph import _gear_fits
from .pruning import (
    Lists,
    Looked,
    _cells_in_reach,
    _compare_with_leads,
    _find_leads,
    _look,
    _splits_of,
)
from .split_kernels import _drops, _list_kept, _look_closer, _min_difference, _split_values

MANY = 3  # splits left from which a second, narrower look pays


@kernel
def _prove_losses(lists, moves, block, after, pad, losses, reference, scratch):
    """Fill what every split is proved to lose in a block, and a good split of each list, or -1."""
    arrivals, gears = reference.shape
    reach = _cells_in_reach(lists, block, pad, after.shape[2])
    slopes, totals = np.empty((arrivals, gears, 2)), np.empty((arrivals, gears))
    looked = Looked(losses, reference, slopes, totals, np.empty(arrivals, dtype=np.int64))
    _look(lists, moves.graph, after, reach, block, pad, looked, scratch)
    _find_leads(totals, looked.leads)
    _compare_with_leads(lists, moves, after, reach, block.first, looked, scratch)


@kernel
def _block_values(step_lists, moves, block, rates, after, pad, prune, best, used):
    """Fill W of every arrival and gear over a block, best[arrival, gear, point of the block].

    `step_lists` holds power, cost and count of :class:`Lists`. Returns how many pairs of a split
    and a point were looked at; `used` says what is filled.
    """
    power, cost, count = step_lists
    classes, gears, size = power.shape
    graph, width = moves.graph, block.voltage.size
    arrivals = graph.arrival_engine.size
    near, far = np.empty((classes, gears, size)), np.empty((classes, gears, size))
    lists = Lists(power, cost, count, near, far, np.zeros((classes, gears, size)))
    losses, kept = np.zeros((arrivals, gears, size)), np.empty(size, dtype=np.int64)
    reference = np.full((arrivals, gears), -1, dtype=np.int64)
    scratch = np.empty((2, width + 2 * pad + 2))
    for c in range(classes):
        for g in range(gears):
            _drops(_splits_of(lists, c, g), block.facts, rates)
    if prune:
        _prove_losses(lists, moves, block, after, pad, losses, reference, scratch)
    looked_at = 0
    for i in range(arrivals):
        c = graph.arrival_engine[i]
        for g in range(gears):
            splits, row = _splits_of(lists, c, g), after[graph.arrival_state[i], g]
            n = _list_kept(splits, block.facts, losses[i, g], kept)
            if reference[i, g] >= 0 and n > MANY:
                n = _look_closer(splits, kept, n, reference[i, g], row, block, scratch)
            used[i, g] = n > 0
            looked_at += n * width
            if n > 0:
                _split_values(splits, kept, n, block, rates, row, best[i, g])
    return looked_at


@kernel
def _gear_losses(best, used, prune, leads, losses, scratch):
    """Find a good gear of every arrival, and how much more every other one costs at least."""
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
                losses[i, g] = _min_difference(best[i, g], best[i, leads[i]], scratch)


@kernel
def _combine(best, used, moves, first_point, prune, out):
    """Minimum over next gear and state: V of a block from its W, best[arrival, gear, x].

    With `prune`, gears are left out that cost more than another one all over the block.
    """
    graph, shift = moves.graph, moves.shift
    arrivals, gears, width = best.shape
    leads, losses = np.empty(arrivals, dtype=np.int64), np.empty((arrivals, gears))
    _gear_losses(best, used, prune, leads, losses, np.empty((2, width)))
    for s in range(out.shape[0]):
        for g in range(gears):
            out[s, g, :] = np.inf
    for m in range(graph.source.size):
        c, i, first = graph.engine[m], graph.arrival[m], max(moves.opens[m] - first_point, 0)
        for g in range(gears if moves.cost[m] < np.inf and leads[i] >= 0 else 0):
            lead, lowest = leads[i], out[graph.source[m], g]
            fits = _gear_fits(graph, m, g, lead)
            base = shift[c, g, lead] + moves.cost[m] if fits else np.inf
            for g2 in range(gears):
                event = shift[c, g, g2] + moves.cost[m]
                if not used[i, g2] or event == np.inf or not _gear_fits(graph, m, g, g2):
                    continue
                if losses[i, g2] + event - base > 1e-12:
                    continue
                source = best[i, g2]
                for x in range(first, width):
                    total = source[x] + event
                    lowest[x] = total if total < lowest[x] else lowest[x]
