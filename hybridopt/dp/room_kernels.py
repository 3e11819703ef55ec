"""Numba kernels of shortest paths that keep a budget: labels of cost and room; see bound.py.

A budget is a state x that a step takes from x to kept x + rise, and that must not exceed a limit
after any step. A label says: from here on it may cost so much where x is no higher than its room.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..problem.graph import _gear_fits

SPREAD = 1e-4  # of the limit: rooms so close are taken as one, the cheaper cost with the wider room


class Allowance(NamedTuple):
    """A budget as paths keep it.

    Attributes
    ----------
    kept : share that is left after each step, (steps,)
    rise : what every gear and class adds, (steps, gears, classes)
    limit : the most that it may be after any step
    """

    kept: Any
    rise: Any
    limit: float


class RoomLabels(NamedTuple):
    """Labels of every step, state and gear, cheapest first.

    Attributes
    ----------
    cost, room : g and unit of the budget, (steps + 1, states, gears, labels)
    origin : int64, number of the label a label goes on to, as (move, gear, label)
    count : int64, (steps + 1, states, gears)
    """

    cost: Any
    room: Any
    origin: Any
    count: Any


@kernel
def _merged(costs, rooms, origins, count, order, limit, labels, t, s, g):
    """Keep those of the first labels that no other one is cheaper and roomier than.

    Where too many are left, close ones are taken as one that is as cheap and as roomy as any.
    """
    most, spread = labels.cost.shape[3], SPREAD * limit
    if count == 0:
        labels.count[t, s, g] = 0
        return
    while True:
        used, base, full = 0, 0.0, True
        for i in range(count):
            k = order[i]
            if used > 0 and rooms[k] <= labels.room[t, s, g, used - 1]:
                continue
            if used > 0 and rooms[k] <= base + spread:
                labels.room[t, s, g, used - 1] = rooms[k]
                continue
            if used == most:
                full = False
                break
            labels.cost[t, s, g, used], labels.room[t, s, g, used] = costs[k], rooms[k]
            labels.origin[t, s, g, used], base = origins[k], rooms[k]
            used += 1
        if full:
            labels.count[t, s, g] = used
            return
        spread *= 2.0


@kernel(nogil=True)
def _roomy_trellis(value, shift, graph, move_cost, taken, start, allowance, labels, ahead, path):
    """Shortest path over state and gear that keeps a budget, 0 at the start; see `_trellis`.

    `start` is state and gear before the first step. Returns whether there is a path.
    """
    kept, rise, limit = allowance
    state, gear = start
    steps, gears, _ = value.shape
    most = labels.cost.shape[3]
    size = graph.source.size * gears * most
    costs, rooms, origins = np.empty(size), np.empty(size), np.empty(size, dtype=np.int64)
    labels.count[steps], labels.cost[steps, :, :, 0] = 1, 0.0
    labels.room[steps, :, :, 0] = limit
    ahead[:] = np.inf
    ahead[steps] = 0.0
    for t in range(steps - 1, -1, -1):
        for s in range(graph.states):
            for g in range(gears):
                n = 0
                for m in range(graph.source.size):
                    if graph.source[m] != s or move_cost[t, m] == np.inf:
                        continue
                    c, after = graph.engine[m], graph.target[m]
                    for g2 in range(gears):
                        base = value[t, g2, taken[m]] + move_cost[t, m] + shift[t, c, g, g2]
                        if base == np.inf or not _gear_fits(graph, m, g, g2):
                            continue
                        for k in range(labels.count[t + 1, after, g2]):
                            room = labels.room[t + 1, after, g2, k] - rise[t, g2, c]
                            if room < 0.0:
                                continue
                            costs[n] = base + labels.cost[t + 1, after, g2, k]
                            rooms[n] = min(room / kept[t], limit)
                            origins[n] = (m * gears + g2) * most + k
                            n += 1
                order = np.argsort(costs[:n])
                _merged(costs, rooms, origins, n, order, limit, labels, t, s, g)
                if n > 0:
                    ahead[t, s, g] = labels.cost[t, s, g, 0]
    if ahead[0, state, gear] == np.inf:
        return False
    label = 0
    for t in range(steps):
        origin = labels.origin[t, state, gear, label]
        rest, label = divmod(origin, most)
        m, gear = divmod(rest, gears)
        path[0, t], path[1, t], path[2, t] = state, gear, taken[m]
        state = graph.target[m]
    return True
