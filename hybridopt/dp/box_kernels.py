"""Numba kernels of shortest paths over engine, gear and boxes of energy; see box_paths.py."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..problem.graph import _gear_fits
from .bound_kernels import B_BEND, B_CHARGE, B_DISCHARGE, B_VOLTAGE, _drain, _stage


class Lanes(NamedTuple):
    """Boxes of stored energy, those in reach before each step and at the end, and what is left out.

    Attributes
    ----------
    edge : J, (boxes + 1,)
    rows : (boxes, 6), the battery of each box, see bound_kernels.py
    first, last : int64, (steps + 1,), range of boxes in reach
    opens : int64, (moves,), the first box in which each move is open
    used : bool, (steps, gears, classes), lists that a schedule may take at no more than its cost
    """

    edge: Any
    rows: Any
    first: Any
    last: Any
    opens: Any
    used: Any


class ListsAndMoves(NamedTuple):
    """Lists and moves: hulls of all lists, step lengths, the battery's efficiency, event costs."""

    hulls: Any
    dt: Any
    efficiency: float
    graph: Any
    shift: Any
    move_cost: Any


@kernel(borrows=True)
def _power_of(drain, dt, box, efficiency):
    """Power that takes a drain in a step, the least one in a box: what `_drain` turns round."""
    charging = drain < 0.0
    resistance = box[B_CHARGE] if charging else box[B_DISCHARGE]
    share = efficiency if charging else 1.0
    rate, voltage = drain / (dt * share), box[B_VOLTAGE]
    inside = voltage * voltage - 4.0 * share * box[B_BEND] * dt * rate
    current = 2.0 * rate / (voltage + np.sqrt(max(inside, 0.0)))
    return (voltage - resistance * current) * current


@kernel(borrows=True)
def _cost_of(hull_power, hull_cost, power):
    """Cost of a power on a hull; beyond its ends, that of the nearer one."""
    if power <= hull_power[0]:
        return hull_cost[0]
    if power >= hull_power[-1]:
        return hull_cost[-1]
    high = np.searchsorted(hull_power, power, side="right")
    low = high - 1
    share = (power - hull_power[low]) / (hull_power[high] - hull_power[low])
    return hull_cost[low] + share * (hull_cost[high] - hull_cost[low])


@kernel(borrows=True)
def _box_stage(ways, lanes, lam, t, row, b, after, found):
    """Least cost + l_{t+1} drain + (l_t - l_{t+1}) z + `after` from one box on over all landings.

    From z in box b a drain d leads to z - d in a box. Where l falls, z is best as low as that
    allows, where it rises, as high: at first d alone moves, and its weight is the lower of both l,
    beyond `kink` the higher one. `found` takes drain, z and landing of the lowest, and keeps
    where a walk over the hull begins.
    """
    hulls, edge, box, dt = ways.hulls, lanes.edge, lanes.rows[b], ways.dt[t]
    begin, end = hulls.first[row], hulls.first[row + 1]
    lone = end - hulls.lone[row]
    power, cost, change = hulls.power[begin:lone], hulls.cost[begin:lone], lam[t] - lam[t + 1]
    low, high = min(lam[t], lam[t + 1]), max(lam[t], lam[t + 1])
    hull_least, hull_most, alone = np.inf, -np.inf, np.inf
    low_best, low_drain, high_best, high_drain = np.inf, 0.0, np.inf, 0.0
    if lone > begin:
        hull_least = _drain(power[0], dt, box, ways.efficiency)
        hull_most = _drain(power[power.size - 1], dt, box, ways.efficiency)
        corner = min(int(found[3]), power.size - 1)
        low_best, watts, corner = _stage(power, cost, corner, dt, low, box, ways.efficiency)
        low_drain = _drain(watts, dt, box, ways.efficiency)
        high_best, high_drain = low_best, low_drain
        if high > low:
            high_best, watts, corner = _stage(power, cost, corner, dt, high, box, ways.efficiency)
            high_drain = _drain(watts, dt, box, ways.efficiency)
        found[3] = corner
    # more drain than is best leads to boxes from where more is ahead: none below those landings
    landing, highest = np.inf, -np.inf
    if lone > begin:
        highest = edge[b + 1] - high_drain
        landing = edge[b + 1] - high_drain if change < 0.0 else edge[b] - low_drain
    if lone < end:
        alone = _drain(hulls.power[lone], dt, box, ways.efficiency)
        landing, highest = min(landing, edge[b] - alone), max(highest, edge[b + 1] - alone)
    best, last = np.inf, lanes.last[t + 1]
    spare = after[last] - abs(change) * (edge[b + 1] - edge[b])
    first = max(min(np.searchsorted(edge, landing) - 2, last), lanes.first[t + 1])
    for to in range(first, last + 1):
        if after[to] == np.inf:
            continue
        nearest, farthest = edge[b] - edge[to + 1], edge[b + 1] - edge[to]
        kink = edge[b + 1] - edge[to + 1] if change < 0.0 else edge[b] - edge[to]
        low_z = change * (edge[to + 1] if change < 0.0 else edge[b])
        high_z = change * (edge[b + 1] if change < 0.0 else edge[to])
        if to == last:  # a drain of more than the least there is leads no higher
            nearest = -np.inf
            kink, low_z = (-np.inf, 0.0) if change < 0.0 else (kink, low_z)
        total, drain = np.inf, 0.0
        hopeful = min(low_best + low_z, high_best + high_z) + after[to] < best
        if hopeful and hull_most >= nearest and hull_least <= farthest:
            if low_drain <= kink:
                drain = max(low_drain, nearest)
                total = low_best + low_z
                if drain > low_drain:
                    at = _power_of(drain, dt, box, ways.efficiency)
                    total = _cost_of(power, cost, at) + low * drain + low_z
            else:
                drain = min(max(high_drain, kink), farthest)
                total = high_best + high_z
                if drain != high_drain:
                    at = _power_of(drain, dt, box, ways.efficiency)
                    total = _cost_of(power, cost, at) + high * drain + high_z
        if lone < end and nearest <= alone <= farthest:
            here = low * alone + low_z if alone <= kink else high * alone + high_z
            if hulls.cost[lone] + here < total:
                total, drain = hulls.cost[lone] + here, alone
        if edge[to] > highest and (farthest < hull_least or np.inf > total >= best - spare):
            break  # what follows is ever farther from what is best
        if total + after[to] < best:
            best = total + after[to]
            if change < 0.0:
                z = min(edge[b + 1], edge[to + 1] + drain) if to < last else edge[b + 1]
            else:
                z = max(edge[b], edge[to] + drain)
            found[0], found[1], found[2] = drain, z, to
    return best


@kernel(nogil=True)
def _box_sweep(ways, lanes, lam, ahead):
    """Fill what is ahead of every step, state, gear and box, (steps + 1, states, gears, boxes).

    ahead[steps] is given. More energy is never worth less, since it may be thrown away.
    """
    graph = ways.graph
    steps, (states, gears, boxes) = ways.dt.size, ahead.shape[1:]
    classes = lanes.used.shape[2]
    row, found = np.empty(boxes), np.zeros(4)
    ahead[:steps] = np.inf
    for t in range(steps - 1, -1, -1):
        for m in range(graph.source.size):
            c, after = graph.engine[m], graph.target[m]
            if ways.move_cost[t, m] == np.inf:
                continue
            for g2 in range(gears):
                if not lanes.used[t, g2, c]:
                    continue
                row[:] = np.inf
                number = (t * gears + g2) * classes + c
                for b in range(max(lanes.first[t], lanes.opens[m]), lanes.last[t] + 1):
                    row[b] = _box_stage(
                        ways, lanes, lam, t, number, b, ahead[t + 1, after, g2], found
                    )
                for g in range(gears):
                    paid = ways.move_cost[t, m] + ways.shift[t, c, g, g2]
                    if paid < np.inf and _gear_fits(graph, m, g, g2):
                        now = ahead[t, graph.source[m], g]
                        for b in range(boxes):
                            now[b] = min(now[b], paid + row[b])
        for s in range(states):
            for g in range(gears):
                for b in range(1, boxes):
                    ahead[t, s, g, b] = min(ahead[t, s, g, b], ahead[t, s, g, b - 1])


@kernel(nogil=True)
def _box_path(ways, lanes, lam, ahead, start, path, energy):
    """Fill the path that a sweep found: state before each step, gear, class; drain and z.

    `start` is state, gear and box before the first step. Returns whether there is a path.
    """
    graph, (s, g, b) = ways.graph, start
    steps, gears, classes = lanes.used.shape
    found = np.zeros(4)
    for t in range(steps):
        while b > 0 and ahead[t, s, g, b - 1] <= ahead[t, s, g, b]:
            b -= 1
        best, to, box = np.inf, 0, 0
        for m in range(graph.source.size):
            c, after = graph.engine[m], graph.target[m]
            if graph.source[m] != s or ways.move_cost[t, m] == np.inf or b < lanes.opens[m]:
                continue
            for g2 in range(gears):
                paid = ways.move_cost[t, m] + ways.shift[t, c, g, g2]
                if paid == np.inf or not lanes.used[t, g2, c] or not _gear_fits(graph, m, g, g2):
                    continue
                number = (t * gears + g2) * classes + c
                total = paid + _box_stage(
                    ways, lanes, lam, t, number, b, ahead[t + 1, after, g2], found
                )
                if total < best:
                    best, to, box = total, after, int(found[2])
                    path[0, t], path[1, t], path[2, t] = s, g2, c
                    energy[0, t], energy[1, t] = found[0], found[1]
        if best == np.inf:
            return False
        s, g, b = to, path[1, t], box
    return True
