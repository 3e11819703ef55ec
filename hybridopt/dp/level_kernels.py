"""Numba kernels of shortest paths over levels of a budget, rounded down; see heat_levels.py."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..problem.graph import _gear_fits
from .bound_kernels import B_HIGH, B_LOW, _drain, _lowest_on_edge

BLOCK = 64  # levels for which dear pieces are passed over together


class Pieces(NamedTuple):
    """What is left of every list: pieces between two neighbouring choices that none is better than.

    They lie where the choices lie, cheapest last: from `first` on `count` of them.

    Attributes
    ----------
    cost : g, lowest cost with what the drain costs, (choices,)
    rise : least that the budget rises by, (choices,)
    drain, level : stored energy taken, and before the step, J, (choices,)
    choice : int64, the choice that a piece begins with, from the list's first one, (choices,)
    first, count : int64, (steps, gears, classes)
    """

    cost: Any
    rise: Any
    drain: Any
    level: Any
    choice: Any
    first: Any
    count: Any


@kernel
def _piece(power, cost, weight, change, dt, rows, efficiency):
    """Least cost + weight * drain + change * z between two choices, its drain and z."""
    best, best_drain, best_level = np.inf, 0.0, 0.0
    for j in range(rows.shape[0]):
        box = rows[j]
        z = box[B_LOW] if change >= 0.0 else box[B_HIGH]
        for k in range(3):
            if k < 2:
                drain = _drain(power[k], dt, box, efficiency)
                total = cost[k] + weight * drain
            elif power[1] > power[0]:
                total, watts = _lowest_on_edge(power, cost, 0, weight, dt, box, efficiency)
                drain = _drain(watts, dt, box, efficiency)
            else:
                total = np.inf
            if total + change * z < best:
                best, best_drain, best_level = total + change * z, drain, z
    return best, best_drain, best_level


@kernel(nogil=True)
def _pieces(lists, rises, multiplier, boxes, efficiency, pieces):
    """Fill the pieces of a part of the steps; see `_stages` for multipliers and boxes."""
    steps, gears, classes = pieces.count.shape
    power, cost, found = np.empty(2), np.empty(2), np.empty((5, lists.longest))
    for t in range(steps):
        weight = multiplier[t + 1]
        change = multiplier[t] - weight
        rows = boxes.rows[boxes.first[t] : boxes.last[t] + 1]
        for g in range(gears):
            for c in range(classes):
                n, begin, end = 0, lists.first[t, g, c], lists.length[t, g, c]
                end += begin
                for k in range(begin, end):
                    # the first one, the unpowered motor, mixes with none, nor does one alone
                    other = k if k == begin or k + 1 == end else k + 1
                    if lists.cost[k] == np.inf or lists.cost[other] == np.inf:
                        other = k
                    if lists.cost[k] == np.inf:
                        continue
                    low, high = (k, other) if lists.power[k] < lists.power[other] else (other, k)
                    power[0], power[1] = lists.power[low], lists.power[high]
                    cost[0], cost[1] = lists.cost[low], lists.cost[high]
                    found[0, n], found[2, n], found[3, n] = _piece(
                        power, cost, weight, change, lists.dt[t], rows, efficiency
                    )
                    found[1, n], found[4, n] = min(rises[k], rises[other]), k - begin
                    n += 1
                used, least = begin, np.inf
                for k in np.argsort(found[1, :n], kind="mergesort"):
                    if found[0, k] < least:
                        least = found[0, k]
                        if used > begin and pieces.rise[used - 1] == found[1, k]:
                            used -= 1
                        pieces.cost[used], pieces.rise[used] = found[0, k], found[1, k]
                        pieces.drain[used], pieces.level[used] = found[2, k], found[3, k]
                        pieces.choice[used] = int(found[4, k])
                        used += 1
                pieces.first[t, g, c], pieces.count[t, g, c] = begin, used - begin


@kernel(nogil=True)
def _level_sweep(pieces, kept, step, graph, shift, move_cost, ahead):
    """Fill what is ahead of every step, state, gear and level, (steps + 1, states, gears, levels).

    A level is the budget from `step` times its number on; what it becomes is rounded down to one.
    """
    steps, gears, _ = pieces.count.shape
    levels, moves = ahead.shape[3], graph.source.size
    row = np.empty(levels)
    ahead[:steps], ahead[steps] = np.inf, 0.0
    for t in range(steps):
        t = steps - 1 - t
        for m in range(moves):
            c, after = graph.engine[m], graph.target[m]
            if move_cost[t, m] == np.inf:
                continue
            for g2 in range(gears):
                row[:] = np.inf
                first = pieces.first[t, g2, c]
                last = first + pieces.count[t, g2, c]
                for begin in range(0, levels, BLOCK):
                    end = min(begin + BLOCK, levels)
                    # more heat ahead never costs less: what one costs at the block's end, all do
                    most = np.inf
                    for k in range(first, last):
                        j = int(kept[t] * (end - 1) + pieces.rise[k] / step - 1e-9)
                        if j >= levels:
                            break
                        most = min(most, pieces.cost[k] + ahead[t + 1, after, g2, j])
                    for k in range(first, last):
                        rise, cost = pieces.rise[k] / step, pieces.cost[k]
                        j = int(kept[t] * begin + rise - 1e-9)
                        if j >= levels:
                            break
                        if cost + ahead[t + 1, after, g2, j] > most:
                            continue
                        for i in range(begin, end):
                            j = int(kept[t] * i + rise - 1e-9)
                            if j >= levels:
                                break
                            row[i] = min(row[i], cost + ahead[t + 1, after, g2, j])
                for g in range(gears):
                    paid = move_cost[t, m] + shift[t, c, g, g2]
                    if paid < np.inf and _gear_fits(graph, m, g, g2):
                        now = ahead[t, graph.source[m], g]
                        for i in range(levels):
                            now[i] = min(now[i], paid + row[i])


@kernel(nogil=True)
def _level_path(pieces, kept, step, graph, shift, move_cost, ahead, start, path, taken):
    """Fill the path that a sweep found: state before each step, gear, class; and its pieces."""
    steps, gears, _ = pieces.count.shape
    (s, g), i, levels = start, 0, ahead.shape[3]
    for t in range(steps):
        best, to, level = np.inf, 0, 0
        for m in range(graph.source.size):
            c, after = graph.engine[m], graph.target[m]
            if graph.source[m] != s or move_cost[t, m] == np.inf:
                continue
            for g2 in range(gears):
                paid = move_cost[t, m] + shift[t, c, g, g2]
                if paid == np.inf or not _gear_fits(graph, m, g, g2):
                    continue
                first = pieces.first[t, g2, c]
                for k in range(first, first + pieces.count[t, g2, c]):
                    j = int(kept[t] * i + pieces.rise[k] / step - 1e-9)
                    if j >= levels:
                        continue
                    total = paid + pieces.cost[k] + ahead[t + 1, after, g2, j]
                    if total < best:
                        best, to, level, taken[t] = total, after, j, k
                        path[0, t], path[1, t], path[2, t] = s, g2, c
        if best == np.inf:
            return False
        s, g, i = to, path[1, t], level
    return True
