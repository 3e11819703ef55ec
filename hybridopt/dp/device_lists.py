"""Kernels that prepare lists of splits for sweeps on a device, all lists of all steps at once.

For the sweep a list holds the admissible splits alone, ordered by battery power. Which of them can
win depends on the slope of the value only: where all slopes between two landings lie within
[a, b], the split with the lowest cost + b * drop beats all of less power, and the one with the
lowest cost + a * drop all of more. So each list gets the corners of its lower hull over SoC drop
and the slopes at which one corner takes over from the next, worked out at the middle of the SoC
window. How far drops elsewhere differ is counted where the hull is used.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

import numpy as np
from numba import cuda

from ..base.device_kernels import device_kernel
from .device_layout import (
    F_CELLS,
    F_CHARGE,
    F_DISCHARGE,
    F_EFFICIENCY,
    F_SHIFT_COST,
    F_VOLTAGE,
    N_CORNERS,
    N_DT,
    N_GEARS,
    N_HULLS,
    N_LISTS,
    N_POINTS,
    N_SHIFT,
    N_SHIFT_BASE,
    N_STEPS,
)

INFINITE = np.float32(1e30)  # stands for infinite cost: quick arithmetic knows no infinity
LARGE = np.float32(1e15)  # and what is above this counts as such


@cuda.jit(device=True)
def _insert(powers, costs, begin, end, split):
    """Put power and cost of a split into rows that are sorted by them from `begin` to `end`."""
    p, m = split
    j = end
    while j > begin and (powers[j - 1] > p or (powers[j - 1] == p and costs[j - 1] > m)):
        powers[j], costs[j] = powers[j - 1], costs[j - 1]
        j -= 1
    powers[j], costs[j] = p, m


@device_kernel()
def _sort_lists(first, length, cost, power, sorted_cost, sorted_power, count):
    """Copy the admissible splits of each list ordered by power, then cost; count them.

    One thread for a list. Lists are nearly in order, so insertion is quick.
    """
    row = cuda.grid(1)
    if row >= first.size:
        return
    begin, n = first[row], 0
    for k in range(begin, begin + length[row]):
        m, p = np.float32(cost[k]), np.float32(power[k])
        if not cost[k] < math.inf:
            continue
        _insert(sorted_power, sorted_cost, begin, begin + n, (p, m))
        n += 1
    count[row] = n


@cuda.jit(device=True)
def _drop(power, voltage, discharge, charge, out, into):
    """SoC drop of a power, grid cells, and whether the battery can give it."""
    draws = power > 0.0
    disc = voltage * voltage - 4.0 * (discharge if draws else charge) * power
    root = voltage + math.sqrt(max(disc, 0.0))
    return 2.0 * power * (out if draws else into) / root


@device_kernel()
def _find_corners(owners, arrays, lists):
    """Fill the corners of every list's hull over SoC drop at the middle of the window.

    One row of blocks for each of `owners`, whose hulls other problems may share, one thread for a
    list. `corner` holds numbers of splits within the list; `turn` (decreasing) the slope, g per
    cell, at which each corner takes over to the next.
    """
    problems, reals, dt = arrays.problems, arrays.reals, arrays.dt
    sorted_cost, sorted_power, count = lists.cost, lists.power, lists.length
    turn, corner, corners = lists.turn, lists.corner, lists.corners
    problem, row = owners[cuda.blockIdx.y], cuda.grid(1)
    if row >= problems[problem, N_STEPS] * problems[problem, N_GEARS] * 3:
        return
    there = problems[problem, N_LISTS] + row
    begin, n = arrays.list_first[there], count[there]
    to = problems[problem, N_CORNERS] + begin - problems[problem, N_POINTS]
    t = row // (problems[problem, N_GEARS] * 3)
    voltage, discharge, charge = (
        reals[problem, F_VOLTAGE],
        reals[problem, F_DISCHARGE],
        reals[problem, F_CHARGE],
    )
    out = dt[problems[problem, N_DT] + t] * reals[problem, F_CELLS]
    into = out * reals[problem, F_EFFICIENCY]
    used, last_drop, last_cost = 0, 0.0, 0.0
    for k in range(n):
        m = np.float64(sorted_cost[begin + k])
        if used > 0 and m >= last_cost:
            continue
        d = _drop(np.float64(sorted_power[begin + k]), voltage, discharge, charge, out, into)
        while used > 0:
            gain = last_cost - m
            slope = gain / (d - last_drop) if d > last_drop else 1e30
            if used > 1 and slope >= turn[to + used - 2] or not d > last_drop:
                used -= 1
                if used > 0:
                    j = begin + corner[to + used - 1]
                    last_cost = np.float64(sorted_cost[j])
                    last_drop = _drop(
                        np.float64(sorted_power[j]), voltage, discharge, charge, out, into
                    )
                continue
            turn[to + used - 1] = np.float32(slope)
            break
        corner[to + used] = k
        used += 1
        last_drop, last_cost = d, m
    corners[problems[problem, N_HULLS] + row] = used


@device_kernel()
def _spread_shifts(problems, reals, base, shift):
    """Fill the costs of shifts of every problem, (steps, classes, gears to, gears from)."""
    problem, number = cuda.blockIdx.y, cuda.grid(1)
    gears = problems[problem, N_GEARS]
    size = problems[problem, N_STEPS] * 3 * gears * gears
    if number >= size:
        return
    grams = base[problems[problem, N_SHIFT_BASE] + number]
    if number // gears % gears != number % gears and grams < LARGE:
        grams = np.float32(np.float64(grams) + reals[problem, F_SHIFT_COST])
    shift[problems[problem, N_SHIFT] * 3 * gears * gears + number] = grams
