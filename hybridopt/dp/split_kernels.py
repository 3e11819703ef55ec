"""Numba kernels of one list of torque splits over a block of SoC points: falls, bounds, value.

SoC is counted in grid cells: a split's `fall` is how many cells SoC falls in the step, and a
`slope` is the loss of value per cell. Rows of the value are padded on both sides, so that no
position needs a check. Clear numba's cache after edits: `sweep.py` calls these.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel

# what is known of a block of SoC points, see dp/blocks.py
U_LOW, U_HIGH, D_LOW, D_HIGH, C_LOW, C_HIGH, ALL_MIN, ALL_MAX, ANY_MIN, ANY_MAX = range(10)


@kernel
def _row_value(row, position):
    """Value of a padded row between its cells."""
    i = int(position)
    share = position - i
    return row[i] + (share * (row[i + 1] - row[i]) if share > 0.0 else 0.0)


@kernel
def _least_of(values, n):
    """Least of the first values, by folding halves (in vector registers); they are spoilt."""
    while n > 1:
        half = (n + 1) // 2
        low, far = values[: n - half], values[half:n]
        for i in range(n - half):
            low[i] = far[i] if far[i] < low[i] else low[i]
        n = half
    return values[0]


@kernel
def _or_infinite(difference):
    """Infinity for inf - inf, which bears on nothing: whatever lands there is infinite anyway.

    Left as it is, a NaN would hide what it is compared with.
    """
    return difference if difference == difference else np.inf


@kernel
def _least_difference(here, there, scratch):
    """Least of here - there, where not both are infinite."""
    n, least = here.size, scratch[0]
    half = (n + 1) // 2
    here_far, there_far = here[half:], there[half:]
    least[half - 1] = _or_infinite(here[half - 1] - there[half - 1])
    for i in range(n - half):
        difference = _or_infinite(here[i] - there[i])
        far = _or_infinite(here_far[i] - there_far[i])
        least[i] = far if far < difference else difference
    return _least_of(least, half)


@kernel
def _slope_range(row, first, last, scratch):
    """Least and largest slope of the cells first to last, of those without two infinite ends."""
    n = last + 1 - first
    half = (n + 1) // 2
    near, far, least, fewest = row[first:], row[first + half :], scratch[0], scratch[1]
    one = near[half - 1] - near[half]
    least[half - 1], fewest[half - 1] = _or_infinite(one), _or_infinite(-one)
    for i in range(n - half):
        one, other = near[i] - near[i + 1], far[i] - far[i + 1]
        a, b = _or_infinite(one), _or_infinite(other)
        least[i] = b if b < a else a
        a, b = _or_infinite(-one), _or_infinite(-other)
        fewest[i] = b if b < a else a
    return _least_of(least, half), -_least_of(fewest, half)


@kernel
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


@kernel
def _reference(powers, costs, n, slope, info, near, far):
    """Split with the least cost + slope * fall among those allowed all over a block, or -1."""
    ref, best = -1, np.inf
    for k in range(n):
        total = costs[k] + slope * 0.5 * (near[k] + far[k])
        if total < best and info[ALL_MIN] <= powers[k] <= info[ALL_MAX]:
            ref, best = k, total
    return ref


@kernel
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


@kernel
def _is_left(gains, n):
    """Whether any split may still be best."""
    for k in range(n):
        if not gains[k] > 1e-12:
            return True
    return False


@kernel
def _list_kept(powers, n, info, gains, kept):
    """List the splits that may be best somewhere in a block; return how many."""
    count = 0
    for k in range(n):
        if not gains[k] > 1e-12 and info[ANY_MIN] <= powers[k] <= info[ANY_MAX]:
            kept[count] = k
            count += 1
    return count


@kernel
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


@kernel
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


@kernel
def _checked_min(cost, power, scale, voltage, resistance, power_min, power_max, row, start, best):
    """As `_shifted_min` for any fall, minding the battery limits point by point."""
    for x in range(best.size):
        if power_min[x] <= power <= power_max[x]:
            u = voltage[x]
            fall = scale / (u + np.sqrt(max(u * u - 4.0 * power * resistance[x], 0.0)))
            best[x] = min(best[x], cost + _row_value(row, start + x - fall))


@kernel
def _split_values(
    powers, costs, kept, count, near, far, nodes, a, b, info, step, charge_step, row, start, best
):
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
            _shifted_min(
                costs[k], power, scale, offset, nodes[0][a:b], resistance, row, start, best
            )
        else:
            _checked_min(
                costs[k],
                power,
                scale,
                nodes[0][a:b],
                resistance,
                nodes[4][a:b],
                nodes[3][a:b],
                row,
                start,
                best,
            )
