"""A batch of problems laid out for a device: shared arrays, and two rows of numbers for each."""

from collections.abc import Hashable, Sequence
from typing import Any

import numpy as np

from ..physics.battery import _state
from ..problem.choices import PointsOnDemand
from ..problem.graph import Events
from ..problem.problem import Problem, battery_nodes
from ..problem.statement import Statement, stated
from .device_layout import F_SIZE, N_SIZE, Arrays, GraphArrays
from .device_lists import INFINITE
from .device_sweep import SEGMENT, shared_floats


class Shared:
    """Pieces of one long array; a piece that is there already is not laid out again."""

    def __init__(self) -> None:
        self.pieces: list[np.ndarray] = []
        self.size = 0
        self.known: dict[Hashable, Any] = {}

    def place(self, key: Hashable, make: Any) -> int:
        """Return where the piece of a key begins, made by `make()` if it is new."""
        if key not in self.known:
            piece = np.ravel(make())
            self.known[key] = self.size
            self.pieces.append(piece)
            self.size += piece.size
        return int(self.known[key])

    def memo(self, key: Hashable, make: Any) -> Any:
        """Return what belongs to a key, made by `make()` if it is new; nothing is laid out."""
        if key not in self.known:
            self.known[key] = make()
        return self.known[key]

    def joined(self, dtype: Any) -> np.ndarray:
        """Return all pieces as one array."""
        if not self.pieces:
            return np.zeros(1, dtype=dtype)
        return np.concatenate(self.pieces).astype(dtype, copy=False)


def graph_arrays(events: Events) -> GraphArrays:
    """Return states and moves as the kernels take them."""
    graph = events.graph
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


class ProblemBatch:
    """Problems of one graph and number of gears, laid out for a device.

    Parameters
    ----------
    problems
        Any lengths, grids, batteries, costs and starts. Where their operating points are listed on
        demand, the device is to list them, else they are laid out; all of one kind.
    keep
        Whether the cost-to-go of all steps is to be kept, as a forward run needs it.
    """

    def __init__(self, problems: Sequence[Problem | Statement], keep: bool = True) -> None:
        self.problems = [p if isinstance(p, Statement) else stated(p) for p in problems]
        self.keep, first = keep, self.problems[0]
        self.listed = not isinstance(first.points, PointsOnDemand)
        self.graph = graph_arrays(first.event_base)
        self.states, self.gears = first.event_base.graph.states, first.points.gears
        self.ages = first.event_base.graph.gear_ages > 1
        self.widest = max(problem.grid.points for problem in self.problems)
        self.longest = max(problem.points.steps for problem in self.problems)
        self.splits = max(problem.points.splits for problem in self.problems)
        self.segments = -(-self.widest // SEGMENT)
        self.floats = shared_floats(
            self.states * self.gears, self.graph.arrival_engine.size, self.gears, self.widest
        )
        self.sizes = dict.fromkeys(("corners", "lists", "value", "offset", "track", "shifts"), 0)
        self.points: list[PointsOnDemand] = []  # different ones, in order, for the device to list
        self.lists_on_demand = 0
        self._on_demand: dict[Hashable, int] = {}  # where their lists begin
        self._hulls: dict[Hashable, tuple[int, int]] = {}
        self._owners: list[int] = []
        self.arrays = self._lay_out()
        self.owners = np.array(self._owners)

    def _lay_out(self) -> Arrays:
        count = len(self.problems)
        numbers = np.zeros((count, N_SIZE), dtype=np.int64)
        reals = np.zeros((count, F_SIZE))
        facts = np.zeros((count, self.segments, 8), dtype=np.float32)
        shared = {name: Shared() for name in SHARED}
        for i, problem in enumerate(self.problems):
            numbers[i], reals[i] = self._place(i, problem, shared), _reals(problem)
            facts[i] = shared["facts"].memo(
                _grid_key(problem),
                lambda problem=problem: segment_facts(_nodes(problem), self.segments),
            )
        return Arrays(
            problems=numbers,
            reals=reals,
            facts=facts,
            **{name: shared[name].joined(kind) for name, kind in SHARED.items() if kind},
        )

    def _place(self, number: int, problem: Statement, shared: dict[str, Shared]) -> list[int]:
        """Return the row of whole numbers of a problem, whose pieces are laid out where new."""
        points, grid, cell, events = problem.points, problem.grid, problem.cell, problem.event_base
        at, rows, order = self.sizes, self.states * self.gears, self.graph.order
        steps, gears, key = points.steps, points.gears, id(points)
        lists, size = steps * gears * 3, 0
        if self.listed:
            made = points.costs(0, steps)
            begin = shared["raw_cost"].place(key, lambda: made.cost)
            shared["raw_power"].place(key, lambda: made.power)
            first_list = shared["list_first"].place(key, lambda: made.first + begin)
            shared["list_length"].place(key, lambda: made.length)
            size = made.cost.size
        else:
            assert isinstance(points, PointsOnDemand)
            if key not in self._on_demand:
                self._on_demand[key] = self.lists_on_demand
                self.lists_on_demand += lists
                self.points.append(points)
            first_list = self._on_demand[key]
            begin, size = first_list * self.splits, lists * self.splits
        slots, hulls = steps + 1 if self.keep else 2, (key, _grid_key(problem))
        if hulls not in self._hulls:
            self._hulls[hulls] = at["corners"], at["lists"]
            self._owners.append(number)
            at["corners"] += size
        starts = problem.starts[order] * problem.start_cost
        opens = id(events.soc_min), grid.low, grid.spacing
        found = [
            steps,
            gears,
            grid.points,
            first_list,
            begin,
            shared["dt"].place(key, lambda: points.dt),
            *self._hulls[hulls],
            at["lists"],
            shared["nodes"].place(_grid_key(problem), lambda: _nodes(problem)),
            at["shifts"] // (3 * gears**2),
            shared["moves"].place(
                (id(events.cost), problem.start_cost),
                lambda: finite32(events.cost[:, order] + starts),
            )
            // order.size,
            shared["opens"].place(
                opens,
                lambda: np.maximum(
                    np.ceil((events.soc_min[order] - grid.low) / grid.spacing - 1e-9), 0.0
                ),
            ),
            at["value"],
            slots,
            at["offset"],
            at["track"],
            at["offset"],
            shared["cells"].place(id(cell.voltage), lambda: np.stack(cell[:6])),
            cell.soc.size,
            problem.state,
            problem.gear,
            rows,
            shared["shift"].place(
                id(problem.shift_base), lambda: finite32(problem.shift_base.swapaxes(2, 3))
            ),
        ]
        shared["open_soc"].place(opens, lambda: events.soc_min[order])
        at["lists"] += lists
        at["value"] += slots * rows * grid.points
        at["offset"] += steps + 1
        at["track"] += steps
        at["shifts"] += lists * gears
        return found


SHARED = {
    "list_first": np.int64,
    "list_length": np.int32,
    "raw_cost": np.float64,
    "raw_power": np.float64,
    "dt": np.float64,
    "nodes": np.float32,
    "shift": np.float32,
    "moves": np.float32,
    "opens": np.int64,
    "open_soc": np.float64,
    "cells": np.float64,
    "facts": None,
}
"""Arrays of which problems may share pieces, and their types."""


def _grid_key(problem: Statement) -> Hashable:
    grid = problem.grid
    return grid.low, grid.spacing, grid.points, id(problem.cell.voltage)


def _nodes(problem: Statement) -> np.ndarray:
    return battery_nodes(problem.cell, problem.grid)


def _reals(problem: Statement) -> tuple[float, ...]:
    grid, cell = problem.grid, problem.cell
    middle = _state(cell, grid.low + grid.spacing * (grid.points // 2))
    return (
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
        problem.shift_cost,
    )
