"""The proved lower limit on a device, a thread block for a problem; theorem and proof in bound.py.

What differs from there takes nothing from the proof: costs of shifts and moves, which a device
holds in float32, are rounded down, and multipliers keep to the run's costate times one scale. There
is no climb over arcs and no corridor, so the gap may be wider.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

from numba import cuda, float64, int32, int64

from ..base.device_kernels import device_kernel
from .bound_kernels import _drain
from .device_layout import (
    F_EFFICIENCY,
    F_SOC,
    F_TARGET,
    N_DT,
    N_GEARS,
    N_LISTS,
    N_PATH,
    N_ROWS,
    N_STAGES,
    N_STEPS,
    N_TRACK,
    PROVE_BLOCKS,
    PROVE_THREADS,
    SIMULATED,
    _cell_of,
)
from .device_paths import _lay_out, _shortest, _split_space
from .device_stages import (
    NEVER,
    W_GUESS,
    WIDE,
    _energy,
    _first_corner,
    _geometry,
    _guess,
    _hull_of,
    _over_block,
    _over_box,
)

TOGETHER = 4  # threads that look at the boxes of one list
ROUNDS, LOOKS = 16, 12  # passes of a look, and looks, at most
WANTED = 1e-4  # of the cost: gap at which no more looks are taken
STRIDE, GAIN, LARGEST = 1e-3, 3e-5, 1e3  # of the common scale, see ascent.py
P_BOUND, P_SCALE, P_LOOKS, P_FACTOR, P_SIZE = range(5)  # what is known of a bound
BOUNDS = {} if SIMULATED else {"launch_bounds": (PROVE_THREADS, PROVE_BLOCKS)}


@cuda.jit(device=True)
def _weights(problem, work, scale, t):
    """Multiplier after a step, and that before it less it; z is known before the first step."""
    weight = scale * work[W_GUESS, problem[N_TRACK] + t]
    if t == 0:
        return weight, 0.0
    return weight, scale * work[W_GUESS, problem[N_TRACK] + t - 1] - weight


@cuda.jit(device=True)
def _list_at(problem, ground, scale, row):
    """Hull of a list, its step's length, multiplier and change, and the corner where to begin."""
    hulls, dt, work, _, _, _ = ground
    t = row // (problem[N_GEARS] * 3)
    weight, change = _weights(problem, work, scale, t)
    hull, seconds = _hull_of(hulls, problem[N_LISTS] + row), dt[problem[N_DT] + t]
    return hull, seconds, weight, change, _first_corner(hull, weight * seconds)


@cuda.jit(device=True)
def _over_boxes(problem, ground, scale, row, scratch):
    """Stage cost of a list over all boxes of its step, and the lowest box.

    So many threads look at a list TOGETHER; all of the block come here, with row -1 for none.
    """
    _, _, _, boxes, reach, efficiency = ground
    totals, lowest = scratch
    thread, lane = cuda.threadIdx.x, cuda.threadIdx.x % TOGETHER
    best, box = math.inf, int64(0)
    if row >= 0:
        hull, seconds, weight, change, corner = _list_at(problem, ground, scale, row)
        at = problem[N_TRACK] + row // (problem[N_GEARS] * 3)
        for j in range(reach[0, at] + lane, reach[1, at] + 1, TOGETHER):
            total, _, _, corner = _over_box(
                hull, seconds, weight, change, boxes[j], efficiency, corner
            )
            if total < best:
                best, box = total, j
    totals[thread], lowest[thread] = best, box
    half = TOGETHER // 2
    while half > 0:
        cuda.syncthreads()
        if lane < half and totals[thread + half] < totals[thread]:
            totals[thread], lowest[thread] = totals[thread + half], lowest[thread + half]
        half //= 2
    cuda.syncthreads()
    best, box = totals[thread - lane], lowest[thread - lane]
    cuda.syncthreads()
    return best, box


@cuda.jit(device=True)
def _take_boxes(problem, ground, scale, room, first, scratch):
    """Take all boxes for the lists in line from the first on."""
    stage, _, line, count = room
    thread, base = cuda.threadIdx.x, problem[N_STAGES]
    last = count[0]
    for begin in range(first, last, cuda.blockDim.x // TOGETHER):
        place = begin + thread // TOGETHER
        row = line[base + place] if place < last else -1
        total, _ = _over_boxes(problem, ground, scale, row, scratch)
        if row >= 0 and thread % TOGETHER == 0:
            stage[base + row] = total
    cuda.syncthreads()


@cuda.jit(device=True)
def _stage_costs(problem, ground, scale, room, scratch):
    """Fill stage costs: over the wide box for all lists, over all boxes for those in line."""
    _, _, _, boxes, _, efficiency = ground
    lists, base, stage = problem[N_GEARS] * 3, problem[N_STAGES], room[0]
    for row in range(cuda.threadIdx.x, problem[N_STEPS] * lists, cuda.blockDim.x):
        hull, seconds, weight, change, corner = _list_at(problem, ground, scale, row)
        stage[base + row], _, _, _ = _over_box(
            hull, seconds, weight, change, boxes[WIDE], efficiency, corner
        )
    cuda.syncthreads()
    _take_boxes(problem, ground, scale, room, 0, scratch)


@cuda.jit(device=True)
def _settle(problem, ground, scale, room, way, scratch):
    """Put the lists of a path in line, with those of its classes that look no dearer.

    Returns whether there were any that were not yet.
    """
    stage, marks, line, count = room
    lists, base, at = problem[N_GEARS] * 3, problem[N_STAGES], problem[N_TRACK]
    before = count[0]
    cuda.syncthreads()
    for t in range(cuda.threadIdx.x, problem[N_STEPS], cuda.blockDim.x):
        own = base + t * lists + way[at + t]
        if marks[own] > 0:
            continue
        for g in range(problem[N_GEARS]):
            row = t * lists + g * 3 + way[at + t] % 3
            if marks[base + row] == 0 and stage[base + row] <= stage[own]:
                marks[base + row] = 1
                line[base + cuda.atomic.add(count, 0, 1)] = row
    cuda.syncthreads()
    _take_boxes(problem, ground, scale, room, before, scratch)
    return count[0] > before


@cuda.jit(device=True)
def _slope(problem, ground, scale, way, ends, scratch):
    """Change of the bound with the scale: the supergradient along the guess."""
    _, _, work, boxes, _, efficiency = ground
    at, steps, part = problem[N_TRACK], problem[N_STEPS], 0.0
    start, end = ends
    for begin in range(0, steps, cuda.blockDim.x // TOGETHER):
        t = begin + cuda.threadIdx.x // TOGETHER
        row = t * problem[N_GEARS] * 3 + way[at + t] if t < steps else -1
        _, box = _over_boxes(problem, ground, scale, row, scratch)
        if row < 0 or cuda.threadIdx.x % TOGETHER > 0:
            continue
        hull, seconds, weight, change, corner = _list_at(problem, ground, scale, row)
        _, watts, z, _ = _over_box(hull, seconds, weight, change, boxes[box], efficiency, corner)
        part += work[W_GUESS, at + t] * _drain(watts, seconds, boxes[box], efficiency)
        if t > 0:
            part += (work[W_GUESS, at + t - 1] - work[W_GUESS, at + t]) * z
    part = _over_block(scratch[0], part, False)
    return part - work[W_GUESS, at] * start + work[W_GUESS, at + steps - 1] * end


@device_kernel(**BOUNDS)
def _prove(arrays, lists, graph, tracks, found, room, proved):
    """Prove a lower limit of each problem, guided by its run, and improve its scale.

    `tracks` holds the best runs alone, `found` their costs. `proved` (problems,
    P_SIZE) gets the bound, g, the scale of the best multipliers, how many looks were taken,
    and the last multiplier, g/J.
    """
    number, thread = cuda.blockIdx.x, cuda.threadIdx.x
    problem, real = arrays.problems[number], arrays.reals[number]
    terms = cuda.shared.array(PROVE_THREADS, float64)
    lowest = cuda.shared.array(PROVE_THREADS, int64)
    count_in_line = cuda.shared.array(1, int32)
    gears = problem[N_GEARS]
    space = _split_space(problem[N_ROWS], gears, graph.move_source.size)
    _lay_out(problem, graph, space)
    cell = _cell_of(problem, real, arrays.cells)
    efficiency, steps, upper = real[F_EFFICIENCY], problem[N_STEPS], found[number, 0]
    if not upper < NEVER:
        if thread == 0:
            proved[number, P_BOUND], proved[number, P_LOOKS] = -math.inf, 0.0
        return
    end = min(real[F_TARGET], tracks.path[problem[N_PATH] + steps])
    box, work, reach, dt = room.boxes[number], room.work, room.reach, arrays.dt
    stage, marks, choice, way = room.stage, room.marks, room.choice, room.way
    stages, scratch = (stage, marks, room.line, count_in_line), (terms, lowest)
    powers = arrays.list_first, lists.length, lists.power
    _geometry(problem, real, cell, powers, dt, work, reach, box, end, terms)
    _guess(problem, real, cell, dt, (tracks.path, tracks.costate), work, reach)
    z_start, z_end = _energy(cell, real[F_SOC]), _energy(cell, end)
    for row in range(thread, steps * gears * 3, cuda.blockDim.x):
        marks[problem[N_STAGES] + row] = 0
    if thread == 0:
        count_in_line[0] = 0
    cuda.syncthreads()
    hulls = room.hull_power, room.hull_cost, arrays.list_first, room.hull_count
    ground = hulls, dt, work, box, reach, efficiency
    moves = lists.shift, arrays.moves, graph
    first, last = work[W_GUESS, problem[N_TRACK]], work[W_GUESS, problem[N_TRACK] + steps - 1]
    best, best_scale, scale, stride, looks = -math.inf, 1.0, 1.0, STRIDE, 0
    left_at, left, left_slope = 0.0, -math.inf, 0.0
    right_at, right, right_slope = 0.0, -math.inf, 0.0
    for _ in range(LOOKS):
        _stage_costs(problem, ground, scale, stages, scratch)
        length = math.inf
        for _ in range(ROUNDS):
            length = _shortest(problem, stage, moves, choice, way, space)
            if not length < NEVER or not _settle(problem, ground, scale, stages, way, scratch):
                break
        if not length < NEVER:
            break
        bound = length - scale * first * z_start + scale * last * z_end
        bound -= 1e-12 * (abs(length) + scale * (first + last) * max(z_start, z_end))
        looks += 1
        if bound > best:
            best, best_scale = bound, scale
        if upper - best <= WANTED * abs(upper) or scale > LARGEST:
            break
        slope = _slope(problem, ground, scale, way, (z_start, z_end), scratch)
        if slope == 0.0:
            break
        if slope < 0.0:
            right_at, right, right_slope = scale, bound, slope
        else:
            left_at, left, left_slope = scale, bound, slope
        if left > -math.inf and right > -math.inf:
            scale = right - left + left_slope * left_at - right_slope * right_at
            scale /= left_slope - right_slope
            if left + left_slope * (scale - left_at) < best + GAIN * abs(upper):
                break
        else:
            scale *= 1.0 / (1.0 + stride) if slope < 0.0 else 1.0 + stride
            stride *= 4.0
    if thread == 0:
        proved[number, P_BOUND], proved[number, P_SCALE] = min(best, upper), best_scale
        proved[number, P_LOOKS], proved[number, P_FACTOR] = looks, best_scale * last
