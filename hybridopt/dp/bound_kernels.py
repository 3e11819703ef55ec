"""Numba kernels of the lower bound: convex hulls, stage costs, trellis; see bound.py."""

import numpy as np
from numba import njit, prange

OFF, RUNNING, STARTING = 0, 1, 2


@njit(cache=True, parallel=True)
def _hulls(cost, power, count, hull_power, hull_cost, hull_count):
    """Lower convex hull of (power, cost) of every gear and class, from low power to high.

    Only the decreasing part is kept: more power at more cost serves nothing.
    """
    steps, gears, classes, size = cost.shape
    for t in prange(steps):
        order = np.empty(size, dtype=np.int64)
        for g in range(gears):
            for c in range(classes):
                n = 0
                for k in range(count[t, g, c]):
                    if cost[t, g, c, k] < np.inf:
                        # insertion sort by power, then cost
                        j = n
                        p, m = power[t, g, c, k], cost[t, g, c, k]
                        while j > 0 and (power[t, g, c, order[j - 1]] > p or (
                                power[t, g, c, order[j - 1]] == p
                                and cost[t, g, c, order[j - 1]] > m)):
                            order[j] = order[j - 1]
                            j -= 1
                        order[j] = k
                        n += 1
                used = 0
                hp, hm = hull_power[t, g, c], hull_cost[t, g, c]
                for i in range(n):
                    p, m = power[t, g, c, order[i]], cost[t, g, c, order[i]]
                    if used > 0 and m >= hm[used - 1]:
                        continue
                    while used > 1 and (hm[used - 1] - hm[used - 2]) * (p - hp[used - 2]) >= (
                            m - hm[used - 2]) * (hp[used - 1] - hp[used - 2]):
                        used -= 1
                    hp[used], hm[used] = p, m
                    used += 1
                hull_count[t, g, c] = used


@njit(cache=True)
def _drain(power, dt, voltage, resistance, efficiency):
    """Least stored energy taken by a battery power, J, for a voltage and resistance."""
    root = np.sqrt(max(voltage * voltage - 4.0 * resistance * power, 0.0))
    current = 2.0 * power / (voltage + root)
    inner = voltage * current * dt
    return inner if power > 0.0 else efficiency * inner


@njit(cache=True)
def _stage(hp, hm, n, dt, weight, voltage, r_dis, r_chg, efficiency, slack):
    """min over the hull of cost + weight * drain(power); returns value, power."""
    best, best_p = np.inf, 0.0
    for i in range(n):
        p = hp[i]
        v = hm[i] + weight * _drain(p, dt, voltage, r_dis if p > 0.0 else r_chg, efficiency)
        if v < best:
            best, best_p = v, p
        if i + 1 < n:
            slope = (hm[i] - hm[i + 1]) / (hp[i + 1] - hp[i])
            for side in range(2):
                res = r_dis if side == 0 else r_chg
                eff = 1.0 if side == 0 else efficiency
                if slope <= 0.0 or weight <= 0.0 or res <= 0.0:
                    continue
                root = weight * dt * eff * voltage / slope
                q = (voltage * voltage - root * root) / (4.0 * res)
                if (side == 0) == (q > 0.0) and hp[i] < q < hp[i + 1]:
                    v = hm[i] - slope * (q - hp[i]) + weight * _drain(q, dt, voltage, res, efficiency)
                    if v < best:
                        best, best_p = v, q
            if hp[i] < 0.0 < hp[i + 1]:
                v = hm[i] - slope * (0.0 - hp[i])
                if v < best:
                    best, best_p = v, 0.0
    return best, best_p


@njit(cache=True, parallel=True)
def _stages(hull_power, hull_cost, hull_count, dt, multiplier, first, last, edges, voltage, r_dis,
            r_chg, efficiency, slack, value, drain, level):
    """Stage cost of every (t, gear, class): min over splits and over z in the step's boxes."""
    steps, gears, classes, _ = hull_power.shape
    for t in prange(steps):
        weight = multiplier[t + 1]
        change = multiplier[t] - weight if t > 0 else 0.0
        for g in range(gears):
            for c in range(classes):
                best, best_drain, best_z = np.inf, 0.0, 0.0
                n = hull_count[t, g, c]
                if n > 0:
                    for j in range(first[t], last[t] + 1):
                        z = edges[j] if change >= 0.0 else edges[j + 1]
                        v, p = _stage(hull_power[t, g, c], hull_cost[t, g, c], n, dt[t], weight,
                                      voltage[j], r_dis[j], r_chg[j], efficiency, slack)
                        v += change * z
                        if v < best:
                            best, best_z = v, z
                            best_drain = _drain(p, dt[t], voltage[j],
                                                r_dis[j] if p > 0.0 else r_chg[j], efficiency)
                value[t, g, c], drain[t, g, c], level[t, g, c] = best, best_drain, best_z


@njit(cache=True)
def _trellis(value, drain, level, shift, start_cost, engine, gear, path_drain, path_level):
    """Shortest path over engine state and gear; returns its length."""
    steps, gears, _ = value.shape
    ahead = np.zeros((2, gears))
    choice = np.empty((steps, 2, gears), dtype=np.int16)
    now = np.empty((2, gears))
    for t in range(steps - 1, -1, -1):
        for e in range(2):
            for g in range(gears):
                best, pick = np.inf, 0
                for g2 in range(gears):
                    c = RUNNING if e == 1 else STARTING
                    off = value[t, g2, OFF] + ahead[0, g2] + shift[t, OFF, g, g2]
                    on = value[t, g2, c] + ahead[1, g2] + shift[t, c, g, g2]
                    if e == 0:
                        on += start_cost
                    if off < best:
                        best, pick = off, g2 * 3
                    if on < best:
                        best, pick = on, g2 * 3 + c
                now[e, g], choice[t, e, g] = best, pick
        ahead[:] = now
    total = ahead[engine, gear]
    for t in range(steps):
        pick = choice[t, engine, gear]
        gear, c = pick // 3, pick % 3
        engine = 0 if c == OFF else 1
        path_drain[t], path_level[t] = drain[t, gear, c], level[t, gear, c]
    return total
