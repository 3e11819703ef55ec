"""Numba kernels of a sweep over SoC and one budget of heat near a path; see heat_sweep.py."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _landing, _rates, _state
from ..problem.graph import _gear_fits

CLOSED = 1e30  # g: from here no schedule leads on


class Tube(NamedTuple):
    """What a sweep looks at: nodes of SoC that go with a path, and of the budget up to its limit.

    Attributes
    ----------
    low : SoC of the lowest node before each step and at the end, (steps + 1,)
    spacing : of SoC nodes
    kept : share of the budget that is left after each step, (steps,)
    step : of the budget, between its nodes
    """

    low: Any
    spacing: float
    kept: Any
    step: float


class Ways(NamedTuple):
    """What may be done: choices with what they add to the budget, and moves with their costs."""

    lists: Any
    rises: Any
    graph: Any
    shift: Any
    move_cost: Any
    opens: Any


@kernel
def _blend(after, place, row):
    """Fill the values between two SoC nodes over all nodes of the budget; False outside."""
    points, levels = after.shape
    if not 0.0 <= place <= points - 1.0:
        return False
    k = min(int(place), points - 2)
    share = place - k
    for i in range(levels):
        row[i] = (1.0 - share) * after[k, i] + share * after[k + 1, i]
    row[levels] = row[levels - 1]
    return True


@kernel
def _between(after, place, level):
    """Return the value between two SoC nodes and two of the budget; `CLOSED` outside."""
    points, levels = after.shape
    if not 0.0 <= place <= points - 1.0:
        return CLOSED
    k, n = min(int(place), points - 2), int(level)
    share, high = place - k, min(n + 1, levels - 1)
    here = (1.0 - share) * after[k, n] + share * after[k + 1, n]
    there = (1.0 - share) * after[k, high] + share * after[k + 1, high]
    return here + (level - n) * (there - here)


@kernel
def _list_values(ways, tube, cell, t, g, c, after, out):
    """Fill the least cost of a list with what is ahead, (SoC nodes, levels)."""
    lists, (points, levels) = ways.lists, out.shape
    row, rates = np.empty(levels + 1), _rates(cell, lists.dt[t])
    out[:] = CLOSED
    first = lists.first[t, g, c]
    for j in range(points):
        soc = tube.low[t] + j * tube.spacing
        state = _state(cell, soc)
        for k in range(first, first + lists.length[t, g, c]):
            cost, rise = lists.cost[k], ways.rises[k] / tube.step
            landed = _landing(state, rates, soc, lists.power[k])
            place = (landed - tube.low[t + 1]) / tube.spacing
            if cost == np.inf or not _blend(after, place, row):
                continue
            for i in range(levels):
                level = tube.kept[t] * i + rise
                if level > levels - 1.0 + 1e-9:
                    break
                n = int(level)
                total = cost + row[n] + (level - n) * (row[n + 1] - row[n])
                out[j, i] = min(out[j, i], total)


@kernel(nogil=True)
def _heat_sweep(ways, tube, cell, ahead):
    """Fill what is ahead, (steps + 1, states, gears, SoC nodes, levels); its end is given."""
    graph, lists = ways.graph, ways.lists
    steps, gears, _ = lists.length.shape
    points, levels = ahead.shape[3:]
    arrivals = graph.arrival_engine.size
    best = np.empty((arrivals, gears, points, levels))
    for t in range(steps - 1, -1, -1):
        for a in range(arrivals):
            for g in range(gears):
                after = ahead[t + 1, graph.arrival_state[a], g]
                _list_values(ways, tube, cell, t, g, graph.arrival_engine[a], after, best[a, g])
        ahead[t] = CLOSED
        for m in range(graph.source.size):
            lowest = int(np.ceil((ways.opens[m] - tube.low[t]) / tube.spacing))
            for g in range(gears if ways.move_cost[t, m] < np.inf else 0):
                now = ahead[t, graph.source[m], g]
                for g2 in range(gears):
                    paid = ways.shift[t, graph.engine[m], g, g2] + ways.move_cost[t, m]
                    if paid == np.inf or not _gear_fits(graph, m, g, g2):
                        continue
                    source = best[graph.arrival[m], g2]
                    for j in range(max(lowest, 0), points):
                        for i in range(levels):
                            now[j, i] = min(now[j, i], paid + source[j, i])


@kernel(nogil=True)
def _heat_run(ways, tube, cell, ahead, start, path, soc):
    """Fill gear, class and choice of each step, (3, steps), and SoC: the best of each by `ahead`.

    `start` is state and gear before the first step. Returns whether there is a way to the end.
    """
    (s, g), graph, lists, heat = start, ways.graph, ways.lists, 0.0
    steps, gears, _ = lists.length.shape
    levels = ahead.shape[4]
    for t in range(steps):
        best, to, soc_to, heat_to = CLOSED, s, 0.0, 0.0
        state, rates = _state(cell, soc[t]), _rates(cell, lists.dt[t])
        for m in range(graph.source.size):
            c, barred = graph.engine[m], soc[t] < ways.opens[m]
            if graph.source[m] != s or ways.move_cost[t, m] == np.inf or barred:
                continue
            for g2 in range(gears):
                paid = ways.shift[t, c, g, g2] + ways.move_cost[t, m]
                if paid == np.inf or not _gear_fits(graph, m, g, g2):
                    continue
                first = lists.first[t, g2, c]
                for k in range(first, first + lists.length[t, g2, c]):
                    landed = _landing(state, rates, soc[t], lists.power[k])
                    place = (landed - tube.low[t + 1]) / tube.spacing
                    hot = tube.kept[t] * heat + ways.rises[k]
                    level = hot / tube.step
                    if level > levels - 1.0 + 1e-9 or lists.cost[k] == np.inf:
                        continue
                    after = ahead[t + 1, graph.target[m], g2]
                    total = _between(after, place, level) + paid + lists.cost[k]
                    if total < best:
                        best, to, soc_to, heat_to = total, graph.target[m], landed, hot
                        path[0, t], path[1, t], path[2, t] = g2, c, k - first
        if best >= CLOSED:
            return False
        s, g, soc[t + 1], heat = to, path[0, t], soc_to, heat_to
    return True
