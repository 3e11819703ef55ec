"""Backward sweep of the cost-to-go in numba, with exact pruning of torque splits.

The kernels live together because numba's cache does not notice edits across files. SoC is
counted in grid cells: a split's `fall` is how many cells SoC falls in the step, and a `slope` is
the loss of value per cell. Rows of the value are padded on both sides (flat above the window, by
the penalty below it), so that no position needs a check.
"""

import numpy as np
from numba import njit, prange

OFF, RUNNING, STARTING = 0, 1, 2
BLOCK = 256  # most SoC points that share one pruned list of splits
CHUNK = 16  # cells whose slopes are summed up in one least and one largest slope
WIDTH, U_MID, D_MID, C_MID, SPREAD, ALL_MIN, ALL_MAX, ANY_MIN, ANY_MAX, INFO = range(10)


@njit(cache=True, error_model="numpy")
def _fall(voltage, resistance, power, step, charge_step):
    """Cells SoC falls for a battery power: I = 2 P / (U + sqrt(U^2 - 4 R P)) times the step."""
    root = np.sqrt(max(voltage * voltage - 4.0 * resistance * power, 0.0))
    return 2.0 * power * (step if power > 0.0 else charge_step) / (voltage + root)


@njit(cache=True, error_model="numpy")
def _spread(nodes, a, b, lowest, highest):
    """Bound on how far a fall can stray over a block from its fall at the middle, as a factor.

    With I the current, dI/dU = -I / (U - 2 R I) and dI/dR = I^2 / (U - 2 R I). The difference
    of two falls therefore changes, relatively, by at most U / (U - 2 R I)^2 per volt and by
    2 |I| |U - R I| / (U - 2 R I)^2 per ohm, each at its largest current.
    """
    u_low, u_high = nodes[0][a:b].min(), nodes[0][a:b].max()
    spread = 0.0
    for side in range(2):
        power = max(highest, 0.0) if side == 0 else min(lowest, 0.0)
        r_low, r_high = nodes[1 + side][a:b].min(), nodes[1 + side][a:b].max()
        root2 = u_low * u_low - 4.0 * r_high * max(power, 0.0)
        if root2 <= 0.0:
            return np.inf
        root = np.sqrt(root2)
        current = 2.0 * abs(power) / (u_low + root if power > 0.0 else u_low)
        relative = (u_high / root2) * (u_high - u_low)
        relative += 2.0 * current * (u_high + r_high * current) / root2 * (r_high - r_low)
        spread = max(spread, relative)
    return np.exp(spread)


@njit(cache=True, error_model="numpy")
def _block_info(nodes, a, b, lowest, highest, info):
    """Fill what a block's pruning needs: middle voltage and resistances, spread, power limits."""
    middle = (a + b) // 2
    info[WIDTH] = b - a
    info[U_MID], info[D_MID], info[C_MID] = nodes[0][middle], nodes[1][middle], nodes[2][middle]
    info[SPREAD] = _spread(nodes, a, b, lowest, highest)
    info[ALL_MIN], info[ALL_MAX] = nodes[4][a:b].max(), nodes[3][a:b].min()
    info[ANY_MIN], info[ANY_MAX] = nodes[4][a:b].min(), nodes[3][a:b].max()


@njit(cache=True, error_model="numpy")
def _row_value(row, position):
    """Value of a padded row between its cells."""
    i = int(position)
    return row[i] + (position - i) * (row[i + 1] - row[i])


@njit(cache=True, error_model="numpy")
def _chunk_slopes(row, least, largest):
    """Least and largest slope of every chunk of cells; undefined slopes (inf - inf) count not."""
    for chunk in range(least.size):
        low, high = np.inf, -np.inf
        for i in range(chunk * CHUNK, min(chunk * CHUNK + CHUNK, row.size - 1)):
            slope = row[i] - row[i + 1]
            low, high = min(low, slope), max(high, slope)
        least[chunk], largest[chunk] = low, high


@njit(cache=True, error_model="numpy")
def _widen(chunks, low, high, covered, slopes):
    """Let `slopes` cover all cells from position low to high; `covered` grows to their chunks."""
    first = max(int(low) // CHUNK, 0)
    last = min(int(high) // CHUNK, chunks.shape[1] - 1)
    for i in range(first, min(covered[0], last + 1)):
        slopes[0], slopes[1] = min(slopes[0], chunks[0, i]), max(slopes[1], chunks[1, i])
    for i in range(max(covered[1] + 1, first), last + 1):
        slopes[0], slopes[1] = min(slopes[0], chunks[0, i]), max(slopes[1], chunks[1, i])
    covered[0], covered[1] = min(covered[0], first), max(covered[1], last)


@njit(cache=True, error_model="numpy")
def _worst(chunks, start, info, fall, ref_fall, covered, slopes):
    """Least that the value can rise from a reference fall to another one, anywhere in a block.

    V(x - d) - V(x - d_r) = s (d - d_r) for some slope s of the cells in between; s and the
    difference are bounded over the block, the latter by the block's spread.
    """
    spread = info[SPREAD]
    low_fall, high_fall = min(fall, ref_fall), max(fall, ref_fall)
    furthest = start - (high_fall * spread if high_fall > 0.0 else high_fall / spread)
    nearest = start - (low_fall / spread if low_fall > 0.0 else low_fall * spread)
    _widen(chunks, furthest - 1e-6, nearest + info[WIDTH] - 1.0 + 1e-6, covered, slopes)
    delta = fall - ref_fall
    a, b = delta * spread, delta / spread
    return min(min(slopes[0] * a, slopes[0] * b), min(slopes[1] * a, slopes[1] * b))


@njit(cache=True, error_model="numpy")
def _prune(powers, costs, n, row, chunks, start, info, step, charge_step, falls, kept):
    """List in `kept` the splits that may be best somewhere in a block; return count and best.

    `start` is the padded position of the block's first point. The reference r is the best split
    at the block's middle point that is allowed all over the block. Split k is useless where
    m_k - m_r plus the least rise of value (see `_worst`) is above zero.
    """
    ref, best = -1, np.inf
    middle = start + info[WIDTH] // 2
    for k in range(n):
        resistance = info[D_MID] if powers[k] > 0.0 else info[C_MID]
        falls[k] = _fall(info[U_MID], resistance, powers[k], step, charge_step)
    for k in range(n):
        if info[ALL_MIN] <= powers[k] <= info[ALL_MAX]:
            total = costs[k] + _row_value(row, middle - falls[k])
            if total < best:
                ref, best = k, total
    count = 0
    covered, slopes = np.empty(2, dtype=np.int64), np.empty(2)
    for direction in range(2):
        covered[0], covered[1] = 1 << 40, -1
        slopes[0], slopes[1] = np.inf, -np.inf
        k = ref if direction == 0 else ref - 1
        if ref < 0:
            k = 0 if direction == 0 else -1
        while 0 <= k < n:
            if info[ANY_MIN] <= powers[k] <= info[ANY_MAX]:
                gain = -1.0
                if ref >= 0 and info[SPREAD] < 2.0:
                    gain = costs[k] - costs[ref] + _worst(chunks, start, info, falls[k],
                                                          falls[ref], covered, slopes)  # fmt: skip
                if not gain > 1e-12:
                    kept[count] = k
                    count += 1
            k += 1 if direction == 0 else -1
    return count, ref, best


@njit(cache=True, error_model="numpy")
def _shifted_min(cost, power, scale, offset, voltage, resistance, row, start, best):
    """Lower best[x] to cost + value where point x falls to, all over a block.

    Every fall lies within one cell of `-offset`, so the loop reads neighbours of one shifted
    row, needs no gather and runs in vector registers.
    """
    four = 4.0 * power
    ahead = row[start + offset : start + offset + best.size + 1]
    behind = row[start + offset - 1 : start + offset + best.size]
    for x in range(best.size):
        u = voltage[x]
        fall = scale / (u + np.sqrt(max(u * u - four * resistance[x], 0.0)))
        share = -fall - offset
        here = ahead[x]
        total = (cost + here + max(share, 0.0) * (ahead[x + 1] - here)
                 + min(share, 0.0) * (here - behind[x]))  # fmt: skip
        best[x] = total if total < best[x] else best[x]


@njit(cache=True, error_model="numpy")
def _checked_min(cost, power, scale, voltage, resistance, power_min, power_max, row, start, best):
    """As `_shifted_min` for any fall, minding the battery limits point by point."""
    for x in range(best.size):
        if power_min[x] <= power <= power_max[x]:
            u = voltage[x]
            fall = scale / (u + np.sqrt(max(u * u - 4.0 * power * resistance[x], 0.0)))
            best[x] = min(best[x], cost + _row_value(row, start + x - fall))


@njit(cache=True, error_model="numpy")
def _split_values(powers, costs, kept, count, falls, nodes, a, b, info, step, charge_step, row,
                  start, best):  # fmt: skip
    """Least over the kept splits of cost + value after the split, for points a to b - 1."""
    best[:] = np.inf
    for j in range(count):
        k = kept[j]
        power = powers[k]
        resistance = nodes[1][a:b] if power > 0.0 else nodes[2][a:b]
        scale = 2.0 * power * (step if power > 0.0 else charge_step)
        ends = falls[k] * info[SPREAD], falls[k] / info[SPREAD]
        low, high = min(ends), max(ends)
        if info[ALL_MIN] <= power <= info[ALL_MAX] and high - low < 0.99:
            offset = int(np.floor(-low + 1e-6))
            _shifted_min(costs[k], power, scale, offset, nodes[0][a:b], resistance, row, start,
                         best)  # fmt: skip
        else:
            _checked_min(costs[k], power, scale, nodes[0][a:b], resistance, nodes[4][a:b],
                         nodes[3][a:b], row, start, best)  # fmt: skip


@njit(cache=True, error_model="numpy")
def _excess(shift):
    """Most that shifts to (first) or from (second) gear g2 cost beyond those of g1, (2, g1, g2)."""
    classes, gears, _ = shift.shape
    out = np.zeros((2, gears, gears))
    for c in range(classes):
        for g1 in range(gears):
            for g2 in range(gears):
                for h in range(gears):
                    if shift[c, h, g1] < np.inf:
                        out[0, g1, g2] = max(out[0, g1, g2], shift[c, h, g2] - shift[c, h, g1])
                    if shift[c, g1, h] < np.inf:
                        out[1, g1, g2] = max(out[1, g1, g2], shift[c, g2, h] - shift[c, g1, h])
    return out


@njit(cache=True, error_model="numpy")
def _drop_beaten(powers, costs, kept, count, falls, row, chunks, start, info, ref_cost, ref_fall,
                 best, detour):  # fmt: skip
    """Drop splits that another gear's reference beats by more than a detour through that gear.

    `row`, `ref_cost` and `ref_fall` belong to the other gear; V(gear) >= V(other) less the shifts.
    """
    middle = start + info[WIDTH] // 2
    covered, slopes = np.empty(2, dtype=np.int64), np.empty(2)
    left = 0
    for j in range(count):
        k = kept[j]
        gain = costs[k] + _row_value(row, middle - falls[k]) - best - detour
        if gain > 1e-12:
            covered[0], covered[1] = 1 << 40, -1
            slopes[0], slopes[1] = np.inf, -np.inf
            gain = costs[k] - ref_cost - detour + _worst(chunks, start, info, falls[k], ref_fall,
                                                         covered, slopes)  # fmt: skip
        if not gain > 1e-12:
            kept[left] = k
            left += 1
    return left


@njit(cache=True, error_model="numpy")
def _block_values(list_power, list_cost, list_count, nodes, a, b, info, step, charge_step, after,
                  chunks, pad, detours, prune, best):  # fmt: skip
    """W of one engine class over a block: best[g, x] for points a to b - 1."""
    gears, size = list_power.shape
    start = pad + a
    falls, kept = np.empty((gears, size)), np.empty((gears, size), dtype=np.int64)
    count, ref = np.zeros(gears, dtype=np.int64), np.full(gears, -1)
    lead, lead_best = -1, np.inf
    for g in range(gears):
        count[g], ref[g], value = _prune(list_power[g], list_cost[g], list_count[g], after[g],
                                         chunks[g], start, info, step, charge_step, falls[g],
                                         kept[g])  # fmt: skip
        if value < lead_best:
            lead, lead_best = g, value
        if not prune:
            count[g] = list_count[g]
            for k in range(count[g]):
                kept[g, k] = k
    for g in range(gears):
        if prune and lead >= 0 and g != lead and info[SPREAD] < 2.0:
            r = ref[lead]
            count[g] = _drop_beaten(list_power[g], list_cost[g], kept[g], count[g], falls[g],
                                    after[lead], chunks[lead], start, info, list_cost[lead, r],
                                    falls[lead, r], lead_best, detours[g, lead])  # fmt: skip
        _split_values(list_power[g], list_cost[g], kept[g], count[g], falls[g], nodes, a, b, info,
                      step, charge_step, after[g], start, best[g, : b - a])  # fmt: skip


@njit(cache=True, error_model="numpy")
def _combine(best, list_count, shift, start_cost, value, a, b):
    """Minimum over next gear and engine state: V of a block from its W, best[class, gear, x]."""
    gears = shift.shape[1]
    for e in range(2):
        value[e, :, a:b] = np.inf
        for c in (OFF, RUNNING if e == 1 else STARTING):
            extra = start_cost if c == STARTING else 0.0
            for g2 in range(gears):
                if list_count[c, g2] == 0:
                    continue
                source = best[c, g2]
                for g in range(gears):
                    event = shift[c, g, g2] + extra
                    out = value[e, g, a:b]
                    for x in range(b - a):
                        total = source[x] + event
                        out[x] = total if total < out[x] else out[x]


@njit(cache=True, error_model="numpy")
def _pad_row(source, pad, floor_slope, row):
    """Copy a row of the value between its paddings."""
    points = source.size
    row[pad : pad + points] = source
    for i in range(pad):
        row[pad - 1 - i] = source[0] + floor_slope * (i + 1)
        row[pad + points + i] = source[points - 1]


@njit(cache=True)
def _blocks(points, pad):
    """Bounds of the blocks of SoC points; the edges of the window get narrow ones of their own.

    Near an edge the value's slope jumps to the penalty's (or to zero), which spoils pruning.
    """
    edge = min(pad, points // 2)
    inner = points - 2 * edge
    parts = (inner + BLOCK - 1) // BLOCK
    bounds = np.empty(parts + 3, dtype=np.int64)
    bounds[0], bounds[-1] = 0, points
    for i in range(parts + 1):
        bounds[1 + i] = edge + inner * i // max(parts, 1)
    return bounds


@njit(cache=True, parallel=True, error_model="numpy")
def _sweep(cost, power, count, dt, capacity, efficiency, spacing, floor_penalty, nodes, pad,
           shift, start_cost, prune, value, first, last):  # fmt: skip
    """Backward sweep from step last - 1 to first; `value[last]` is given.

    V_t(x,e,g) = min over e', g' of shift(g,g') + start(e,e') + W_t(x; g', class(e,e')),
    W_t(x; g', class) = min over splits u of cost_u + V_{t+1}(x - d_u(x), e', g').

    With `prune`, splits that cannot be optimal anywhere in a block of SoC points are left out:
    within a gear (`_prune`) and against the best gear (`_drop_beaten`). Both are exact.
    """
    gears, points, size = cost.shape[1], value.shape[3], cost.shape[3]
    floor_slope = floor_penalty * spacing
    away = np.zeros((gears, gears))
    if last < cost.shape[0]:
        away = _excess(shift[last])[1]
    bounds = _blocks(points, pad)
    widest = 0
    for block in range(bounds.size - 1):
        widest = max(widest, bounds[block + 1] - bounds[block])
    chunks = np.empty((2, gears, 2, (points + 2 * pad + CHUNK - 2) // CHUNK))
    after = np.empty((2, gears, points + 2 * pad))
    list_power, list_cost = np.empty((3, gears, size)), np.empty((3, gears, size))
    list_count = np.zeros((3, gears), dtype=np.int64)
    for t in range(last - 1, first - 1, -1):
        step = dt[t] / (capacity * spacing)
        charge_step = step * efficiency
        lowest, highest = 0.0, 0.0
        for e in range(2):
            for g in range(gears):
                _pad_row(value[t + 1, e, g], pad, floor_slope, after[e, g])
                _chunk_slopes(after[e, g], chunks[e, g, 0], chunks[e, g, 1])
        for c in range(3):
            for g in range(gears):
                n = 0
                for k in range(count[t, g, c]):
                    if cost[t, g, c, k] < np.inf:
                        watts = power[t, g, c, k]
                        list_power[c, g, n], list_cost[c, g, n] = watts, cost[t, g, c, k]
                        lowest, highest = min(lowest, watts), max(highest, watts)
                        n += 1
                list_count[c, g] = n
        excess = _excess(shift[t])
        detours = excess[0] + away
        for block in prange(bounds.size - 1):
            a, b = bounds[block], bounds[block + 1]
            info = np.empty(INFO)
            _block_info(nodes, a, b, lowest, highest, info)
            best = np.empty((3, gears, widest))
            for c in range(3):
                _block_values(list_power[c], list_cost[c], list_count[c], nodes, a, b, info, step,
                              charge_step, after[min(c, 1)], chunks[min(c, 1)], pad, detours, prune,
                              best[c])  # fmt: skip
            _combine(best, list_count, shift[t], start_cost, value[t], a, b)
        away = excess[1]
