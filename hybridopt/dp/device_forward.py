"""The forward run on a device, one thread block for a problem, and its landing on the target.

A run does what kernels.py does here, by the same kernels of battery, value and trimming; threads
share the splits of a step, and the search between two splits, which looks at many places at once
instead of two. How a run aims again until it lands, and how its torques alone settle, is that of
forward.py.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

from numba import cuda, float64, int64
from numba.core import config

from ..physics.battery import Cell, _landing, _rates, _state
from ..problem.grid import Grid, _terminal
from .device_layout import (
    F_CAPACITY,
    F_EFFICIENCY,
    F_FLOOR,
    F_LOW,
    F_PENALTY,
    F_SOC,
    F_SPACING,
    F_TARGET,
    F_TOP,
    F_TWO_SIDED,
    N_CELL,
    N_CELL_NODES,
    N_DT,
    N_GEAR,
    N_GEARS,
    N_LISTS,
    N_MOVES,
    N_OPENS,
    N_PATH,
    N_ROWS,
    N_SHIFT,
    N_SLOTS,
    N_SOC,
    N_STATE,
    N_STEPS,
    N_TRACK,
    N_VALUE,
)
from .forward import LANDING_RUNS, LANDING_TOLERANCE, SETTLING_RUNS, SOC_TOLERANCE
from .kernels import Ahead, BatteryAt, Offer, _mixed, _slope, _total, _trim, _value

THREADS = 128  # of a block
LANES = 8  # threads that share a list
ROUNDS = (
    6 if config.ENABLE_CUDASIM else 3
)  # of the search between two splits, by half of the threads
BOUNDS = {} if config.ENABLE_CUDASIM else {"launch_bounds": (THREADS, 4)}
NEVER = 1e15  # a cost that stands for infinity
CURRENT, BELOW, ABOVE, BEST = range(4)  # tracks kept of each problem: this run, best ones so far
TRACKS = 4
R_COST, R_MISS, R_VALUE, R_RUNS, R_SIZE = range(5)  # what is known of a problem in the end


@cuda.jit(device=True)
def _first_min(totals, orders):
    """Bring the lowest total, the first in order among equals, to place 0 and return its order."""
    thread, half = cuda.threadIdx.x, cuda.blockDim.x // 2
    while half > 0:
        cuda.syncthreads()
        if thread < half:
            other = totals[thread + half]
            if other < totals[thread] or (
                other == totals[thread] and orders[thread + half] < orders[thread]
            ):
                totals[thread], orders[thread] = other, orders[thread + half]
        half //= 2
    cuda.syncthreads()
    return orders[0]


@cuda.jit(device=True)
def _between_splits(offer, split, here, after, totals, orders):
    """Best place between a split and its neighbours; half of the threads look at either side.

    Returns the split it lies behind, the share of the way to the next one, and the total there.
    """
    thread, places = cuda.threadIdx.x, cuda.blockDim.x // 2
    side, place = thread // places, thread % places
    k, n = split - 1 + side, offer.cost.size
    fits = k >= 1 and k + 1 < n
    if fits:
        fits = offer.cost[k] < NEVER and offer.cost[k + 1] < NEVER
    low, high = 0.0, 1.0
    for _ in range(ROUNDS):
        width = (high - low) / (places + 1)
        total = _mixed(offer, k, low + width * (place + 1), here, after) if fits else NEVER
        totals[thread], orders[thread] = total if total < NEVER else NEVER, place
        half = places // 2
        while half > 0:
            cuda.syncthreads()
            if place < half and totals[thread + half] < totals[thread]:
                totals[thread], orders[thread] = totals[thread + half], orders[thread + half]
            half //= 2
        cuda.syncthreads()
        low, high = (low + width * orders[side * places], low + width * (orders[side * places] + 2))
        cuda.syncthreads()
    if place == 0:
        share = 0.5 * (low + high)
        total = _mixed(offer, k, share, here, after) if fits else NEVER
        totals[side], totals[2 + side] = total if total < NEVER else NEVER, share
    cuda.syncthreads()
    best_total, best_split, best_share = NEVER, split, 0.0
    for other in range(2):
        if totals[other] < best_total:
            best_total, best_split, best_share = totals[other], split - 1 + other, totals[2 + other]
    cuda.syncthreads()
    return best_split, best_share, best_total


@cuda.jit(device=True)
def _run(problem, cell, grid, aim, given, choices, events, graph, value, tracks, totals, orders):
    """Run once through all steps into the track CURRENT; return cost, last SoC, whether it got on.

    `problem` is the row of whole numbers, `given` the number of the track that gears, classes and
    where the motor is on are taken from, or -1.
    """
    list_first, list_length, cost, power, dt = choices
    shift, move_cost, open_soc = events
    arrival_engine, arrival_state, move_source, move_kind, move_arrival = graph
    packed, shares, path, costate = tracks
    thread, moves = cuda.threadIdx.x, move_source.size
    group, lane, groups = thread // LANES, thread % LANES, cuda.blockDim.x // LANES
    steps, gears, points = problem[N_STEPS], problem[N_GEARS], problem[N_SOC]
    state, gear = problem[N_STATE], problem[N_GEAR]
    track, soc_track = problem[N_TRACK], problem[N_PATH]
    guide = track + given * (packed.size // TRACKS)
    soc = path[soc_track]
    spent, lowest_soc = 0.0, soc
    for t in range(steps):
        last = t == steps - 1
        here = BatteryAt(_state(cell, soc), _rates(cell, dt[problem[N_DT] + t]), soc)
        best, order = NEVER, int64(0)
        slot = problem[N_VALUE] + ((t + 1) % problem[N_SLOTS]) * problem[N_ROWS] * points
        code = int64(packed[guide + t]) if given >= 0 else int64(0)
        item = 0
        for g in range(gears):
            for m in range(moves):
                if move_source[m] != state:
                    continue
                item += 1
                if item % groups != group:
                    continue
                kind, i = move_kind[m], move_arrival[m]
                if kind != 0 and (kind == 1) != (g == gear):
                    continue
                c = arrival_engine[i]
                if given >= 0 and (g != code >> 24 or c != (code >> 16) & 255):
                    continue
                event = float64(
                    shift[(((problem[N_SHIFT] + t) * 3 + c) * gears + g) * gears + gear]
                )
                event += move_cost[(problem[N_MOVES] + t) * moves + m]
                if event > NEVER or soc < open_soc[problem[N_OPENS] + m]:
                    continue
                place = problem[N_LISTS] + (t * gears + g) * 3 + c
                begin, n = list_first[place], list_length[place]
                offer = Offer(cost[begin : begin + n], power[begin : begin + n])
                at = slot + (arrival_state[i] * gears + g) * points
                after = Ahead(grid, value[at : at + points], last, aim)
                for k in range(lane, n, LANES):
                    if not offer.cost[k] < NEVER:
                        continue
                    if given >= 0 and (k > 0) != ((code & 0xFFFF) > 0):
                        continue
                    landed = _landing(here.state, here.rates, soc, offer.power[k])
                    total = event + _total(offer.cost[k], landed, after)
                    if landed > grid.top:
                        j, share = _trim(offer, here, grid.top, k, 0.0)
                        if j < 0:
                            continue
                        total = event + _mixed(offer, j, share, here, after)
                    if total < best:
                        best, order = total, (g * moves + m) * 65536 + k
        totals[thread], orders[thread] = best, order
        order = _first_min(totals, orders)
        best = totals[0]
        cuda.syncthreads()
        if not best < NEVER:
            return spent, soc, False
        k, m = order % 65536, (order // 65536) % moves
        g = order // 65536 // moves
        i = move_arrival[m]
        c = arrival_engine[i]
        place = problem[N_LISTS] + (t * gears + g) * 3 + c
        begin, n = list_first[place], list_length[place]
        offer = Offer(cost[begin : begin + n], power[begin : begin + n])
        at = slot + (arrival_state[i] * gears + g) * points
        after = Ahead(grid, value[at : at + points], last, aim)
        event = float64(shift[(((problem[N_SHIFT] + t) * 3 + c) * gears + g) * gears + gear])
        event += move_cost[(problem[N_MOVES] + t) * moves + m]
        k, share = _trim(offer, here, grid.top, k, 0.0)
        if share == 0.0:
            split, there, total = _between_splits(offer, k, here, after, totals, orders)
            if total < best - event:
                k, share = split, there
            k, share = _trim(offer, here, grid.top, k, share)
        grams, watts = offer.cost[k], offer.power[k]
        if share > 0.0:
            grams += share * (offer.cost[k + 1] - grams)
            watts += share * (offer.power[k + 1] - watts)
        soc = _landing(here.state, here.rates, soc, watts)
        spent += grams + event
        lowest_soc = min(lowest_soc, soc)
        if thread == 0:
            packed[track + t] = (g << 24) | (c << 16) | k
            shares[track + t] = share
            path[soc_track + t + 1] = soc
            costate[track + t] = _slope(grid, after.row, soc)
        state, gear = arrival_state[i], g
    spent += _terminal(grid, soc) + grid.floor_penalty * max(grid.low - lowest_soc, 0.0)
    cuda.syncthreads()
    return spent, soc, soc == soc


@cuda.jit(device=True)
def _copy(problem, tracks, target):
    """Copy the track CURRENT of a problem to another one."""
    packed, shares, path, costate = tracks
    a, c = problem[N_TRACK], problem[N_PATH]
    b, d = a + target * (packed.size // TRACKS), c + target * (path.size // TRACKS)
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
        _copy(problem, tracks, BEST)


@cuda.jit(**BOUNDS)
def _land(
    problems,
    reals,
    list_first,
    list_length,
    cost,
    power,
    dt,
    cells,
    shift,
    move_cost,
    open_soc,
    arrival_engine,
    arrival_state,
    move_source,
    move_kind,
    move_arrival,
    value,
    packed,
    shares,
    path,
    costate,
    found,
):
    """Run, aim again until a run lands on the target, settle; the best run is the track BEST.

    `found` (problems, R_SIZE) gets cost, miss of the target, the cost-to-go at the start less its
    offset, and the number of runs; an infinite cost says that no run got through.
    """
    number, thread = cuda.blockIdx.x, cuda.threadIdx.x
    totals = cuda.shared.array(THREADS, float64)
    orders = cuda.shared.array(THREADS, int64)
    best = cuda.local.array(2, float64)
    sides = cuda.local.array((2, 3), float64)
    problem, real = problems[number], reals[number]
    at, n = problem[N_CELL], problem[N_CELL_NODES]
    cell = Cell(
        cells[at : at + n],
        cells[at + n : at + 2 * n],
        cells[at + 2 * n : at + 3 * n],
        cells[at + 3 * n : at + 4 * n],
        cells[at + 4 * n : at + 5 * n],
        cells[at + 5 * n : at + 6 * n],
        real[F_CAPACITY],
        real[F_EFFICIENCY],
    )
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
    choices = list_first, list_length, cost, power, dt
    events = shift, move_cost, open_soc
    graph = arrival_engine, arrival_state, move_source, move_kind, move_arrival
    tracks = packed, shares, path, costate
    if thread == 0:
        path[problem[N_PATH]] = real[F_SOC]
    cuda.syncthreads()
    best[0], best[1] = math.inf, -math.inf
    sides[0, 0], sides[1, 0] = math.inf, math.inf
    aim, miss, last_aim, last_miss, runs = 0.0, 0.0, 0.0, 0.0, 0
    for attempt in range(LANDING_RUNS + 1):
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
        spent, end, through = _run(
            problem, cell, grid, there, -1, choices, events, graph, value, tracks, totals, orders
        )
        runs += 1
        while not through and abs(there - aim) > LANDING_TOLERANCE:
            there = 0.5 * (there + aim)
            spent, end, through = _run(
                problem,
                cell,
                grid,
                there,
                -1,
                choices,
                events,
                graph,
                value,
                tracks,
                totals,
                orders,
            )
            runs += 1
        if not through:
            break
        last_aim, last_miss, aim, miss = aim, miss, there, end - grid.target
        _keep_best(problem, grid, tracks, spent, miss, best)
        side = 0 if miss < 0.0 else 1
        if spent < sides[side, 0]:
            sides[side, 0], sides[side, 1], sides[side, 2] = spent, miss, aim
            _copy(problem, tracks, BELOW + side)
    if best[0] < math.inf and not _is_landed(grid, best[1]):
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
                    problem,
                    cell,
                    grid,
                    aim,
                    BELOW + side,
                    choices,
                    events,
                    graph,
                    value,
                    tracks,
                    totals,
                    orders,
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
