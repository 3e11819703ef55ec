"""Numba kernels of the lower bound: convex hulls, stage costs over boxes, trellis; see bound.py.

A box is a range of stored energy z (J) with the voltage and resistances at which a power takes
the least of it. Its columns are B_LOW and B_HIGH (edges, J), B_VOLTAGE (highest, V), B_DISCHARGE
and B_CHARGE (lowest, ohm) and B_BEND (V s/C: what the bend of z over SoC takes off a resistance).
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _root_current
from ..problem.graph import _gear_fits

OFF, RUNNING, STARTING = 0, 1, 2
LEAVE, WIDE, EXACT = 0, 1, 2  # what to do with a list: nothing, over one wide box, over all
B_LOW, B_HIGH, B_VOLTAGE, B_DISCHARGE, B_CHARGE, B_BEND = range(6)


class Hulls(NamedTuple):
    """Lower convex hulls of (power, cost) of every step, gear and class, one behind the other.

    The unpowered motor, split 0, cannot be mixed with others; it is no part of the hull, and
    follows it on its own.

    Attributes
    ----------
    power, cost : W and g, (hull points,)
    lone : int64, 1 where the last point of a list is the unpowered motor, else 0, (lists,)
    first : int64, where each hull begins, and the end of the last one, (lists + 1,); lists count
        by step, gear and class
    """

    power: Any
    cost: Any
    first: Any
    lone: Any


class Boxes(NamedTuple):
    """Boxes of SoC, those in reach of each step, and where the schedule begins and ends.

    Attributes
    ----------
    rows : (boxes, 6)
    wide : (steps, 6), likewise: the box that holds all boxes of a step
    first, last : int64, (steps,), range of boxes of each step
    floor : J, (classes,), the least stored energy before a step of each class
    z_start, z_end : J, stored energy at the start and the lowest one at the end
    """

    rows: Any
    wide: Any
    first: Any
    last: Any
    floor: Any
    z_start: float
    z_end: float


class Stages(NamedTuple):
    """The lowest stage cost of every step, gear and class, and where it lies.

    Attributes
    ----------
    value : g, (steps, gears, classes)
    drain, level : stored energy taken in the step, and before it, J, (steps, gears, classes)
    power : W, (steps, gears, classes)
    """

    value: Any
    drain: Any
    level: Any
    power: Any


@kernel
def _sorted_points(costs, powers, count, order):
    """Order the finite points but the first by power, then cost; return how many."""
    n = 0
    for k in range(1, count):
        if costs[k] == np.inf:
            continue
        j = n
        while j > 0 and (
            powers[order[j - 1]] > powers[k]
            or (powers[order[j - 1]] == powers[k] and costs[order[j - 1]] > costs[k])
        ):
            order[j] = order[j - 1]
            j -= 1
        order[j] = k
        n += 1
    return n


@kernel
def _lower_hull(costs, powers, order, n, hull_power, hull_cost, place):
    """Lower left convex hull of the ordered points: cost goes down ever less with power.

    `place` says which points they are.
    """
    used = 0
    for i in range(n):
        p, m = powers[order[i]], costs[order[i]]
        if used > 0 and m >= hull_cost[used - 1]:
            continue
        while used > 1 and (hull_cost[used - 1] - hull_cost[used - 2]) * (
            p - hull_power[used - 2]
        ) >= (m - hull_cost[used - 2]) * (hull_power[used - 1] - hull_power[used - 2]):
            used -= 1
        hull_power[used], hull_cost[used], place[used] = p, m, order[i]
        used += 1
    return used


@kernel
def _hulls(points, hull_power, hull_cost, hull_count, lone, place):
    """Fill the hulls of a part, and where the unpowered motor follows; return their points.

    `place` says which of a list's choices each point is.
    """
    steps, gears, classes = points.first.shape
    order, used = np.empty(points.longest, dtype=np.int64), 0
    for t in range(steps):
        for g in range(gears):
            for c in range(classes):
                begin = points.first[t, g, c]
                end = begin + points.length[t, g, c]
                costs, powers = points.cost[begin:end], points.power[begin:end]
                n = _sorted_points(costs, powers, costs.size, order)
                n = _lower_hull(
                    costs, powers, order, n, hull_power[used:], hull_cost[used:], place[used:]
                )
                used += n
                if costs.size > 0 and costs[0] < np.inf:
                    hull_power[used], hull_cost[used], place[used] = powers[0], costs[0], 0
                    lone[t, g, c] = 1
                    used += 1
                hull_count[t, g, c] = n + lone[t, g, c]
    return used


@kernel
def _drain(power, dt, box, efficiency):
    """Least stored energy, J, that a battery power can take anywhere in a box."""
    charging = power < 0.0
    resistance = box[B_CHARGE] if charging else box[B_DISCHARGE]
    share = efficiency if charging else 1.0
    current = _root_current(box[B_VOLTAGE], resistance, power)
    bend = resistance - share * box[B_BEND] * dt
    return dt * share * (power + bend * current * current)


@kernel
def _turning_power(slope, weight, dt, box, efficiency, charging):
    """Power at which weight times the drain's derivative equals a slope; NaN if there is none."""
    resistance = box[B_CHARGE] if charging else box[B_DISCHARGE]
    share = efficiency if charging else 1.0
    bend = resistance - share * box[B_BEND] * dt
    if bend <= 0.0 or weight <= 0.0:
        return np.nan
    part = bend / resistance
    rest = slope / (weight * dt * share) - (1.0 - part)
    if rest <= 0.0:
        return np.nan
    root = part * box[B_VOLTAGE] / rest
    return (box[B_VOLTAGE] ** 2 - root * root) / (4.0 * resistance)


@kernel
def _lowest_corner(hull_power, hull_cost, begin, weight, dt, box, efficiency):
    """Hull point with the lowest cost + weight * drain, walking downhill from one to begin with.

    Both are convex in power, so the first point without a lower neighbour is the lowest.
    """
    i, n = begin, hull_power.size
    best = hull_cost[i] + weight * _drain(hull_power[i], dt, box, efficiency)
    for way in (1, -1):
        while 0 <= i + way < n:
            total = hull_cost[i + way] + weight * _drain(hull_power[i + way], dt, box, efficiency)
            if total >= best:
                break
            i, best = i + way, total
    return i, best


@kernel
def _lowest_on_edge(hull_power, hull_cost, i, weight, dt, box, efficiency):
    """Minimum of cost + weight * drain inside the edge from hull point i to the next; its power.

    It lies where the derivative vanishes, or at zero power, where the drain has its kink.
    """
    best, best_power = np.inf, 0.0
    low, high = hull_power[i], hull_power[i + 1]
    slope = (hull_cost[i] - hull_cost[i + 1]) / (high - low)
    for kind in range(3):
        power = 0.0
        if kind < 2:
            power = _turning_power(slope, weight, dt, box, efficiency, kind == 1)
            if (power < 0.0) != (kind == 1):
                continue
        if low < power < high:
            total = hull_cost[i] - slope * (power - low)
            total += weight * _drain(power, dt, box, efficiency)
            if total < best:
                best, best_power = total, power
    return best, best_power


@kernel
def _stage(hull_power, hull_cost, begin, dt, weight, box, efficiency):
    """Minimum of cost + weight * drain over a hull, its power and the nearest hull point."""
    if not _convex(dt, box, efficiency):
        return _stage_of_all(hull_power, hull_cost, dt, weight, box, efficiency)
    corner, best = _lowest_corner(hull_power, hull_cost, begin, weight, dt, box, efficiency)
    best_power = hull_power[corner]
    for i in range(max(corner - 1, 0), min(corner + 1, hull_power.size - 1)):
        total, power = _lowest_on_edge(hull_power, hull_cost, i, weight, dt, box, efficiency)
        if total < best:
            best, best_power = total, power
    return best, best_power, corner


@kernel
def _convex(dt, box, efficiency):
    """Whether the drain is convex in power: the bend must not outweigh the resistance."""
    bend = box[B_BEND] * dt
    return box[B_DISCHARGE] >= bend and box[B_CHARGE] >= efficiency * bend


@kernel
def _stage_of_all(hull_power, hull_cost, dt, weight, box, efficiency):
    """As `_stage` for a drain that is not convex: a concave piece has its minimum at an end."""
    best, best_power, corner = np.inf, 0.0, 0
    for i in range(hull_power.size):
        total = hull_cost[i] + weight * _drain(hull_power[i], dt, box, efficiency)
        if total < best:
            best, best_power, corner = total, hull_power[i], i
        if i + 1 < hull_power.size:
            total, power = _lowest_on_edge(hull_power, hull_cost, i, weight, dt, box, efficiency)
            if total < best:
                best, best_power = total, power
    return best, best_power, corner


@kernel(nogil=True)
def _stages(hulls, dt, multiplier, boxes, efficiency, jobs, corners, stages):
    """Fill the lowest cost + l_{t+1} drain + (l_t - l_{t+1}) z over splits and boxes.

    multiplier[0] is that of before the first step; where that is the first of all, z is known and
    it must equal the next one. `jobs` (lists,) says what to do with a list: leave what is there,
    take the step's wide box, or all its boxes. The drain and z of the lowest go into the
    supergradient; `corners` (lists,) remembers where to begin next time.
    """
    steps, gears, classes = stages.value.shape
    for t in range(steps):
        weight = multiplier[t + 1]
        change = multiplier[t] - weight
        for g in range(gears):
            for c in range(classes):
                row = (t * gears + g) * classes + c
                if jobs[row] == LEAVE:
                    continue
                best, best_watts, best_drain, best_level = np.inf, 0.0, 0.0, 0.0
                a, b = hulls.first[row], hulls.first[row + 1]
                lone = b - hulls.lone[row]
                power, cost, corner = hulls.power[a:lone], hulls.cost[a:lone], corners[row]
                rows = boxes.rows[boxes.first[t] : boxes.last[t] + 1]
                if jobs[row] == WIDE:
                    rows = boxes.wide[t : t + 1]
                for j in range(rows.shape[0] if b > a else 0):
                    box = rows[j]
                    if box[B_HIGH] < boxes.floor[c]:
                        continue
                    total, watts = np.inf, 0.0
                    if lone > a:
                        total, watts, corner = _stage(
                            power, cost, corner, dt[t], weight, box, efficiency
                        )
                    if lone < b:
                        drain = _drain(hulls.power[lone], dt[t], box, efficiency)
                        if hulls.cost[lone] + weight * drain < total:
                            total, watts = hulls.cost[lone] + weight * drain, hulls.power[lone]
                    z = max(box[B_LOW], boxes.floor[c]) if change >= 0.0 else box[B_HIGH]
                    total += change * z
                    if total < best:
                        best, best_level, best_watts = total, z, watts
                        best_drain = _drain(watts, dt[t], box, efficiency)
                corners[row] = corner
                stages.value[t, g, c], stages.drain[t, g, c] = best, best_drain
                stages.level[t, g, c], stages.power[t, g, c] = best_level, best_watts


@kernel
def _trellis(value, shift, graph, move_cost, taken, state, gear, ahead, path):
    """Shortest path over state and gear; fills what is still ahead everywhere, and the path.

    `taken` (moves,) is the class of each move's stage cost, `ahead` is (steps + 1, states, gears),
    and `path` (3, steps): the state before each step, gear and class. Returns whether there is a
    path.
    """
    steps, gears, _ = value.shape
    choice = np.empty((steps, graph.states, gears), dtype=np.int64)
    ahead[:steps], ahead[steps] = np.inf, 0.0
    for t in range(steps - 1, -1, -1):
        now, after = ahead[t], ahead[t + 1]
        for m in range(graph.source.size):
            s, c = graph.source[m], graph.engine[m]
            for g2 in range(gears):
                base = value[t, g2, taken[m]] + after[graph.target[m], g2] + move_cost[t, m]
                if base == np.inf:
                    continue
                for g in range(gears):
                    total = base + shift[t, c, g, g2]
                    if total < now[s, g] and _gear_fits(graph, m, g, g2):
                        now[s, g], choice[t, s, g] = total, m * gears + g2
    if ahead[0, state, gear] == np.inf:
        return False
    for t in range(steps):
        m, gear = divmod(choice[t, state, gear], gears)
        path[0, t], path[1, t], path[2, t] = state, gear, taken[m]
        state = graph.target[m]
    return True


@kernel(nogil=True)
def _paths(value, shift, graph, move_cost, taken, behind, ahead):
    """Shortest paths to and from every step, state and gear, (steps + 1, states, gears).

    behind[0] and ahead[steps] are given, all else infinite.
    """
    steps, gears, _ = value.shape
    for i in range(2 * steps):
        t = i // 2 if i % 2 == 0 else steps - 1 - i // 2
        for m in range(graph.source.size):
            s, target, c = graph.source[m], graph.target[m], graph.engine[m]
            for g2 in range(gears):
                base = value[t, g2, taken[m]] + move_cost[t, m]
                if base == np.inf:
                    continue
                for g in range(gears):
                    if not _gear_fits(graph, m, g, g2):
                        continue
                    total = base + shift[t, c, g, g2]
                    if i % 2 == 0:
                        behind[t + 1, target, g2] = min(
                            behind[t + 1, target, g2], total + behind[t, s, g]
                        )
                    else:
                        ahead[t, s, g] = min(ahead[t, s, g], total + ahead[t + 1, target, g2])
