"""Landing on a device: forward runs of a problem until one lands on its target.

How a run aims again until it lands, and how its torques alone settle, is that of forward.py, but
for runs that need not settle: see SETTLED.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

from numba import cuda, float64, int32, int64

from ..base.device_kernels import device_kernel
from ..problem.grid import Grid
from .device_forward import BELOW, BEST, CURRENT, TRACKS, _run
from .device_layout import (
    F_FLOOR,
    F_LOW,
    F_PENALTY,
    F_SOC,
    F_SPACING,
    F_TARGET,
    F_TOP,
    F_TWO_SIDED,
    LAND_BLOCKS,
    LAND_THREADS,
    N_GEAR,
    N_GEARS,
    N_LISTS,
    N_PATH,
    N_SOC,
    N_STATE,
    N_STEPS,
    N_TRACK,
    N_VALUE,
    SIMULATED,
    _cell_of,
)
from .forward import LANDING_RUNS, LANDING_TOLERANCE, SETTLING_RUNS, SOC_TOLERANCE
from .kernels import _value

BOUNDS = {} if SIMULATED else {"launch_bounds": (LAND_THREADS, LAND_BLOCKS)}
SETTLED = 2e-7  # of the cost of the cheapest run: that much dearer, one on the target counts
R_COST, R_MISS, R_VALUE, R_RUNS, R_SIZE = range(5)  # what is known of a problem in the end


@cuda.jit(device=True)
def _copy(problem, tracks, source, target):
    """Copy a track of a problem to another one."""
    packed, shares, path, costate = tracks.packed, tracks.shares, tracks.path, tracks.costate
    size, length = packed.size // TRACKS, path.size // TRACKS
    a, b = problem[N_TRACK] + source * size, problem[N_TRACK] + target * size
    c, d = problem[N_PATH] + source * length, problem[N_PATH] + target * length
    cuda.syncthreads()
    for t in range(cuda.threadIdx.x, problem[N_STEPS], cuda.blockDim.x):
        packed[b + t], shares[b + t], costate[b + t] = packed[a + t], shares[a + t], costate[a + t]
    for t in range(cuda.threadIdx.x, problem[N_STEPS] + 1, cuda.blockDim.x):
        path[d + t] = path[c + t]
    cuda.syncthreads()


@cuda.jit(device=True)
def _is_landed(grid, miss):
    """Whether a run ends close enough to the target."""
    low = -LANDING_TOLERANCE if grid.two_sided > 0.0 else 0.0
    return grid.penalty == 0.0 or low <= miss <= LANDING_TOLERANCE


@cuda.jit(device=True)
def _keep_best(problem, grid, tracks, cost, miss, best):
    """Keep the run just made in the track BEST if it comes first: target met, then by cost."""
    missed = grid.penalty > 0.0 and miss < -SOC_TOLERANCE
    best_missed = grid.penalty > 0.0 and best[1] < -SOC_TOLERANCE
    if missed != best_missed:
        better = best_missed
    else:
        better = cost < best[0]
    if better:
        best[0], best[1] = cost, miss
        _copy(problem, tracks, CURRENT, BEST)


@device_kernel(**BOUNDS)
def _land(arrays, shift, graph, value, tracks, found, again):
    """Run, aim again until a run lands on the target, settle; the best run is the track BEST.

    Unless `again`, one run is made, wherever it lands.

    `found` (problems, R_SIZE) gets cost, miss of the target, the cost-to-go at the start less its
    offset, and the number of runs; an infinite cost says that no run got through,
    and NaN that the room for a list of splits was too short, so that some are not known.
    """
    number, thread = cuda.blockIdx.x, cuda.threadIdx.x
    totals = cuda.shared.array(LAND_THREADS, float64)
    orders = cuda.shared.array(LAND_THREADS, int64)
    chosen = cuda.shared.array(LAND_THREADS, int32)
    events = cuda.shared.array(LAND_THREADS, float64)
    count = cuda.shared.array(1, int32)
    best = cuda.local.array(2, float64)
    sides = cuda.local.array((2, 3), float64)
    problem, real = arrays.problems[number], arrays.reals[number]
    short = 0
    for row in range(thread, problem[N_STEPS] * problem[N_GEARS] * 3, cuda.blockDim.x):
        if arrays.list_length[problem[N_LISTS] + row] < 0:
            short = 1
    if cuda.syncthreads_or(int32(short)):
        if thread == 0:
            found[number, R_COST] = math.nan
        return
    cell = _cell_of(problem, real, arrays.cells)
    grid = Grid(
        real[F_LOW],
        real[F_TOP],
        real[F_SPACING],
        problem[N_SOC],
        real[F_PENALTY],
        real[F_FLOOR],
        real[F_TARGET],
        real[F_TWO_SIDED],
        int64(0),
    )
    world, scratch = (arrays, shift, graph), (totals, orders, (chosen, events, count))
    if thread == 0:
        tracks.path[problem[N_PATH]] = real[F_SOC]
    cuda.syncthreads()
    best[0], best[1] = math.inf, -math.inf
    sides[0, 0], sides[1, 0] = math.inf, math.inf
    aim, miss, last_aim, last_miss, runs = 0.0, 0.0, 0.0, 0.0, 0
    for attempt in range(LANDING_RUNS + 1 if again else 1):
        there = 0.0
        if attempt > 0:
            if _is_landed(grid, miss):
                break
            slope = 1.0
            if attempt > 1 and aim != last_aim:
                slope = (miss - last_miss) / (aim - last_aim)
                if not 0.3 < slope < 3.0:
                    slope = 1.0
            there = aim - (miss - 0.5 * LANDING_TOLERANCE) / slope
        spent, end, through = _run(problem, cell, grid, there, -1, world, value, tracks, scratch)
        runs += 1
        while not through and abs(there - aim) > LANDING_TOLERANCE:
            there = 0.5 * (there + aim)
            spent, end, through = _run(
                problem, cell, grid, there, -1, world, value, tracks, scratch
            )
            runs += 1
        if not through:
            break
        last_aim, last_miss, aim, miss = aim, miss, there, end - grid.target
        _keep_best(problem, grid, tracks, spent, miss, best)
        side = 0 if miss < 0.0 else 1
        if spent < sides[side, 0]:
            sides[side, 0], sides[side, 1], sides[side, 2] = spent, miss, aim
            _copy(problem, tracks, CURRENT, BELOW + side)
    if not _is_landed(grid, best[1]):
        for side in range(2):
            if sides[side, 0] <= (1.0 + SETTLED) * best[0] < math.inf:
                if _is_landed(grid, sides[side, 1]):
                    best[0], best[1] = sides[side, 0], sides[side, 1]
                    _copy(problem, tracks, BELOW + side, BEST)
    if again and best[0] < math.inf and not _is_landed(grid, best[1]):
        for side in range(2):
            if not sides[side, 0] < math.inf:
                continue
            miss, aim = sides[side, 1], sides[side, 2]
            stride = miss
            low, low_miss, high, high_miss = -math.inf, 0.0, math.inf, 0.0
            for _ in range(SETTLING_RUNS):
                if miss < 0.0:
                    low, low_miss = aim, miss
                else:
                    high, high_miss = aim, miss
                open_ended = low == -math.inf or high == math.inf
                if open_ended:
                    aim -= 2.0 * stride
                    stride *= 2.0
                else:
                    share = low_miss / (low_miss - high_miss)
                    aim = low + (high - low) * min(max(share, 0.1), 0.9)
                spent, end, through = _run(
                    problem, cell, grid, aim, BELOW + side, world, value, tracks, scratch
                )
                runs += 1
                if not through:
                    if open_ended:
                        break
                    miss = math.copysign(abs(miss), aim - 0.5 * (low + high))
                    continue
                miss = end - grid.target
                _keep_best(problem, grid, tracks, spent, miss, best)
                if _is_landed(grid, miss):
                    break
    if thread == 0:
        at = (
            problem[N_VALUE]
            + (problem[N_STATE] * problem[N_GEARS] + problem[N_GEAR]) * problem[N_SOC]
        )
        row = value[at : at + problem[N_SOC]]
        found[number, R_COST], found[number, R_MISS] = best[0], best[1]
        found[number, R_VALUE], found[number, R_RUNS] = _value(grid, row, real[F_SOC]), runs
