"""Numba kernels of the lower bound: convex hulls, stage costs over boxes, trellis; see bound.py.

A box is a range of stored energy z (J) with the voltage and resistances that make a power take
least of it: rows of `boxes` are B_LOW, B_HIGH (edges, J), B_VOLTAGE (highest, V), B_DISCHARGE and
B_CHARGE (lowest, ohm) and B_BEND (V s/C: what the bend of z over SoC takes off a resistance).
"""

import numpy as np
from numba import njit, prange

OFF, RUNNING, STARTING = 0, 1, 2
B_LOW, B_HIGH, B_VOLTAGE, B_DISCHARGE, B_CHARGE, B_BEND, B_SIZE = range(7)


@njit(cache=True)
def _sorted_points(costs, powers, count, order):
    """Order the finite points by power, then cost; return how many (insertion sort)."""
    n = 0
    for k in range(count):
        if costs[k] == np.inf:
            continue
        j = n
        while j > 0 and (powers[order[j - 1]] > powers[k] or (
                powers[order[j - 1]] == powers[k] and costs[order[j - 1]] > costs[k])):  # fmt: skip
            order[j] = order[j - 1]
            j -= 1
        order[j] = k
        n += 1
    return n


@njit(cache=True)
def _lower_hull(costs, powers, order, n, hull_power, hull_cost):
    """Lower left convex hull of the ordered points: cost falls and flattens as power rises."""
    used = 0
    for i in range(n):
        p, m = powers[order[i]], costs[order[i]]
        if used > 0 and m >= hull_cost[used - 1]:
            continue
        while used > 1 and (hull_cost[used - 1] - hull_cost[used - 2]) * (
                p - hull_power[used - 2]) >= (m - hull_cost[used - 2]) * (
                hull_power[used - 1] - hull_power[used - 2]):  # fmt: skip
            used -= 1
        hull_power[used], hull_cost[used] = p, m
        used += 1
    return used


@njit(cache=True)
def _useful(hull_power, hull_cost, n, boxes, dt, efficiency, weight_low, weight_high):
    """First and last hull point that can be best for a weight in a range and any box."""
    first, last = 0, n - 1
    for i in range(n - 1):
        slope = (hull_cost[i] - hull_cost[i + 1]) / (hull_power[i + 1] - hull_power[i])
        least, largest = np.inf, -np.inf
        for b in range(boxes.shape[0]):
            least = min(least, _drain_slope(hull_power[i], dt, boxes[b], efficiency))
            largest = max(largest, _drain_slope(hull_power[i + 1], dt, boxes[b], efficiency))
        if slope > weight_high * largest:
            first = i + 1
        if slope < weight_low * least:
            return first, max(i, first)
    return first, last


@njit(cache=True)
def _hulls(cost, power, count, dt, boxes, efficiency, weights, hull_power, hull_cost, hull_count):
    """Hulls of every step, gear and class, cut to the points that count for weights in a range.

    `weights` holds the least and largest weight, g/J, for which the hulls are used.
    """
    steps, gears, classes, size = cost.shape
    order = np.empty(size, dtype=np.int64)
    for t in range(steps):
        for g in range(gears):
            for c in range(classes):
                n = _sorted_points(cost[t, g, c], power[t, g, c], count[t, g, c], order)
                hp, hc = hull_power[t, g, c], hull_cost[t, g, c]
                n = _lower_hull(cost[t, g, c], power[t, g, c], order, n, hp, hc)
                first, last = 0, n - 1
                if n > 1:
                    first, last = _useful(hp, hc, n, boxes, dt[t], efficiency, weights[0],
                                          weights[1])  # fmt: skip
                for i in range(last - first + 1):
                    hp[i], hc[i] = hp[first + i], hc[first + i]
                hull_count[t, g, c] = last - first + 1


@njit(cache=True)
def _drain(power, dt, box, efficiency):
    """Least stored energy, J, that a battery power can take anywhere in a box."""
    charging = power < 0.0
    resistance = box[B_CHARGE] if charging else box[B_DISCHARGE]
    share = efficiency if charging else 1.0
    root = np.sqrt(max(box[B_VOLTAGE] ** 2 - 4.0 * resistance * power, 0.0))
    current = 2.0 * power / (box[B_VOLTAGE] + root)
    bend = resistance - share * box[B_BEND] * dt
    return dt * share * (power + bend * current * current)


@njit(cache=True)
def _drain_slope(power, dt, box, efficiency):
    """Return the drain's derivative with respect to power, from the right."""
    charging = power < 0.0
    resistance = box[B_CHARGE] if charging else box[B_DISCHARGE]
    share = efficiency if charging else 1.0
    root = np.sqrt(max(box[B_VOLTAGE] ** 2 - 4.0 * resistance * power, 1e-12))
    current = 2.0 * power / (box[B_VOLTAGE] + root)
    return dt * share * (1.0 + 2.0 * (resistance - share * box[B_BEND] * dt) * current / root)


@njit(cache=True)
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


@njit(cache=True)
def _stage(hull_power, hull_cost, n, dt, weight, box, efficiency):
    """Least cost + weight * drain over a hull; returns it and the power.

    On an edge both are convex in power, so the least is at a corner, at zero power (where the
    drain has its kink) or where the derivative vanishes.
    """
    best, best_power = np.inf, 0.0
    for i in range(n):
        total = hull_cost[i] + weight * _drain(hull_power[i], dt, box, efficiency)
        if total < best:
            best, best_power = total, hull_power[i]
        if i + 1 == n:
            break
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


@njit(cache=True, parallel=True)
def _stages(hull_power, hull_cost, hull_count, dt, multiplier, first, last, boxes, efficiency,
            value, drain, level):  # fmt: skip
    """Least of cost + l_{t+1} drain + (l_t - l_{t+1}) z over splits and boxes, per gear and class.

    Also fills the drain and z of the least, for the supergradient.
    """
    steps, gears, classes, _ = hull_power.shape
    for t in prange(steps):
        weight = multiplier[t + 1]
        change = multiplier[t] - weight if t > 0 else 0.0
        for g in range(gears):
            for c in range(classes):
                best, best_drain, best_level = np.inf, 0.0, 0.0
                n = hull_count[t, g, c]
                for j in range(first[t], last[t] + 1 if n > 0 else first[t]):
                    total, power = _stage(hull_power[t, g, c], hull_cost[t, g, c], n, dt[t],
                                          weight, boxes[j], efficiency)  # fmt: skip
                    z = boxes[j, B_LOW] if change >= 0.0 else boxes[j, B_HIGH]
                    total += change * z
                    if total < best:
                        best, best_level = total, z
                        best_drain = _drain(power, dt[t], boxes[j], efficiency)
                value[t, g, c], drain[t, g, c], level[t, g, c] = best, best_drain, best_level


@njit(cache=True)
def _trellis(value, drain, level, shift, start_cost, engine, gear, path_drain, path_level):
    """Shortest path over engine state and gear; fills its drains and levels, returns its length."""
    steps, gears, _ = value.shape
    ahead, now = np.zeros((2, gears)), np.empty((2, gears))
    choice = np.empty((steps, 2, gears), dtype=np.int64)
    for t in range(steps - 1, -1, -1):
        now[:] = np.inf
        for e in range(2):
            for c in (OFF, RUNNING if e == 1 else STARTING):
                extra = start_cost if c == STARTING else 0.0
                for g2 in range(gears):
                    base = value[t, g2, c] + ahead[min(c, 1), g2] + extra
                    if base == np.inf:
                        continue
                    for g in range(gears):
                        total = base + shift[t, c, g, g2]
                        if total < now[e, g]:
                            now[e, g], choice[t, e, g] = total, g2 * 3 + c
        ahead[:] = now
    total = ahead[engine, gear]
    if total == np.inf:
        return total
    for t in range(steps):
        pick = choice[t, engine, gear]
        gear, c = pick // 3, pick % 3
        engine = min(c, 1)
        path_drain[t], path_level[t] = drain[t, gear, c], level[t, gear, c]
    return total
