"""The forward run on a device, one thread block for a problem.

A run does what kernels.py does here, by the same kernels of battery, value and trimming; threads
share the splits of a step, and the search between two splits, which looks at many places at once
instead of two. How runs land is in device_landing.py.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

from numba import cuda, float64, int32, int64

from ..physics.battery import _landing, _rates, _state
from ..problem.grid import _terminal
from .device_layout import (
    LAND_THREADS,
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
    SIMULATED,
    _next_place,
    _stride,
)
from .kernels import Ahead, BatteryAt, Offer, _mixed, _slope, _total, _trim

LANES = 32  # threads that share a list
BY_WARPS = LAND_THREADS == 64 and not SIMULATED  # each side of a split has a warp to search it
WARP = 0xFFFFFFFF  # all threads of one
# of the search between splits, by half of the threads, until a place is known to 1e-6
ROUNDS = math.ceil(6.0 / math.log10(LAND_THREADS // 2 + 1.0) - 0.3)
NEVER = 1e15  # a cost that stands for infinity
CURRENT, BELOW, ABOVE, BEST = range(4)  # tracks kept of each problem: this run, best ones so far
TRACKS = 4


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
def _lowest_place(total, side, place, totals, orders):
    """Place of the lowest total among those of a side, the first one among equals."""
    if BY_WARPS:
        lowest = total
        for lanes in (16, 8, 4, 2, 1):
            lowest = min(lowest, cuda.shfl_xor_sync(WARP, lowest, lanes))
        return cuda.ffs(cuda.ballot_sync(WARP, total == lowest)) - 1
    thread, half = cuda.threadIdx.x, cuda.blockDim.x // 4
    cuda.syncthreads()
    totals[thread], orders[thread] = total, place
    while half > 0:
        cuda.syncthreads()
        if place < half and totals[thread + half] < totals[thread]:
            totals[thread], orders[thread] = totals[thread + half], orders[thread + half]
        half //= 2
    cuda.syncthreads()
    return orders[thread - place]


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
    low, width = 0.0, 1.0
    for _ in range(ROUNDS):
        width /= places + 1
        total = _mixed(offer, k, low + width * (place + 1), here, after) if fits else NEVER
        total = total if total < NEVER else NEVER
        low += width * _lowest_place(total, side, place, totals, orders)
        width *= 2.0
    cuda.syncthreads()
    if place == 0:
        share = low + 0.5 * width
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
def _gather(problem, world, t, at, code, looks_at, offered):
    """Gather what is open at a step: gear and move as one number, and their cost; count them.

    `at` is state, gear and SoC, `code` the packed gear and class to be kept to, or -1. Each thread
    `looks_at` a gear and a move; their order in `offered` is that of chance.
    """
    (arrays, shift, graph), (state, gear, soc), (g, m) = world, at, looks_at
    chosen, events, count = offered
    gears, moves = problem[N_GEARS], graph.move_source.size
    if cuda.threadIdx.x == 0:
        count[0] = 0
    cuda.syncthreads()
    if g < gears and graph.move_source[m] == state:
        kind, c = graph.move_kind[m], graph.arrival_engine[graph.move_arrival[m]]
        fits = kind == 0 or (kind == 1) == (g == gear)
        if fits and (code < 0 or (g == code >> 24 and c == (code >> 16) & 255)):
            event = float64(shift[(((problem[N_SHIFT] + t) * 3 + c) * gears + g) * gears + gear])
            event += arrays.moves[(problem[N_MOVES] + t) * moves + m]
            if event <= NEVER and soc >= arrays.open_soc[problem[N_OPENS] + m]:
                place = cuda.atomic.add(count, 0, 1)
                chosen[place], events[place] = int32((g << 16) | m), event
    cuda.syncthreads()
    return count[0]


@cuda.jit(device=True)
def _run(problem, cell, grid, aim, given, world, value, tracks, scratch):
    """Run once through all steps into the track CURRENT; return cost, last SoC, whether it got on.

    `problem` is the row of whole numbers, `given` the number of the track that gears, classes and
    where the motor is on are taken from, or -1.
    """
    arrays, shift, graph = world
    totals, orders, offered = scratch
    chosen, events, _ = offered
    list_first, list_length, dt = arrays.list_first, arrays.list_length, arrays.dt
    cost, power = arrays.raw_cost, arrays.raw_power
    move_cost = arrays.moves
    arrival_engine, arrival_state = graph.arrival_engine, graph.arrival_state
    move_arrival = graph.move_arrival
    packed, shares, path, costate = tracks.packed, tracks.shares, tracks.path, tracks.costate
    thread, moves = cuda.threadIdx.x, move_arrival.size
    group, lane, groups = thread // LANES, thread % LANES, cuda.blockDim.x // LANES
    steps, gears, points = problem[N_STEPS], problem[N_GEARS], problem[N_SOC]
    state, gear = problem[N_STATE], problem[N_GEAR]
    track, soc_track = problem[N_TRACK], problem[N_PATH]
    guide = track + given * (packed.size // TRACKS)
    soc = path[soc_track]
    spent, lowest_soc, kept = 0.0, soc, int64(0)
    own, stride = (thread // moves, thread % moves), _stride(moves)
    for t in range(steps):
        last = t == steps - 1
        kept = kept + 1 if kept + 1 < problem[N_SLOTS] else 0
        here = BatteryAt(_state(cell, soc), _rates(cell, dt[problem[N_DT] + t]), soc)
        best, order = NEVER, int64(0)
        slot = problem[N_VALUE] + kept * problem[N_ROWS] * points
        code = int64(packed[guide + t]) if given >= 0 else int64(-1)
        looks_at = own
        for _ in range(0, gears * moves, cuda.blockDim.x):
            number = _gather(problem, world, t, (state, gear, soc), code, looks_at, offered)
            looks_at = _next_place(looks_at[0], looks_at[1], stride, moves)
            for entry in range(group, number, groups):
                item, event = int64(chosen[entry]), events[entry]
                g, i = item >> 16, move_arrival[item & 0xFFFF]
                place = problem[N_LISTS] + (t * gears + g) * 3 + arrival_engine[i]
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
                        best, order = total, (item << 16) | k
            cuda.syncthreads()
        totals[thread], orders[thread] = best, order
        order = _first_min(totals, orders)
        best = totals[0]
        cuda.syncthreads()
        if not best < NEVER:
            return spent, soc, False
        k, m, g = order & 0xFFFF, (order >> 16) & 0xFFFF, order >> 32
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
