"""Numba kernels of one list of torque splits over a block of SoC points: drops, bounds, value.

SoC is counted in grid cells: a split's `drop` is how many cells SoC goes down in the step (up where
it is negative), and a `slope` is the loss of value per cell. Rows of the value are padded on both
sides, so that no position needs a check.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _root_voltage

# what is known of a block of SoC points, see dp/blocks.py
U_LOW, U_HIGH, D_LOW, D_HIGH, C_LOW, C_HIGH, ALL_MIN, ALL_MAX, ANY_MIN, ANY_MAX = range(10)


class Splits(NamedTuple):
    """The admissible splits of one gear and engine class over a block of SoC points.

    Attributes
    ----------
    power, cost : W and g, (splits,)
    near, far : SoC drop at the two extremes of the block's voltage and resistance, grid cells,
        (splits,); see `_drops`
    spread : g, how much more a split may cost somewhere in the block, (splits,)
    """

    power: Any
    cost: Any
    near: Any
    far: Any
    spread: Any


class Block(NamedTuple):
    """A block of SoC points and the battery there.

    Attributes
    ----------
    first : number of its first point
    start : place of that point in the padded rows
    facts : (10,), see :func:`hybridopt.dp.blocks.block_facts`
    voltage, discharge, charge, power_max, power_min : V, ohm and W, (points of the block,)
    """

    first: Any
    start: Any
    facts: Any
    voltage: Any
    discharge: Any
    charge: Any
    power_max: Any
    power_min: Any


class Rates(NamedTuple):
    """Grid cells that SoC drops in a step per ampere out of the battery, and into it."""

    out: float
    into: float


@kernel
def _row_value(row, position):
    """Value of a padded row between its cells."""
    i = int(position)
    share = position - i
    return row[i] + (share * (row[i + 1] - row[i]) if share > 0.0 else 0.0)


@kernel
def _min_of(values, n):
    """Minimum of the first values, by folding halves (in vector registers); they are spoilt."""
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
def _min_difference(here, there, scratch):
    """Minimum of here - there, where not both are infinite."""
    n, lowest = here.size, scratch[0]
    half = (n + 1) // 2
    here_far, there_far = here[half:], there[half:]
    lowest[half - 1] = _or_infinite(here[half - 1] - there[half - 1])
    for i in range(n - half):
        difference = _or_infinite(here[i] - there[i])
        far = _or_infinite(here_far[i] - there_far[i])
        lowest[i] = far if far < difference else difference
    return _min_of(lowest, half)


@kernel
def _slope_range(row, first, last, scratch):
    """Lowest and highest slope of the cells first to last, of those without two infinite ends."""
    n = last + 1 - first
    half = (n + 1) // 2
    near, far, lowest, negated = row[first:], row[first + half :], scratch[0], scratch[1]
    one = near[half - 1] - near[half]
    lowest[half - 1], negated[half - 1] = _or_infinite(one), _or_infinite(-one)
    for i in range(n - half):
        one, other = near[i] - near[i + 1], far[i] - far[i + 1]
        a, b = _or_infinite(one), _or_infinite(other)
        lowest[i] = b if b < a else a
        a, b = _or_infinite(-one), _or_infinite(-other)
        negated[i] = b if b < a else a
    return _min_of(lowest, half), -_min_of(negated, half)


@kernel
def _drops(splits, facts, rates):
    """Fill SoC drops of all splits at the two extremes of a block's voltage and resistance.

    d = 2 P rate / (U + sqrt(U^2 - 4 R P)) has the derivative rate / sqrt(U^2 - 4 R P) with respect
    to P. Over the block that is lowest for the highest U with the lowest R (highest when charging)
    and highest for the other corner, at every P. So for any two splits the difference of their
    drops lies between the difference of `near` and that of `far`, at every point. Where the far
    corner cannot give the power, `far` is infinite.
    """
    for k in range(splits.power.size):
        power = splits.power[k]
        draws = power > 0.0
        scale = 2.0 * power * (rates.out if draws else rates.into)
        resistance = facts[D_LOW] if draws else facts[C_HIGH]
        splits.near[k] = scale / _root_voltage(facts[U_HIGH], resistance, power)
        root = _root_voltage(facts[U_LOW], facts[D_HIGH] if draws else facts[C_LOW], power)
        splits.far[k] = scale / root if root > facts[U_LOW] else np.inf


@kernel
def _reference(splits, slope, facts):
    """Split with the lowest cost + slope * drop among those allowed all over a block, or -1."""
    reference, best = -1, np.inf
    for k in range(splits.power.size):
        total = splits.cost[k] + slope * 0.5 * (splits.near[k] + splits.far[k])
        if total < best and facts[ALL_MIN] <= splits.power[k] <= facts[ALL_MAX]:
            reference, best = k, total
    return reference


@kernel
def _raise_losses(splits, cost, near, far, slope_min, slope_max, losses):
    """Raise each split's proved loss against a reference: useless where it is above zero.

    The reference has a cost and SoC drops `near` and `far`. V(x - d) - V(x - d_r) = s (d - d_r)
    for some slope s of the cells between the two landings. s is within [slope_min, slope_max] and
    the difference within its two extremes, so m - m_r + V(x - d) - V(x - d_r) is at least m - m_r
    plus the lowest of the four products.
    """
    for k in range(splits.power.size):
        a, b = splits.near[k] - near, splits.far[k] - far
        change = min(min(slope_min * a, slope_min * b), min(slope_max * a, slope_max * b))
        loss = change + splits.cost[k] - cost
        losses[k] = loss if loss > losses[k] else losses[k]


@kernel
def _is_left(losses, n):
    """Whether any of the first splits may still be best."""
    for k in range(n):
        if not losses[k] > 1e-12:
            return True
    return False


@kernel
def _list_kept(splits, facts, losses, kept):
    """List the splits that may be best somewhere in a block; return how many."""
    count = 0
    for k in range(splits.power.size):
        if not losses[k] > 1e-12 and facts[ANY_MIN] <= splits.power[k] <= facts[ANY_MAX]:
            kept[count] = k
            count += 1
    return count


@kernel
def _look_closer(splits, kept, count, reference, row, block, scratch):
    """Drop splits again, with the slopes of only those cells that the kept ones land in."""
    near, far = splits.near[reference], splits.far[reference]
    cost = splits.cost[reference] + splits.spread[reference]
    low, high = min(near, far), max(near, far)
    for j in range(count):
        k = kept[j]
        low = min(low, splits.near[k], splits.far[k])
        high = max(high, splits.near[k], splits.far[k])
    if not high < row.size:
        return count
    end = block.start + block.voltage.size - 1
    first, last = int(block.start - high - 1e-6), int(end - low + 1e-6)
    slope_min, slope_max = _slope_range(row, first, min(last, row.size - 2), scratch)
    left = 0
    for j in range(count):
        k = kept[j]
        a, b = splits.near[k] - near, splits.far[k] - far
        change = min(min(slope_min * a, slope_min * b), min(slope_max * a, slope_max * b))
        if not change + splits.cost[k] - cost > 1e-12:
            kept[left] = k
            left += 1
    return left


@kernel
def _shifted_min(cost, power, scale, offset, voltage, resistance, row, start, best):
    """Lower best[x] to cost + value where point x lands, all over a block.

    Every landing lies within one cell of `offset` beside its point, so the loop reads neighbours
    of one shifted row, needs no gather and runs in vector registers.
    """
    ahead = row[start + offset : start + offset + best.size + 1]
    behind = row[start + offset - 1 : start + offset + best.size]
    for x in range(best.size):
        drop = scale / _root_voltage(voltage[x], resistance[x], power)
        share = -drop - offset
        here = ahead[x]
        slope = ahead[x + 1] - here if share > 0.0 else here - behind[x]
        total = cost + here + (share * slope if share != 0.0 else 0.0)
        best[x] = total if total < best[x] else best[x]


@kernel
def _checked_min(cost, power, scale, block, resistance, row, best):
    """As `_shifted_min` for any drop, minding the battery limits point by point."""
    for x in range(best.size):
        if block.power_min[x] <= power <= block.power_max[x]:
            drop = scale / _root_voltage(block.voltage[x], resistance[x], power)
            best[x] = min(best[x], cost + _row_value(row, block.start + x - drop))


@kernel
def _lower_to_split(cost, power, drops, block, rates, row, best):
    """Lower best[x] to cost + value after one split, for all points; `drops` are near and far."""
    resistance = block.discharge if power > 0.0 else block.charge
    scale = 2.0 * power * (rates.out if power > 0.0 else rates.into)
    low, high = min(drops[0], drops[1]), max(drops[0], drops[1])
    if block.facts[ALL_MIN] <= power <= block.facts[ALL_MAX] and high - low < 0.99:
        offset = int(np.floor(-low + 1e-6))
        _shifted_min(cost, power, scale, offset, block.voltage, resistance, row, block.start, best)
    else:
        _checked_min(cost, power, scale, block, resistance, row, best)


@kernel
def _split_values(splits, kept, count, block, rates, row, best):
    """Fill the minimum over the kept splits of cost + value after the split, for all points."""
    best[:] = np.inf
    for j in range(count):
        k = kept[j]
        drops = splits.near[k], splits.far[k]
        _lower_to_split(splits.cost[k], splits.power[k], drops, block, rates, row, best)
