"""What kernels on a device know of a batch: arrays, and two rows of numbers for each problem."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

from numba import cuda
from numba.core import config

from ..physics.battery import Cell

SIMULATED = bool(config.ENABLE_CUDASIM)
# of blocks: threads in one, and how many on a multiprocessor
LAND_THREADS, LAND_BLOCKS = 32 if SIMULATED else 64, 8  # few: all repeat much of a step
PROVE_THREADS, PROVE_BLOCKS = 32 if SIMULATED else 256, 2
# whole numbers: sizes, and where the problem's part of the shared arrays begins
(
    N_STEPS,
    N_GEARS,
    N_SOC,  # SoC points
    N_LISTS,  # first list of its operating points; lists count by step, gear and class
    N_POINTS,  # first operating point
    N_DT,  # first step length
    N_CORNERS,  # first corner of its hulls, which lie as the operating points do
    N_HULLS,  # first list of its hulls
    N_STAGES,  # first of its stage costs, one per list
    N_NODES,  # first of the (5, SoC points) battery nodes
    N_SHIFT,  # first step of its shift costs
    N_MOVES,  # first step of its costs of moves
    N_OPENS,  # first of the SoC points from which moves are open
    N_VALUE,  # first float of its cost-to-go, (slots, rows, SoC points)
    N_SLOTS,  # steps of the cost-to-go that are kept: all and one more, or the latest two
    N_OFFSET,  # first of its offsets, one per step and one more
    N_TRACK,  # first of its steps, in arrays of (steps,)
    N_PATH,  # first of its steps, in arrays of (steps + 1,)
    N_CELL,  # first of the (6, nodes) battery table
    N_CELL_NODES,
    N_STATE,  # state and gear before the first step
    N_GEAR,
    N_ROWS,  # states x gears
    N_SHIFT_BASE,  # first of its shift costs without the setting's one
    N_SIZE,
) = range(25)
# real numbers
(
    F_CELLS,  # grid cells per C
    F_EFFICIENCY,  # coulombic, of charging
    F_CAPACITY,  # C
    F_VOLTAGE,  # of the battery at the middle of the window, V
    F_DISCHARGE,  # ohm
    F_CHARGE,  # ohm
    F_LOW,  # SoC grid, see problem.grid.Grid
    F_TOP,
    F_SPACING,
    F_PENALTY,
    F_FLOOR,
    F_TARGET,
    F_TWO_SIDED,
    F_SOC,  # at the start
    F_SHIFT_COST,  # g, of every change of gear
    F_SIZE,
) = range(16)


@cuda.jit(device=True)
def _cell_of(problem, real, cells):
    """Battery of a problem, from its rows of numbers."""
    at, n = problem[N_CELL], problem[N_CELL_NODES]
    return Cell(
        cells[at : at + n],
        cells[at + n : at + 2 * n],
        cells[at + 2 * n : at + 3 * n],
        cells[at + 3 * n : at + 4 * n],
        cells[at + 4 * n : at + 5 * n],
        cells[at + 5 * n : at + 6 * n],
        real[F_CAPACITY],
        real[F_EFFICIENCY],
    )


@cuda.jit(device=True)
def _stride(width):
    """Rows and columns, in rows of a width, that lie between the places of a thread."""
    return cuda.blockDim.x // width, cuda.blockDim.x % width


@cuda.jit(device=True)
def _next_place(row, column, stride, width):
    """Row and column of a thread's next place: whole numbers take long to divide on a device."""
    row, column = row + stride[0], column + stride[1]
    return (row + 1, column - width) if column >= width else (row, column)


class Arrays(NamedTuple):
    """Arrays of a batch, here or on a device; `problems` and `reals` say where each one's begin.

    Attributes
    ----------
    problems, reals : (problems, N_SIZE), int64, and (problems, F_SIZE)
    list_first, list_length : of the raw lists of all sets of operating points, int64, int32
    raw_cost, raw_power : g and W, as StepCosts has them
    dt : s
    nodes : float32, (5, SoC points) of each problem
    facts : float32, (problems, segments, 8), see device_sweep.py
    shift : float32, (step, class, gear to, gear from), without the setting's cost of a shift
    moves : float32, (step, move), moves in order of arrivals
    opens, open_soc : SoC from which moves are open, as int64 points of the grid and as SoC
    cells : battery tables, (6, nodes) each
    """

    problems: Any
    reals: Any
    list_first: Any
    list_length: Any
    raw_cost: Any
    raw_power: Any
    dt: Any
    nodes: Any
    facts: Any
    shift: Any
    moves: Any
    opens: Any
    open_soc: Any
    cells: Any


class GraphArrays(NamedTuple):
    """States and moves, the moves in order of arrivals, int64.

    Attributes
    ----------
    arrival_engine, arrival_state : (arrivals,)
    arrival_first : (arrivals + 1,), where each one's moves begin
    move_source, move_kind, move_arrival, order : (moves,); `order` holds
        their numbers in the problem's graph
    """

    arrival_engine: Any
    arrival_state: Any
    arrival_first: Any
    move_source: Any
    move_kind: Any
    move_arrival: Any
    order: Any


class SortedLists(NamedTuple):
    """What a sweep knows of lists of splits, filled on the device; see device_lists.py.

    Attributes
    ----------
    length, power, cost : admissible splits of each list by power, int32 and float32
    turn, corner, corners : hulls of the lists over SoC drop, float32, int32, int32
    shift : as that of Arrays, with the setting's cost of a shift, for each problem
    """

    length: Any
    power: Any
    cost: Any
    turn: Any
    corner: Any
    corners: Any
    shift: Any


class RunTracks(NamedTuple):
    """Runs of all problems, several tracks one behind the other, see device_forward.py.

    Attributes
    ----------
    packed, shares, costate : of each step: gear, class and split; place behind it; g per SoC
    path : SoC before each step and at the end
    """

    packed: Any
    shares: Any
    path: Any
    costate: Any


class BoundRoom(NamedTuple):
    """What the proof of a bound works in, and hulls of lists over power.

    Attributes
    ----------
    hull_power, hull_cost, hull_count : see device_stages.py
    work : (W_SIZE, steps)
    reach : int32, (3, steps): first and last box, and whether an arc begins
    boxes : (problems, BOX_ROWS, 6)
    stage, marks : of each list: its cost, and whether that holds over all boxes, int8
    line : int32, lists whose boxes are all taken, in the order in which they came
    choice : int32, best move and gear of each step and row
    way : int32, gear and class of each step of the shortest path
    """

    hull_power: Any
    hull_cost: Any
    hull_count: Any
    work: Any
    reach: Any
    boxes: Any
    stage: Any
    marks: Any
    line: Any
    choice: Any
    way: Any
