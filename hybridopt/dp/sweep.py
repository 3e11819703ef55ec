"""Backward sweep of the cost-to-go in numba, with exact pruning of torque splits.

The kernels live together because numba's cache does not notice edits across files. SoC is
counted in grid cells: a split's `fall` is how many cells SoC falls in the step, and a `slope` is
the loss of value per cell. Rows of the value are padded on both sides (flat above the window, by
the penalty below it), so that no position needs a check.
"""

import numpy as np
from numba import njit, prange

OFF, RUNNING, STARTING = 0, 1, 2
MANY = 3  # splits left from which a second, narrower look pays
# what is known of a block of SoC points, see dp/blocks.py
U_LOW, U_HIGH, D_LOW, D_HIGH, C_LOW, C_HIGH, ALL_MIN, ALL_MAX, ANY_MIN, ANY_MAX = range(10)


@njit(cache=True, error_model="numpy")
def _row_value(row, position):
    """Value of a padded row between its cells."""
    i = int(position)
    share = position - i
    return row[i] + (share * (row[i + 1] - row[i]) if share > 0.0 else 0.0)


@njit(cache=True, error_model="numpy")
def _difference_range(here, there, scratch):
    """Least and largest of here - there, by folding halves (in vector registers)."""
    n = here.size
    least, largest = scratch[0], scratch[1]
    for i in range(n):
        difference = here[i] - there[i]
        least[i], largest[i] = difference, difference
    while n > 1:
        half = (n + 1) // 2
        low, low_far = least[: n - half], least[half:n]
        high, high_far = largest[: n - half], largest[half:n]
        for i in range(n - half):
            low[i] = low_far[i] if low_far[i] < low[i] else low[i]
            high[i] = high_far[i] if high_far[i] > high[i] else high[i]
        n = half
    return least[0], largest[0]


@njit(cache=True, error_model="numpy")
def _slope_range(row, first, last, scratch):
    """Least and largest slope of the cells first to last."""
    return _difference_range(row[first : last + 1], row[first + 1 : last + 2], scratch)


@njit(cache=True, error_model="numpy")
def _falls(powers, n, info, step, charge_step, near, far):
    """Falls of all splits at the two extremes of a block's voltage and resistance.

    d = P step 2 / (U + sqrt(U^2 - 4 R P)) has the derivative step / sqrt(U^2 - 4 R P) with respect
    to P. Over the block that is least for the highest U with the lowest R (highest when charging)
    and largest for the other corner, at every P. So for any two splits the difference of
    their falls lies between the difference of `near` and that of `far`, at every point.
    """
    for k in range(n):
        power = powers[k]
        draws = power > 0.0
        scale = 2.0 * power * (step if draws else charge_step)
        u = info[U_HIGH]
        root = u * u - 4.0 * (info[D_LOW] if draws else info[C_HIGH]) * power
        near[k] = scale / (u + np.sqrt(max(root, 0.0)))
        u = info[U_LOW]
        root = u * u - 4.0 * (info[D_HIGH] if draws else info[C_LOW]) * power
        far[k] = scale / (u + np.sqrt(root)) if root > 0.0 else np.inf


@njit(cache=True, error_model="numpy")
def _reference(powers, costs, n, slope, info, near, far):
    """Split with the least cost + slope * fall among those allowed all over a block, or -1."""
    ref, best = -1, np.inf
    for k in range(n):
        total = costs[k] + slope * 0.5 * (near[k] + far[k])
        if total < best and info[ALL_MIN] <= powers[k] <= info[ALL_MAX]:
            ref, best = k, total
    return ref


@njit(cache=True, error_model="numpy")
def _raise_gains(costs, n, near, far, base, near_base, far_base, least, largest, gains):
    """Raise each split's proved loss against a reference: useless where it is above zero.

    V(x - d) - V(x - d_r) = s (d - d_r) for some slope s of the cells between the two landings.
    s is within [least, largest] and the difference within its two extremes, so
    m - m_r + V(x - d) - V(x - d_r) is at least m - m_r plus the least of the four products.
    """
    for k in range(n):
        a, b = near[k] - near_base, far[k] - far_base
        gain = min(min(least * a, least * b), min(largest * a, largest * b)) + costs[k] - base
        gains[k] = gain if gain > gains[k] else gains[k]


@njit(cache=True, error_model="numpy")
def _list_kept(powers, n, info, gains, kept):
    """List the splits that may be best somewhere in a block; return how many."""
    count = 0
    for k in range(n):
        if not gains[k] > 1e-12 and info[ANY_MIN] <= powers[k] <= info[ANY_MAX]:
            kept[count] = k
            count += 1
    return count


@njit(cache=True, error_model="numpy")
def _look_closer(costs, near, far, kept, count, ref, row, start, width, scratch):
    """Drop splits again, with the slopes of only those cells that the kept ones land in."""
    low, high = min(near[ref], far[ref]), max(near[ref], far[ref])
    for j in range(count):
        k = kept[j]
        low, high = min(low, near[k], far[k]), max(high, near[k], far[k])
    if not high < row.size:
        return count
    first, last = int(start - high - 1e-6), int(start + width - 1 - low + 1e-6)
    least, largest = _slope_range(row, first, min(last, row.size - 2), scratch)
    left = 0
    for j in range(count):
        k = kept[j]
        a, b = near[k] - near[ref], far[k] - far[ref]
        gain = min(min(least * a, least * b), min(largest * a, largest * b))
        if not gain + costs[k] - costs[ref] > 1e-12:
            kept[left] = k
            left += 1
    return left


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
        slope = ahead[x + 1] - here if share > 0.0 else here - behind[x]
        total = cost + here + (share * slope if share != 0.0 else 0.0)
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
def _split_values(powers, costs, kept, count, near, far, nodes, a, b, info, step, charge_step, row,
                  start, best):  # fmt: skip
    """Least over the kept splits of cost + value after the split, for points a to b - 1."""
    best[:] = np.inf
    for j in range(count):
        k = kept[j]
        power = powers[k]
        resistance = nodes[1][a:b] if power > 0.0 else nodes[2][a:b]
        scale = 2.0 * power * (step if power > 0.0 else charge_step)
        low, high = min(near[k], far[k]), max(near[k], far[k])
        if info[ALL_MIN] <= power <= info[ALL_MAX] and high - low < 0.99:
            offset = int(np.floor(-low + 1e-6))
            _shifted_min(costs[k], power, scale, offset, nodes[0][a:b], resistance, row, start,
                         best)  # fmt: skip
        else:
            _checked_min(costs[k], power, scale, nodes[0][a:b], resistance, nodes[4][a:b],
                         nodes[3][a:b], row, start, best)  # fmt: skip


@njit(cache=True, error_model="numpy")
def _dearest_switch(shift, start_cost, c, g, lead_class, lead):
    """Most that events of going to the lead's gear and class cost beyond those of going to g, c."""
    most = -np.inf
    for h in range(shift.shape[1]):
        if shift[c, h, g] < np.inf:
            most = max(most, shift[lead_class, h, lead] - shift[c, h, g])
    starts = (1.0 if lead_class == STARTING else 0.0) - (1.0 if c == STARTING else 0.0)
    return most + starts * start_cost


@njit(cache=True, error_model="numpy")
def _look(lists, count, after, a, width, pad, info, near, far, gains, refs, slopes, totals,
          scratch):  # fmt: skip
    """First look at every list: reference, its total at the middle, slopes, proved losses."""
    list_power, list_cost = lists
    middle = pad + a + width // 2
    last = min(a + width + 2 * pad, after.shape[2] - 1)
    for c in range(3):
        for g in range(after.shape[1]):
            row, n = after[min(c, 1), g], count[c, g]
            totals[c, g] = np.inf
            if n == 0:
                continue
            low, high = _slope_range(row, a, last - 1, scratch)
            slopes[c, g, 0], slopes[c, g, 1] = low, high
            slope = row[middle] - row[middle + 1]
            r = _reference(list_power[c, g], list_cost[c, g], n, slope, info, near[c, g],
                           far[c, g])  # fmt: skip
            fall = 0.5 * (near[c, g, r] + far[c, g, r])
            if r < 0 or not abs(fall) < pad:
                continue
            refs[c, g] = r
            totals[c, g] = list_cost[c, g, r] + _row_value(row, middle - fall)
            _raise_gains(list_cost[c, g], n, near[c, g], far[c, g], list_cost[c, g, r],
                         near[c, g, r], far[c, g, r], low, high, gains[c, g])  # fmt: skip


@njit(cache=True, error_model="numpy")
def _leads(totals, start_cost, leads):
    """Best gear of every class, and of what competes with it: (class, 2, class and gear)."""
    for c in range(3):
        best = 0
        for g in range(totals.shape[1]):
            if totals[c, g] < totals[c, best]:
                best = g
        leads[c, 0, 0], leads[c, 0, 1] = c, best
    off = leads[OFF, 0, 1]
    for c in range(3):
        extra = start_cost if c == STARTING else 0.0
        own = leads[c, 0, 1]
        beaten = totals[OFF, off] < totals[c, own] + extra
        leads[c, 1, 0], leads[c, 1, 1] = OFF if beaten else c, off if beaten else own


@njit(cache=True, error_model="numpy")
def _compare_with_leads(lists, count, after, a, width, pad, shift, start_cost, near, far, gains,
                        refs, slopes, leads, scratch):  # fmt: skip
    """Raise proved losses against the best gear of the class, and against the engine off.

    With V the value in the split's own gear and engine state and V_r in the lead's,
    V(x - d) >= V_r(x - d) + D, D the least difference of the two rows over all cells in reach.
    """
    list_cost = lists[1]
    last = min(a + width + 2 * pad, after.shape[2] - 1)
    for c in range(3):
        for g in range(after.shape[1]):
            for which in range(2):
                lead_class, lead = leads[c, which, 0], leads[c, which, 1]
                r = refs[lead_class, lead]
                own = lead_class == c and lead == g
                if count[c, g] == 0 or r < 0 or own or (which == 1 and lead_class == c):
                    continue
                row, lead_row = after[min(c, 1), g], after[min(lead_class, 1), lead]
                base = _dearest_switch(shift, start_cost, c, g, lead_class, lead)
                base += list_cost[lead_class, lead, r]
                base -= _difference_range(row[a : last + 1], lead_row[a : last + 1], scratch)[0]
                low, high = slopes[lead_class, lead, 0], slopes[lead_class, lead, 1]
                _raise_gains(list_cost[c, g], count[c, g], near[c, g], far[c, g], base,
                             near[lead_class, lead, r], far[lead_class, lead, r], low, high,
                             gains[c, g])  # fmt: skip


@njit(cache=True, error_model="numpy")
def _block_values(lists, count, nodes, a, b, info, step, charge_step, after, pad, shift,
                  start_cost, prune, best, used):  # fmt: skip
    """W of every class and gear over a block, best[c, g, x] for points a to b - 1, where used.

    Returns how many pairs of a split and a point were looked at.
    """
    list_power, list_cost = lists
    classes, gears, size = list_power.shape
    start, width = pad + a, b - a
    near, far = np.empty((3, gears, size)), np.empty((3, gears, size))
    gains, kept = np.zeros((3, gears, size)), np.empty(size, dtype=np.int64)
    refs, leads = np.empty((3, gears), dtype=np.int64), np.empty((3, 2, 2), dtype=np.int64)
    slopes, totals = np.empty((3, gears, 2)), np.empty((3, gears))
    scratch = np.empty((2, width + 2 * pad + 1))
    for c in range(classes):
        for g in range(gears):
            refs[c, g] = -1
            _falls(list_power[c, g], count[c, g], info, step, charge_step, near[c, g], far[c, g])
    if prune:
        _look(lists, count, after, a, width, pad, info, near, far, gains, refs, slopes, totals,
              scratch)  # fmt: skip
        _leads(totals, start_cost, leads)
        _compare_with_leads(lists, count, after, a, width, pad, shift, start_cost, near, far,
                            gains, refs, slopes, leads, scratch)  # fmt: skip
    looked_at = 0
    for c in range(classes):
        for g in range(gears):
            n = _list_kept(list_power[c, g], count[c, g], info, gains[c, g], kept)
            row = after[min(c, 1), g]
            if refs[c, g] >= 0 and n > MANY:
                n = _look_closer(list_cost[c, g], near[c, g], far[c, g], kept, n, refs[c, g], row,
                                 start, width, scratch)  # fmt: skip
            used[c, g] = n > 0
            looked_at += n * width
            if n > 0:
                _split_values(list_power[c, g], list_cost[c, g], kept, n, near[c, g], far[c, g],
                              nodes, a, b, info, step, charge_step, row, start,
                              best[c, g])  # fmt: skip
    return looked_at


@njit(cache=True, error_model="numpy")
def _combine(best, used, shift, start_cost, out):
    """Minimum over next gear and engine state: V of a block from its W, best[class, gear, x]."""
    gears, width = out.shape[1], out.shape[2]
    for e in range(2):
        for g in range(gears):
            out[e, g, :] = np.inf
        for c in (OFF, RUNNING if e == 1 else STARTING):
            extra = start_cost if c == STARTING else 0.0
            for g2 in range(gears):
                if not used[c, g2]:
                    continue
                source = best[c, g2]
                for g in range(gears):
                    event = shift[c, g, g2] + extra
                    least = out[e, g]
                    for x in range(width):
                        total = source[x] + event
                        least[x] = total if total < least[x] else least[x]


@njit(cache=True, error_model="numpy")
def _pad_rows(rows, pad, floor_slope):
    """Fill the paddings of all rows: by the penalty below the window, flat above."""
    points = rows.shape[2] - 2 * pad
    for e in range(rows.shape[0]):
        for g in range(rows.shape[1]):
            row = rows[e, g]
            for i in range(pad):
                row[pad - 1 - i] = row[pad] + floor_slope * (i + 1)
                row[pad + points + i] = row[pad + points - 1]


@njit(cache=True, error_model="numpy")
def _list_splits(cost, power, count, list_cost, list_power, list_count):
    """Gather the admissible splits of a step by engine class and gear."""
    for c in range(3):
        for g in range(cost.shape[0]):
            n = 0
            for k in range(count[g, c]):
                if cost[g, c, k] < np.inf:
                    list_power[c, g, n], list_cost[c, g, n] = power[g, c, k], cost[g, c, k]
                    n += 1
            list_count[c, g] = n


@njit(cache=True, error_model="numpy")
def _store(values, offset, out):
    """Copy values less an offset (plain loops: array assignment takes seconds to compile)."""
    for e in range(values.shape[0]):
        for g in range(values.shape[1]):
            for x in range(values.shape[2]):
                out[e, g, x] = values[e, g, x] - offset


@njit(cache=True, parallel=True, error_model="numpy")
def _sweep(cost, power, count, dt, battery_step, efficiency, floor_slope, nodes, pad, bounds,
           facts, reach, shift, start_cost, prune, rows, value, offset, looked_at):  # fmt: skip
    """Backward sweep over a part of the steps.

    V_t(x,e,g) = min over e', g' of shift(g,g') + start(e,e') + W_t(x; g', class(e,e')),
    W_t(x; g', class) = min over splits u of cost_u + V_{t+1}(x - d_u(x), e', g').

    `rows` (2, 2, gears, padded points) holds V after the part in rows[0] and gets V before it
    there; `value` (steps + 1, 2, gears, points) gets V less `offset`, rounded to its type;
    `looked_at` (blocks,) is raised by the pairs of split and point looked at. Blocks outside
    `reach` (steps, 2) are left out. With `prune`, so are splits that cannot be optimal anywhere in
    a block: within a gear and class, against the best gear, against the engine off. All exact.
    """
    steps, gears, size, points = cost.shape[0], cost.shape[1], cost.shape[3], value.shape[3]
    list_power, list_cost = np.empty((3, gears, size)), np.empty((3, gears, size))
    list_count = np.zeros((3, gears), dtype=np.int64)
    _pad_rows(rows[0], pad, floor_slope)
    _store(rows[0, :, :, pad : pad + points], offset, value[steps])
    for back in range(steps):
        t, after, now = steps - 1 - back, rows[back % 2], rows[(back + 1) % 2]
        step = dt[t] * battery_step
        _list_splits(cost[t], power[t], count[t], list_cost, list_power, list_count)
        for block in prange(bounds.size - 1):
            a, b = bounds[block], bounds[block + 1]
            out = now[:, :, pad + a : pad + b]
            if reach[t, 1] < a or reach[t, 0] >= b:
                _store(after[:, :, pad + a : pad + b], 0.0, out)
                continue
            best, used = np.empty((3, gears, b - a)), np.empty((3, gears), dtype=np.bool_)
            looked_at[block] += _block_values(
                (list_power, list_cost), list_count, nodes, a, b, facts[block], step,
                step * efficiency, after, pad, shift[t], start_cost, prune, best,
                used)  # fmt: skip
            _combine(best, used, shift[t], start_cost, out)
            _store(out, offset, value[t, :, :, a:b])
        _pad_rows(now, pad, floor_slope)
    if steps % 2 == 1:
        _store(rows[1], 0.0, rows[0])
