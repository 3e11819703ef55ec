"""Hulls, boxes, stage costs and multipliers for the proved lower limit on a device; see bound.py.

All is in float64, by the kernels of bound_kernels.py; boxes are those of boxes.py, with one wide
box for all steps, and powers of a step are rounded outwards, as the sweep's lists are in float32.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

from numba import cuda, float64, int32, int64

from ..base.device_kernels import device_kernel
from ..physics.battery import _root_current, _root_voltage
from ..physics.interpolation import _interp
from .bound_kernels import B_BEND, B_CHARGE, B_DISCHARGE, B_HIGH, B_LOW, B_VOLTAGE, _drain, _stage
from .device_layout import (
    F_LOW,
    F_PENALTY,
    F_SOC,
    F_TOP,
    N_DT,
    N_GEARS,
    N_LISTS,
    N_PATH,
    N_STEPS,
    N_TRACK,
)
from .device_lists import _insert

BOXES = 32  # sub-boxes of the window, one for each thread that looks at a list
WIDE, BOX_ROWS = BOXES, BOXES + 1  # row of the box that holds all; rows
OUTWARDS = 1e-6  # of a power: what its rounding to float32 may take off
NEVER = 1e15
CONTACTS = 2e-4, 5e-3  # see bound.py
LOW_FACTOR, HIGH_FACTOR, HALVINGS = 1e-9, 1e-1, 40  # g/J, of the search for a median
W_RISE, W_DROP, W_GUESS, W_FACTOR, W_SIZE = range(5)  # rows of work, (steps,) each


@device_kernel()
def _find_hulls(first, length, cost, power, hull_power, hull_cost, count):
    """Fill every list's lower hull of (power, cost), and behind it the unpowered motor.

    One thread for a list; hulls lie where the lists do. `count` gets the points of the hull, plus
    65536 where the unpowered motor follows.
    """
    row = cuda.grid(1)
    if row >= first.size:
        return
    begin, end = first[row], first[row]
    for k in range(begin + 1, begin + length[row]):
        m, p = cost[k], power[k]
        if not m < math.inf:
            continue
        _insert(hull_power, hull_cost, begin, end, (p, m))
        end += 1
    used = begin
    for i in range(begin, end):
        p, m = hull_power[i], hull_cost[i]
        if used > begin and m >= hull_cost[used - 1]:
            continue
        while used > begin + 1 and (hull_cost[used - 1] - hull_cost[used - 2]) * (
            p - hull_power[used - 2]
        ) >= (m - hull_cost[used - 2]) * (hull_power[used - 1] - hull_power[used - 2]):
            used -= 1
        hull_power[used], hull_cost[used] = p, m
        used += 1
    lone = 0
    if length[row] > 0 and cost[begin] < math.inf:
        hull_power[used], hull_cost[used] = power[begin], cost[begin]
        lone = 65536
    count[row] = int32(used - begin + lone)


@cuda.jit(device=True)
def _energy(cell, soc):
    """Energy stored up to a SoC, J, as battery.stored_energy."""
    area, n = 0.0, cell.soc.size
    i = 0
    while i < n - 2 and cell.soc[i + 1] <= soc:
        area += 0.5 * (cell.soc[i + 1] - cell.soc[i]) * (cell.voltage[i + 1] + cell.voltage[i])
        i += 1
    past = soc - cell.soc[i]
    slope = (cell.voltage[i + 1] - cell.voltage[i]) / (cell.soc[i + 1] - cell.soc[i])
    return cell.capacity * (area + past * (cell.voltage[i] + 0.5 * slope * past))


@cuda.jit(device=True)
def _extremes(cell, low, high):
    """Range of voltage, of discharge resistance, and lowest charge resistance between two SoCs."""
    a, b = _interp(cell.soc, cell.voltage, low), _interp(cell.soc, cell.voltage, high)
    least, most = min(a, b), max(a, b)
    a, b = _interp(cell.soc, cell.discharge, low), _interp(cell.soc, cell.discharge, high)
    out_least, out_most = min(a, b), max(a, b)
    into = min(_interp(cell.soc, cell.charge, low), _interp(cell.soc, cell.charge, high))
    for i in range(cell.soc.size):
        if low < cell.soc[i] < high:
            least, most = min(least, cell.voltage[i]), max(most, cell.voltage[i])
            out_least = min(out_least, cell.discharge[i])
            out_most = max(out_most, cell.discharge[i])
            into = min(into, cell.charge[i])
    return least, most, out_least, out_most, into


@cuda.jit(device=True)
def _fill_box(cell, low, high, step, power, box):
    """Fill the row of a box, as boxes._box; `power` is the highest of all steps."""
    least, most, out_least, out_most, into = _extremes(cell, low, high)
    rise = 0.0
    for i in range(cell.soc.size - 1):
        if cell.soc[i + 1] > low - step and cell.soc[i] < high + step:
            slope = (cell.voltage[i + 1] - cell.voltage[i]) / (cell.soc[i + 1] - cell.soc[i])
            rise = max(rise, slope)
    ratio = most / least
    worst = _root_voltage(least, out_most, power)
    if worst <= least:
        ratio *= 2.0
    else:
        ratio = max(ratio, _root_voltage(most, out_least, power) / worst)
    box[B_LOW], box[B_HIGH] = _energy(cell, low), _energy(cell, high)
    box[B_VOLTAGE], box[B_DISCHARGE], box[B_CHARGE] = most, out_least, into
    box[B_BEND] = 0.5 * rise / cell.capacity * ratio * ratio


@cuda.jit(device=True)
def _over_box(hull, seconds, weight, change, box, efficiency, begin):
    """Lowest cost + weight * drain + change * z in a box: that, its drain and z, and the corner."""
    power, cost, n, lone = hull
    total, watts, corner = math.inf, 0.0, begin
    if n > 0:
        total, watts, corner = _stage(power[:n], cost[:n], begin, seconds, weight, box, efficiency)
    if lone:
        alone = cost[n] + weight * _drain(power[n], seconds, box, efficiency)
        if alone < total:
            total, watts = alone, power[n]
    z = box[B_LOW] if change >= 0.0 else box[B_HIGH]
    return total + change * z, watts, z, corner


@cuda.jit(device=True)
def _first_corner(hull, slope):
    """Hull point behind which cost falls by less than a slope with power."""
    power, cost, n, _ = hull
    low, high = 0, max(n - 1, 0)
    while low < high:
        middle = (low + high) // 2
        if cost[middle] - cost[middle + 1] > slope * (power[middle + 1] - power[middle]):
            low = middle + 1
        else:
            high = middle
    return low


@cuda.jit(device=True)
def _hull_of(hulls, place):
    """Power and cost of a list's hull, how many points, and whether the unpowered motor follows."""
    hull_power, hull_cost, first, count = hulls
    begin, n = first[place], count[place]
    lone = n >= 65536
    n = n & 65535
    return hull_power[begin : begin + n + 1], hull_cost[begin : begin + n + 1], n, lone


@cuda.jit(device=True)
def _over_block(terms, term, largest):
    """Largest of a number over the block, or its sum."""
    thread, half = cuda.threadIdx.x, cuda.blockDim.x // 2
    cuda.syncthreads()
    terms[thread] = term
    while half > 0:
        cuda.syncthreads()
        if thread < half:
            other = terms[thread + half]
            terms[thread] = max(terms[thread], other) if largest else terms[thread] + other
        half //= 2
    cuda.syncthreads()
    return terms[0]


@cuda.jit(device=True)
def _geometry(problem, real, cell, lists, dt, work, reach, boxes, end, terms):
    """Fill the boxes and the range of them that each step can reach."""
    first, count, power = lists
    thread, threads, steps = cuda.threadIdx.x, cuda.blockDim.x, problem[N_STEPS]
    per_step, at = problem[N_GEARS] * 3, problem[N_TRACK]
    least, _, _, out_most, _ = _extremes(cell, real[F_LOW], real[F_TOP])
    step, highest = 0.0, 0.0
    for t in range(thread, steps, threads):
        low, high = 0.0, 0.0
        for i in range(per_step):
            place = problem[N_LISTS] + t * per_step + i
            if count[place] > 0:
                low = min(low, float64(power[first[place]]))
                high = max(high, float64(power[first[place] + count[place] - 1]))
        low, high = low * (1.0 + OUTWARDS), high * (1.0 + OUTWARDS)
        scale = dt[problem[N_DT] + t] / cell.capacity
        work[W_RISE, at + t] = -low / least * scale
        work[W_DROP, at + t] = _root_current(least, out_most, high) * scale
        step = max(step, max(work[W_RISE, at + t], work[W_DROP, at + t]))
        highest = max(highest, high)
    step, highest = _over_block(terms, step, True), _over_block(terms, highest, True)
    width = (real[F_TOP] - real[F_LOW]) / BOXES
    if thread == 0:
        low, high = real[F_SOC], real[F_SOC]
        for t in range(steps):
            a = int64(math.floor((low - 1e-9 - real[F_LOW]) / width))
            b = int64(math.floor((high + 1e-9 - real[F_LOW]) / width))
            reach[0, at + t] = min(max(a, 0), BOXES - 1)
            reach[1, at + t] = min(max(b, 0), BOXES - 1)
            low -= work[W_DROP, at + t]
            high += work[W_RISE, at + t]
        if real[F_PENALTY] > 0.0:
            low = end
            for back in range(steps):
                t = steps - 1 - back
                low -= work[W_RISE, at + t]
                a = int64(math.floor((low - 1e-9 - real[F_LOW]) / width))
                a = min(max(a, 0), BOXES - 1)
                if a > reach[0, at + t]:
                    reach[0, at + t] = min(a, reach[1, at + t])
    cuda.syncthreads()
    for j in range(thread, BOX_ROWS, threads):
        a, b = j, j + 1
        if j == WIDE:
            a, b = BOXES, 0
            for t in range(steps):
                a, b = min(a, reach[0, at + t]), max(b, reach[1, at + t] + 1)
        _fill_box(cell, real[F_LOW] + a * width, real[F_LOW] + b * width, step, highest, boxes[j])
    cuda.syncthreads()


@cuda.jit(device=True)
def _inner(cell, soc, watts):
    """Power out of the store at a SoC, as battery.inner_power."""
    voltage = _interp(cell.soc, cell.voltage, soc)
    table = cell.discharge if watts > 0.0 else cell.charge
    current = _root_current(voltage, _interp(cell.soc, table, soc), watts)
    return voltage * current * (cell.efficiency if watts < 0.0 else 1.0)


@cuda.jit(device=True)
def _touches(real, soc, contact):
    return soc < real[F_LOW] + contact or soc > real[F_TOP] - contact


@cuda.jit(device=True)
def _guess(problem, real, cell, dt, run, work, reach):
    """Fill W_GUESS: the run's costate, smoothed over arcs between contacts with SoC limits.

    As bound.guesses; reach[2] holds where arcs begin.
    """
    path, costate = run
    thread, threads, steps = cuda.threadIdx.x, cuda.blockDim.x, problem[N_STEPS]
    at, soc_at = problem[N_TRACK], problem[N_PATH]
    for t in range(thread, steps, threads):
        soc, after = path[soc_at + t], path[soc_at + t + 1]
        charge = cell.capacity * (soc - after)
        current = charge / dt[problem[N_DT] + t] / (cell.efficiency if charge < 0.0 else 1.0)
        voltage = _interp(cell.soc, cell.voltage, soc)
        table = cell.discharge if current > 0.0 else cell.charge
        watts = (voltage - _interp(cell.soc, table, soc) * current) * current
        change = _inner(cell, soc + 2e-3, watts) - _inner(cell, soc - 2e-3, watts)
        ratio = 1.0 - change * dt[problem[N_DT] + t] / (4e-3 * cell.capacity * voltage)
        work[W_GUESS, at + t] = min(max(ratio, 0.5), 2.0)
        begins = 0
        for contact in CONTACTS:
            if t > 0 and _touches(real, soc, contact) and not _touches(real, after, contact):
                begins = 1
        reach[2, at + t] = begins
    cuda.syncthreads()
    if thread == 0:
        shape = 1.0
        for back in range(steps):
            ratio = work[W_GUESS, at + steps - 1 - back]
            work[W_GUESS, at + steps - 1 - back] = shape
            shape *= ratio
    cuda.syncthreads()
    for t in range(thread, steps, threads):
        energy = cell.capacity * _interp(cell.soc, cell.voltage, path[soc_at + t + 1])
        known = costate[at + t]
        usable = 0.0 < known < NEVER
        work[W_FACTOR, at + t] = known / energy / work[W_GUESS, at + t] if usable else 0.0
    cuda.syncthreads()
    begin = 0
    while begin < steps:
        end = begin + 1
        while end < steps and reach[2, at + end] == 0:
            end += 1
        low, high = LOW_FACTOR, HIGH_FACTOR
        for _ in range(HALVINGS):
            middle, below = math.sqrt(low * high), 0
            for base in range(begin, end, threads):
                t = base + thread
                less = 1 if t < end and work[W_FACTOR, at + t] < middle else 0
                below += cuda.syncthreads_count(int32(less))
            if 2 * below < end - begin:
                low = middle
            else:
                high = middle
        for t in range(begin + thread, end, threads):
            work[W_GUESS, at + t] *= low
        begin = end
    cuda.syncthreads()
