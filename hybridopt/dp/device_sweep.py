"""The backward sweep of the cost-to-go on a device: one thread block for a problem.

All rows of the value (states x gears) lie in the shared memory of the block, float32, less a pivot
in every step. A step is done in three turns, with all threads meeting between them:

1. the range of slopes of each row over each segment of 32 SoC points;
2. for each arrival, gear and segment the splits that can win there (see device_lists.py);
3. for each SoC point the minimum over those splits, and over gears and moves, which is written to
   the device's memory, and to the shared rows once all threads have read them.

What is left out is proved useless, as in the sweep of kernels here: two splits' landings differ by
a SoC drop that is the one at the middle of the window times a factor, whose range over the
segment is known, and the slopes between all landings are within their range.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math
from functools import cache
from typing import Any

import numpy as np
from numba import cuda, float32, int32
from numba.core import config

from ..base.device_kernels import device_kernel
from .device_layout import (
    F_CELLS,
    F_CHARGE,
    F_DISCHARGE,
    F_EFFICIENCY,
    F_FLOOR,
    F_LOW,
    F_PENALTY,
    F_SPACING,
    F_TARGET,
    F_TWO_SIDED,
    F_VOLTAGE,
    N_CORNERS,
    N_DT,
    N_GEARS,
    N_HULLS,
    N_LISTS,
    N_MOVES,
    N_NODES,
    N_OFFSET,
    N_OPENS,
    N_POINTS,
    N_SHIFT,
    N_SLOTS,
    N_SOC,
    N_STEPS,
    N_VALUE,
    _next_place,
    _stride,
)
from .device_lists import INFINITE, LARGE

SEGMENT = 32  # SoC points that share one range of splits
FACTS = 8  # of a segment: lowest and highest voltage, discharge and charge resistance, and power
NOTHING, ZERO, ONE, TWO, FOUR = (np.float32(x) for x in (-1.0, 0.0, 1.0, 2.0, 4.0))
TINY = np.float32(1e-3)  # cells: landings are widened by it
MARGIN = np.float32(1e-5)  # of a slope: ranges are widened by it
EMPTY = 1  # an empty range, first 1 and last 0, packed


@cuda.jit(device=True, fastmath=True)
def _ratio_range(power, voltage, discharge, charge, facts, segment):
    """Range of dd/dP of a power over a segment, as multiples of that at the middle; -1 unknown."""
    if power > ZERO:
        middle = voltage * voltage - FOUR * discharge * power
        most = facts[segment, 1] * facts[segment, 1] - FOUR * facts[segment, 2] * power
        least = facts[segment, 0] * facts[segment, 0] - FOUR * facts[segment, 3] * power
    else:
        middle = voltage * voltage - FOUR * charge * power
        most = facts[segment, 1] * facts[segment, 1] - FOUR * facts[segment, 5] * power
        least = facts[segment, 0] * facts[segment, 0] - FOUR * facts[segment, 4] * power
    if middle <= ONE or least <= ONE:
        return NOTHING, NOTHING
    return float32(math.sqrt(middle / most)), float32(math.sqrt(middle / least))


@cuda.jit(device=True, fastmath=True)
def _drop32(power, voltage, discharge, charge, out, into):
    """SoC drop of a power, grid cells."""
    draws = power > ZERO
    disc = voltage * voltage - FOUR * (discharge if draws else charge) * power
    return TWO * power * (out if draws else into) / (voltage + float32(math.sqrt(max(disc, ZERO))))


@cuda.jit(device=True, fastmath=True)
def _corner_at(turn, begin, corners, slope):
    """Find the corner that is best at a slope: as many as there are turns above it."""
    low, high = 0, corners - 1
    while low < high:
        middle = (low + high) // 2
        if turn[begin + middle] > slope:
            low = middle + 1
        else:
            high = middle
    return low


@cuda.jit(device=True, fastmath=True)
def _slopes_between(shared, at, segments, points, floor, first, last):
    """Range of the slopes of cells first to last of a row, whose table begins at `at`."""
    low, high = INFINITE, -INFINITE
    if first < 0:
        low, high = floor, floor
    if last > points - 2:
        low, high = min(low, ZERO), max(high, ZERO)
    a, b = max(first, 0) // SEGMENT, min(last, points - 2) // SEGMENT
    for segment in range(a, b + 1):
        low = min(low, shared[at + 2 * segment])
        high = max(high, shared[at + 2 * segment + 1])
    return low, high


@cuda.jit(device=True, fastmath=True)
def _terminal32(reals, soc):
    miss = reals[F_TARGET] - soc
    if miss > 0.0:
        return float32(reals[F_PENALTY] * miss)
    return float32(-miss * reals[F_PENALTY]) if reals[F_TWO_SIDED] > 0.0 else ZERO


def shared_floats(rows: int, arrivals: int, gears: int, points: int) -> int:
    """Return the floats of shared memory that the sweep of one problem takes."""
    segments = -(-points // SEGMENT)
    return rows * (points + 1) + 2 * rows * segments + arrivals * gears * segments + 1


@cache
def sweep_kernel(states: int, gears: int, ages: bool, threads: int = 512, blocks: int = 1) -> Any:
    """Return the sweep for a number of states and gears; with `ages`, moves may bind the gear.

    It takes blocks of so many threads, of which so many run on a multiprocessor at a time.

    Loops over gears and states are unrolled, so that what a thread gathers stays in registers.
    """
    S, G = states, gears
    R = S * G

    def sweep(arrays, lists, graph, value, offset, looked_at):
        problems, reals, list_first = arrays.problems, arrays.reals, arrays.list_first
        dt, nodes, facts = arrays.dt, arrays.nodes, arrays.facts
        move_cost, opens = arrays.moves, arrays.opens
        list_count, power, cost = lists.length, lists.power, lists.cost
        turn, corner, corners, shift = lists.turn, lists.corner, lists.corners, lists.shift
        arrival_engine, arrival_state = graph.arrival_engine, graph.arrival_state
        arrival_first, move_source = graph.arrival_first, graph.move_source
        move_kind = graph.move_kind
        number, thread, threads = cuda.blockIdx.x, cuda.threadIdx.x, cuda.blockDim.x
        shared = cuda.shared.array(0, float32)
        ranges = cuda.shared.array(0, int32)
        row, real = problems[number], reals[number]
        points, steps = row[N_SOC], row[N_STEPS]
        segments = (points + SEGMENT - 1) // SEGMENT
        stride = points + 1
        slopes = R * stride
        table = slopes + 2 * R * segments
        arrivals = arrival_engine.size
        pivot_at = table + arrivals * G * segments
        at = row[N_NODES]
        voltage_mid = float32(real[F_VOLTAGE])
        discharge_mid, charge_mid = float32(real[F_DISCHARGE]), float32(real[F_CHARGE])
        floor = float32(real[F_FLOOR] * real[F_SPACING])
        last_point = float32(points - 1)
        fact_row = facts[number]
        slots, values = row[N_SLOTS], row[N_VALUE]
        lists_at, corners_at, points_at, hulls_at = (
            row[N_LISTS],
            row[N_CORNERS],
            row[N_POINTS],
            row[N_HULLS],
        )
        shift_first, moves_at, opens_at = row[N_SHIFT], row[N_MOVES], row[N_OPENS]
        gears_there, dt_at = row[N_GEARS], row[N_DT]
        slot = steps % slots
        first_row, first_segment = thread // segments, thread % segments
        ahead = _stride(segments)
        total: Any = 0.0
        looked = 0
        for x in range(thread, points, threads):
            end = _terminal32(real, real[F_LOW] + real[F_SPACING] * x)
            for r in range(R):
                shared[r * stride + x] = end
                value[values + (slot * R + r) * points + x] = end
                if x == points - 1:
                    shared[r * stride + points] = end
        if thread == 0:
            offset[row[N_OFFSET] + steps] = 0.0
        cuda.syncthreads()
        for back in range(steps):
            t = steps - 1 - back
            r, segment = first_row, first_segment
            while r < R:
                low, high = INFINITE, -INFINITE
                for i in range(SEGMENT):
                    x = segment * SEGMENT + ((i + segment) & (SEGMENT - 1))
                    if x < points - 1:
                        slope = shared[r * stride + x] - shared[r * stride + x + 1]
                        low, high = min(low, slope), max(high, slope)
                pair = slopes + 2 * (r * segments + segment)
                shared[pair], shared[pair + 1] = low, high
                r, segment = _next_place(r, segment, ahead, segments)
            if thread == 0:
                lowest = INFINITE
                for r in range(R):
                    lowest = min(lowest, shared[r * stride + points // 2])
                lowest = lowest if lowest < LARGE else ZERO
                shared[pivot_at] = lowest
                total += lowest
                offset[row[N_OFFSET] + t] = total
            cuda.syncthreads()
            seconds = dt[dt_at + t]
            out = float32(seconds * real[F_CELLS])
            into = float32(seconds * real[F_CELLS] * real[F_EFFICIENCY])
            after, after_segment = first_row, first_segment
            while after < arrivals * G:
                i, g, segment = after // G, after % G, after_segment
                item = after * segments + segment
                after, after_segment = _next_place(after, segment, ahead, segments)
                found = (t * G + g) * 3 + arrival_engine[i]
                n = list_count[lists_at + found]
                if n == 0:
                    ranges[table + item] = EMPTY
                    continue
                begin = list_first[lists_at + found]
                to = corners_at + begin - points_at
                most = corners[hulls_at + found]
                low_power, high_power = power[begin], power[begin + n - 1]
                a_low, a_high = _ratio_range(
                    low_power, voltage_mid, discharge_mid, charge_mid, fact_row, segment
                )
                b_low, b_high = _ratio_range(
                    high_power, voltage_mid, discharge_mid, charge_mid, fact_row, segment
                )
                o_low, o_high = _ratio_range(
                    ZERO, voltage_mid, discharge_mid, charge_mid, fact_row, segment
                )
                low_ratio = min(a_low, min(b_low, o_low)) * (ONE - MARGIN)
                high_ratio = max(a_high, max(b_high, o_high)) * (ONE + MARGIN)
                p, q = 0, n - 1
                for _ in range(2 if low_ratio > ZERO else 0):
                    low_drop = _drop32(
                        power[begin + p], voltage_mid, discharge_mid, charge_mid, out, into
                    )
                    high_drop = _drop32(
                        power[begin + q], voltage_mid, discharge_mid, charge_mid, out, into
                    )
                    low_drop *= low_ratio if low_drop > ZERO else high_ratio
                    high_drop *= high_ratio if high_drop > ZERO else low_ratio
                    x0 = segment * SEGMENT
                    x1 = min(x0 + SEGMENT, points) - 1
                    first = int(math.floor(float32(x0) - high_drop - TINY))
                    last = int(math.floor(float32(x1) - low_drop + TINY))
                    gentle, steep = _slopes_between(
                        shared,
                        slopes + 2 * (arrival_state[i] * G + g) * segments,
                        segments,
                        points,
                        floor,
                        first,
                        last,
                    )
                    gentle *= (low_ratio if gentle > ZERO else high_ratio) * (ONE - MARGIN)
                    steep *= (high_ratio if steep > ZERO else low_ratio) * (ONE + MARGIN)
                    k = corner[to + _corner_at(turn, to, most, steep)]
                    if fact_row[segment, 6] <= power[begin + k] <= fact_row[segment, 7] and k > p:
                        p = k
                    if gentle >= ZERO:
                        k = corner[to + _corner_at(turn, to, most, gentle)]
                        if (
                            fact_row[segment, 6] <= power[begin + k] <= fact_row[segment, 7]
                            and k < q
                        ):
                            q = k
                ranges[table + item] = p | (q << 16)
            cuda.syncthreads()
            pivot = shared[pivot_at]
            slot = slot - 1 if slot > 0 else slots - 1
            kept = values + slot * R * points
            for x in range(thread, points, threads):
                segment = x // SEGMENT
                volts, here = nodes[at + x], float32(x)
                discharge4 = FOUR * nodes[at + points + x]
                charge4 = FOUR * nodes[at + 2 * points + x]
                power_max, power_min = nodes[at + 3 * points + x], nodes[at + 4 * points + x]
                square = volts * volts
                best = cuda.local.array(R, float32)
                any_gear = cuda.local.array(G, float32)
                same_gear = cuda.local.array(G, float32)
                for r in range(R):
                    best[r] = INFINITE
                for i in range(arrivals):
                    c = arrival_engine[i]
                    for g in range(G):
                        any_gear[g] = INFINITE
                        if ages:
                            same_gear[g] = INFINITE
                    useful = False
                    for g2 in range(gears_there):
                        packed = ranges[table + (i * G + g2) * segments + segment]
                        p, q = packed & 0xFFFF, packed >> 16
                        if p > q:
                            continue
                        begin = list_first[lists_at + (t * G + g2) * 3 + c]
                        base = (arrival_state[i] * G + g2) * stride
                        lowest = INFINITE
                        looked += q - p + 1
                        for k in range(begin + p, begin + q + 1):
                            watts = power[k]
                            draws = watts > ZERO
                            disc = square - (discharge4 if draws else charge4) * watts
                            root = volts + float32(math.sqrt(max(disc, ZERO)))
                            scale = TWO * watts * (out if draws else into)
                            y = here - scale / root
                            inside = min(max(y, ZERO), last_point)
                            j = int32(inside)
                            share = inside - float32(j)
                            a, b = shared[base + j], shared[base + j + 1]
                            grams = cost[k] + a + share * (b - a) + floor * max(-y, ZERO)
                            if watts <= power_max and watts >= power_min and grams < lowest:
                                lowest = grams
                        if lowest < LARGE:
                            useful = True
                            shift_at = ((shift_first + t) * 3 + c) * G * G + g2 * G
                            for g in range(G):
                                grams = lowest + shift[shift_at + g]
                                if ages:
                                    if g == g2:
                                        same_gear[g] = grams
                                    elif grams < any_gear[g]:
                                        any_gear[g] = grams
                                elif grams < any_gear[g]:
                                    any_gear[g] = grams
                    if not useful:
                        continue
                    for m in range(arrival_first[i], arrival_first[i + 1]):
                        event = move_cost[(moves_at + t) * move_source.size + m]
                        if event > LARGE or x < opens[opens_at + m]:
                            continue
                        source, kind = move_source[m], move_kind[m]
                        for s in range(S):
                            if s == source:
                                for g in range(G):
                                    grams = any_gear[g]
                                    if ages:
                                        if kind == 1:
                                            grams = same_gear[g]
                                    grams += event
                                    if grams < best[s * G + g]:
                                        best[s * G + g] = grams
                for r in range(R):
                    grams = best[r] - pivot
                    value[kept + r * points + x] = grams if grams < LARGE else INFINITE
            cuda.syncthreads()
            for x in range(thread, points, threads):
                for r in range(R):
                    grams = value[kept + r * points + x]
                    shared[r * stride + x] = grams
                    if x == points - 1:
                        shared[r * stride + points] = grams
            cuda.syncthreads()
        if looked_at.size > 0:
            cuda.atomic.add(looked_at, number, looked)

    bounds = {} if config.ENABLE_CUDASIM else {"launch_bounds": (threads, blocks)}
    return device_kernel(fastmath=True, **bounds)(sweep)
