"""The shortest path over state and gear on a device, for the proved lower limit of one problem."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from numba import cuda, float64, int32, int64

from .device_layout import (
    N_GEAR,
    N_GEARS,
    N_MOVES,
    N_ROWS,
    N_SHIFT,
    N_STAGES,
    N_STATE,
    N_STEPS,
    N_TRACK,
    _next_place,
    _stride,
)
from .device_stages import NEVER

TERMS = 2048  # costs of moves between gears that are gathered together, for as many steps as fit
AT_ONCE = 4  # of the steps whose costs a thread loads together
CLOSED = -1  # stands for a move between gears that do not fit
GEAR_BITS = 8  # of a choice, a move above and a gear below
FLOAT = 1.2e-7  # of a cost: what its rounding to float32 may add


def bound_bytes(rows: int, gears: int, moves: int) -> int:
    """Return the bytes of shared memory that the bound of one problem takes."""
    edges = moves * gears * gears
    return 8 * (max(TERMS, edges) + rows * gears + 2 * rows) + 4 * (
        rows * gears + 2 * moves + edges
    )


@cuda.jit(device=True)
def _split_space(count, gears, moves):
    """Split the shared memory of :func:`bound_bytes` into what :func:`_shortest` works in."""
    doubles, wholes = cuda.shared.array(0, float64), cuda.shared.array(0, int32)
    a = max(TERMS, moves * gears * gears)
    b = a + count * gears
    c = b + 2 * count
    d = 2 * c + count * gears
    e, f = d + moves, d + 2 * moves
    in_moves = wholes[d:e], wholes[e:f], wholes[f : f + moves * gears * gears]
    return doubles[:a], doubles[a:b], doubles[b:c], wholes[2 * c : d], *in_moves


@cuda.jit(device=True)
def _down(grams):
    """Round a cost of an event down by more than float32 may have rounded it up."""
    return float64(grams) - FLOAT * abs(float64(grams))


@cuda.jit(device=True)
def _fits(kind, before, after):
    """Whether a move's kind of shift allows a gear after another."""
    return kind == 0 or (kind == 1) == (before == after)


@cuda.jit(device=True)
def _lay_out(problem, graph, space):
    """Fill rows from and to which moves go, and what each is from gear to gear.

    Whole numbers take long to divide on a device, so that is done once.
    """
    sources, targets, codes = space[4:]
    gears, number = problem[N_GEARS], graph.move_source.size
    for m in range(cuda.threadIdx.x, number, cuda.blockDim.x):
        sources[m] = graph.move_source[m] * gears
        targets[m] = graph.arrival_state[graph.move_arrival[m]] * gears
    for edge in range(cuda.threadIdx.x, codes.size, cuda.blockDim.x):
        m, g, g2 = edge // (gears * gears), edge // gears % gears, edge % gears
        c = graph.arrival_engine[graph.move_arrival[m]]
        code = (((m << 2) | c) << 2 * GEAR_BITS) | (g << GEAR_BITS) | g2
        codes[edge] = int32(code) if _fits(graph.move_kind[m], g, g2) else CLOSED
    cuda.syncthreads()


@cuda.jit(device=True)
def _gather_terms(problem, stage, moves, space, first, last):
    """Gather what each move from gear to gear costs in the steps from the first to before the last.

    They are by step, move, gear before and gear after; what is closed costs more than NEVER.
    """
    (shift, move_cost, graph), terms, codes = moves, space[0], space[6]
    number, gears, gear_mask = graph.move_source.size, problem[N_GEARS], 2**GEAR_BITS - 1
    found = cuda.local.array(AT_ONCE, float64)
    for edge in range(cuda.threadIdx.x, codes.size, cuda.blockDim.x):
        code = int64(codes[edge])
        g, g2, m = (code >> GEAR_BITS) & gear_mask, code & gear_mask, code >> (2 * GEAR_BITS + 2)
        c = (code >> 2 * GEAR_BITS) & 3
        for begin in range(first, last, AT_ONCE):
            for u in range(AT_ONCE):
                t, found[u] = min(begin + u, last - 1), 2.0 * NEVER
                if code != CLOSED:
                    at = ((problem[N_SHIFT] + t) * 3 + c) * gears + g2
                    grams = float64(move_cost[(problem[N_MOVES] + t) * number + m])
                    total = stage[problem[N_STAGES] + (t * gears + g2) * 3 + c]
                    found[u] = total + _down(float64(shift[at * gears + g])) + _down(grams)
            for u in range(AT_ONCE):
                if begin + u < last:
                    terms[(begin + u - first) * codes.size + edge] = found[u]
    cuda.syncthreads()


@cuda.jit(device=True)
def _shortest(problem, stage, moves, choice, way, space):
    """Length of the shortest path over state and gear; `way` gets gear and class of each step.

    Without a path it is NEVER or more. `choice` gets move and gear from each row of each step.
    """
    graph = moves[2]
    terms, parts, rows, picks, sources, targets, codes = space
    thread, threads = cuda.threadIdx.x, cuda.blockDim.x
    steps, gears, count = problem[N_STEPS], problem[N_GEARS], problem[N_ROWS]
    number, at, edges = graph.move_source.size, problem[N_TRACK], codes.size
    own_row, own_gear = thread // gears, thread % gears
    stride = _stride(gears)
    for r in range(thread, 2 * count, threads):
        rows[r] = 0.0
    cuda.syncthreads()
    together = terms.size // edges
    for last in range(steps, 0, -together):
        first = max(last - together, 0)
        _gather_terms(problem, stage, moves, space, first, last)
        for back in range(last - first):
            t = last - 1 - back
            here, there, base = (t & 1) * count, ((t + 1) & 1) * count, (t - first) * edges
            r, g2 = own_row, own_gear
            while r < count:
                best, pick = NEVER, 0
                for m in range(number):
                    g = r - sources[m]
                    if 0 <= g < gears:
                        total = terms[base + (m * gears + g) * gears + g2]
                        total += rows[there + targets[m] + g2]
                        if total < best:
                            best, pick = total, m
                parts[r * gears + g2], picks[r * gears + g2] = best, pick
                r, g2 = _next_place(r, g2, stride, gears)
            cuda.syncthreads()
            for r in range(thread, count, threads):
                best, gear = NEVER, 0
                for g2 in range(gears):
                    if parts[r * gears + g2] < best:
                        best, gear = parts[r * gears + g2], g2
                rows[here + r] = best
                choice[(at + t) * count + r] = (picks[r * gears + gear] << GEAR_BITS) | gear
            cuda.syncthreads()
    length = rows[problem[N_STATE] * gears + problem[N_GEAR]]
    if length < NEVER:
        _walk(problem, graph, choice, way, space)
    cuda.syncthreads()
    return length


@cuda.jit(device=True)
def _walk(problem, graph, choice, way, space):
    """Follow the choices from the start; `way` gets gear and class of each step."""
    codes, targets = space[0], space[5]
    thread, threads, steps = cuda.threadIdx.x, cuda.blockDim.x, problem[N_STEPS]
    count, at = problem[N_ROWS], problem[N_TRACK]
    row, together = problem[N_STATE] * problem[N_GEARS] + problem[N_GEAR], codes.size // count
    for first in range(0, steps, together):
        number = min(together, steps - first)
        for place in range(thread, number * count, threads):
            codes[place] = choice[(at + first) * count + place]
        cuda.syncthreads()
        for t in range(number if thread == 0 else 0):
            code = int64(codes[t * count + row])
            way[at + first + t] = code
            row = targets[code >> GEAR_BITS] + (code & (2**GEAR_BITS - 1))
        cuda.syncthreads()
    for t in range(thread, steps, threads):
        code = way[at + t]
        c = graph.arrival_engine[graph.move_arrival[code >> GEAR_BITS]]
        way[at + t] = (code & (2**GEAR_BITS - 1)) * 3 + c
