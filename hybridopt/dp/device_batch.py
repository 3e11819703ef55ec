"""A batch of problems laid out for a device: shared arrays, and two rows of numbers for each."""

from collections.abc import Hashable, Sequence
from typing import Any, NamedTuple

import numpy as np

from ..problem.problem import Problem
from .device_layout import F_SIZE, N_SIZE
from .device_lists import INFINITE
from .device_sweep import SEGMENT, shared_floats


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
    shift : float32, (step, class, gear to, gear from)
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
    move_source, move_kind, move_arrival, order : (moves,); `order` holds their numbers in the problem's graph
    """

    arrival_engine: Any
    arrival_state: Any
    arrival_first: Any
    move_source: Any
    move_kind: Any
    move_arrival: Any
    order: Any


class Shared:
    """Pieces of one long array; a piece that is there already is not laid out again."""

    def __init__(self) -> None:
        self.pieces: list[np.ndarray] = []
        self.size = 0
        self.known: dict[Hashable, int] = {}

    def place(self, key: Hashable, make: Any) -> int:
        """Return where the piece of a key begins, made by `make()` if it is new."""
        if key not in self.known:
            piece = np.ravel(make())
            self.known[key] = self.size
            self.pieces.append(piece)
            self.size += piece.size
        return self.known[key]

    def joined(self, dtype: Any) -> np.ndarray:
        """Return all pieces as one array."""
        if not self.pieces:
            return np.zeros(1, dtype=dtype)
        return np.concatenate(self.pieces).astype(dtype, copy=False)


def graph_arrays(problem: Problem) -> GraphArrays:
    """Return the states and moves of a problem, as the kernels take them."""
    graph = problem.events.graph
    order = np.argsort(graph.arrival, kind="stable")
    first = np.searchsorted(graph.arrival[order], np.arange(graph.arrival_engine.size + 1))
    return GraphArrays(
        graph.arrival_engine,
        graph.arrival_state,
        first.astype(np.int64),
        graph.source[order],
        graph.gear[order],
        graph.arrival[order],
        order.astype(np.int64),
    )


def segment_facts(nodes: np.ndarray, segments: int) -> np.ndarray:
    """Return what the sweep needs to know of each segment of SoC points, float32, (segments, 8).

    Lowest and highest voltage, discharge and charge resistance, and the powers that are allowed all
    over the segment, from and to; the rows of `nodes` are those of Problem.nodes.
    """
    points = nodes.shape[1]
    padded = np.pad(nodes, ((0, 0), (0, segments * SEGMENT - points)), mode="edge")
    cut = padded.reshape(5, segments, SEGMENT)
    low, high = cut.min(axis=2), cut.max(axis=2)
    rows = [low[0], high[0], low[1], high[1], low[2], high[2], high[4], low[3]]
    return np.stack(rows, axis=1).astype(np.float32)


def finite32(values: np.ndarray) -> np.ndarray:
    """Return costs as float32, infinite ones as the number that stands for it."""
    return np.where(np.isfinite(values), values, INFINITE).astype(np.float32)


class Batch:
    """Problems of one graph and number of gears, laid out for a device.

    Parameters
    ----------
    problems
        Any lengths, grids, batteries, costs and starts.
    keep
        Whether the cost-to-go of all steps is to be kept, as a forward run needs it.
    """

    def __init__(self, problems: Sequence[Problem], keep: bool = True) -> None:
        self.problems, self.keep = list(problems), keep
        first = self.problems[0]
        self.graph = graph_arrays(first)
        self.states, self.gears = first.events.graph.states, first.points.gears
        self.ages = first.events.graph.gear_ages > 1
        self.widest = max(problem.grid.points for problem in problems)
        self.segments = -(-self.widest // SEGMENT)
        self.floats = shared_floats(
            self.states * self.gears, self.graph.arrival_engine.size, self.gears, self.widest
        )
        self.arrays = self._lay_out()

    def _lay_out(self) -> Arrays:
        count = len(self.problems)
        numbers = np.zeros((count, N_SIZE), dtype=np.int64)
        reals = np.zeros((count, F_SIZE))
        facts = np.zeros((count, self.segments, 8), dtype=np.float32)
        lists, lengths, costs, powers, dt = Shared(), Shared(), Shared(), Shared(), Shared()
        nodes, shift, moves = Shared(), Shared(), Shared()
        opens, open_soc, cells = Shared(), Shared(), Shared()
        at = dict.fromkeys(("corners", "corner_lists", "value", "offset", "track"), 0)
        rows, order = self.states * self.gears, self.graph.order
        for i, problem in enumerate(self.problems):
            points, grid, cell = problem.points, problem.grid, problem.cell
            key, steps = id(points), points.steps
            made = points.costs(0, steps)
            begin = costs.place(key, lambda made=made: made.cost)
            powers.place(key, lambda made=made: made.power)
            places = lambda made=made, begin=begin: made.first + begin  # noqa: E731
            slots = steps + 1 if self.keep else 2
            middle = problem.nodes[:, grid.points // 2]
            numbers[i, :22] = (
                steps,
                points.gears,
                grid.points,
                lists.place(key, places),
                begin,
                dt.place(key, lambda points=points: points.dt),
                at["corners"],
                at["corner_lists"],
                nodes.place(
                    (grid.low, grid.spacing, grid.points, id(cell.voltage)),
                    lambda problem=problem: problem.nodes,
                ),
                shift.place(
                    id(problem.shift),
                    lambda problem=problem: finite32(problem.shift.swapaxes(2, 3)),
                )
                // (3 * self.gears**2),
                moves.place(
                    id(problem.events.cost),
                    lambda problem=problem: finite32(problem.events.cost[:, order]),
                )
                // order.size,
                opens.place(
                    (id(problem.events.soc_min), grid.low, grid.spacing),
                    lambda problem=problem, grid=grid: np.maximum(
                        np.ceil((problem.events.soc_min[order] - grid.low) / grid.spacing - 1e-9),
                        0.0,
                    ),
                ),
                at["value"],
                slots,
                at["offset"],
                at["track"],
                at["offset"],
                cells.place(id(cell.voltage), lambda cell=cell: np.stack(cell[:6])),
                cell.soc.size,
                problem.state,
                problem.gear,
                rows,
            )
            lengths.place(key, lambda made=made: made.length)
            open_soc.place(
                (id(problem.events.soc_min), grid.low, grid.spacing),
                lambda problem=problem: problem.events.soc_min[order],
            )
            reals[i] = (
                1.0 / (cell.capacity * grid.spacing),
                cell.efficiency,
                cell.capacity,
                *middle[:3],
                grid.low,
                grid.top,
                grid.spacing,
                grid.penalty,
                grid.floor_penalty,
                grid.target,
                grid.two_sided,
                problem.soc,
            )
            facts[i] = segment_facts(problem.nodes, self.segments)
            at["corners"] += made.cost.size
            at["corner_lists"] += made.length.size
            at["value"] += slots * rows * grid.points
            at["offset"] += steps + 1
            at["track"] += steps
        self.sizes = at
        return Arrays(
            numbers,
            reals,
            lists.joined(np.int64),
            lengths.joined(np.int32),
            costs.joined(np.float64),
            powers.joined(np.float64),
            dt.joined(np.float64),
            nodes.joined(np.float32),
            facts,
            shift.joined(np.float32),
            moves.joined(np.float32),
            opens.joined(np.int64),
            open_soc.joined(np.float64),
            cells.joined(np.float64),
        )
