"""The cost-to-go over all steps, in parts: kept in memory, or swept again when it is asked for."""

import dataclasses
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..base.progress import Progress, silent
from ..base.threads import Threads
from ..problem.graph import Moves
from ..problem.grid import _terminal
from ..problem.memory import PART, Memory
from ..problem.problem import Problem
from . import sweep
from .blocks import block_bounds, block_facts
from .corridor import Corridor

BESIDE = 8  # cells beside the path that are swept as well: runs aim beside their target


@dataclass(frozen=True, eq=False)
class ValuePart:
    """Cost-to-go of a range of steps.

    Attributes
    ----------
    first, last : range of steps
    value : g, float32, (last - first + 1, states, gears, SoC points from number `begin` on), less
        the offset; its last row is that of the next part's first
    begin : number of the first SoC point
    offset : g
    """

    first: int
    last: int
    value: np.ndarray
    begin: int
    offset: float


class CostToGo:
    """The minimum cost from every state to the end, made by a backward sweep.

    Indexing by a step, 0 to the number of steps, gives g of fuel as float64,
    (states, gears, SoC points); without minimum times the states are engine off and on.

    Notes
    -----
    The sweep itself runs in float64. What is kept is float32 less an offset per part, so that a
    value carries a rounding of some 1e-6 g; only the choices of the forward run depend on it.
    SoC points that no run from the start can reach are NaN unless `whole`, and so are those
    outside a corridor. Beyond the corridor, energy counts as bought and sold at its costate.
    Where the settings' memory limit does not hold all parts, the last ones are kept, and the
    others are swept again from the float64 row kept at each one's end (checkpointing).
    """

    def __init__(
        self,
        problem: Problem,
        prune: bool = True,
        whole: bool = False,
        progress: Progress = silent,
        corridor: Corridor | None = None,
    ) -> None:
        self.problem, self.prune = problem, prune
        self.steps = problem.points.steps
        problem.points.make_room(problem.memory.packed)
        self.edges = [*range(0, self.steps, PART), self.steps]
        self.pad = math.ceil(problem.max_move) + 4
        self.bounds = block_bounds(problem.grid.points, self.pad)
        self.facts = block_facts(problem.nodes, self.bounds)
        self.reach = _whole(problem) if whole else _reach(problem)
        self.prices = np.full(self.steps + 1, problem.grid.penalty * problem.grid.spacing)
        if corridor:
            self.reach = _inside(problem, corridor, self.reach)
            self.prices = corridor.costate * problem.grid.spacing
        self.floors = _floors(problem)
        self.threads = Threads(self.steps)
        self._looked_at = np.zeros(self.bounds.size - 1)
        self.columns = [self._columns(*ends) for ends in itertools.pairwise(self.edges)]
        widest = max(end - begin for begin, end in self.columns)
        memory = dataclasses.replace(self._memory(), soc_points=widest)
        self.kept_from = len(self.edges) - 1 - memory.kept_parts
        self.parts: dict[int, ValuePart] = {}
        self.ends: dict[int, np.ndarray] = {}
        rows = self._terminal_rows()
        for i in range(len(self.edges) - 2, -1, -1):
            if i < self.kept_from:
                self.ends[i] = self._bare(rows[0]).copy()
            part = self._sweep(i, rows)
            if i >= self.kept_from:
                self.parts[i] = part
            progress(1.0 - part.first / self.steps)
        self.start = np.full_like(self._bare(rows[0]), np.nan)
        low, high = self.reach[0]
        self.start[..., low : high + 1] = self._bare(rows[0])[..., low : high + 1]
        self._recent: tuple[int, ValuePart] | None = None

    @property
    def start_row(self) -> np.ndarray:
        """The cost-to-go over SoC in the state and gear that the run begins in, g."""
        row: np.ndarray = self[0][self.problem.state, self.problem.gear]
        return row

    @property
    def looked_at(self) -> float:
        """Pairs of a split and a SoC point that the sweep has evaluated."""
        return float(self._looked_at.sum())

    def _bare(self, rows: np.ndarray) -> np.ndarray:
        bare: np.ndarray = rows[..., self.pad : rows.shape[-1] - self.pad]
        return bare

    @property
    def _rows(self) -> tuple[int, ...]:
        """Rows of the value before a step."""
        return self.problem.events.graph.states, self.problem.points.gears

    def _memory(self) -> Memory:
        return self.problem.memory

    def _terminal_rows(self) -> np.ndarray:
        grid = self.problem.grid
        return self._padded([_terminal(grid, soc) for soc in self.problem.soc_grid])

    def _padded(self, values: ArrayLike) -> np.ndarray:
        """Return rows for the sweep that begin with values, (states, gears, points)."""
        problem = self.problem
        rows = np.zeros((2, *self._rows, problem.grid.points + 2 * self.pad))
        self._bare(rows[0])[:] = values
        return rows

    def _columns(self, first: int, last: int) -> tuple[int, int]:
        """First SoC point, and last plus one, that a part holds: those swept, and its end's."""
        reach = self.reach[first : last + 1]
        begin = self.bounds[np.searchsorted(self.bounds, reach[:, 0].min(), side="right") - 1]
        end = self.bounds[np.searchsorted(self.bounds, reach[:, 1].max(), side="right")]
        return int(begin), int(end)

    def _sweep(self, i: int, rows: np.ndarray) -> ValuePart:
        """Sweep one part; rows[0] holds the padded values at its end, and then at its begin."""
        problem, first, last = self.problem, self.edges[i], self.edges[i + 1]
        points = problem.points.costs(first, last)
        events, kept = problem.events, self._kept(first, last, rows)
        layout = self._layout(first, last)
        with self.threads.measured(last - first):
            sweep._sweep(
                points,
                self._battery(),
                layout,
                Moves(
                    events.graph, problem.shift[first:last], events.cost[first:last], self.floors
                ),
                rows,
                kept,
                self._looked_at,
                None if self.threads.count == 1 else self.threads.count,
            )
        return self._part(first, last, kept)

    def _battery(self) -> sweep.BatteryOnGrid:
        cell, spacing = self.problem.cell, self.problem.grid.spacing
        cells = 1.0 / (cell.capacity * spacing)
        return sweep.BatteryOnGrid(self.problem.nodes, cells, cell.efficiency)

    def _layout(self, first: int, last: int) -> sweep.Layout:
        grid = self.problem.grid
        return sweep.Layout(
            self.pad,
            self.bounds,
            self.facts,
            self.reach[[max(first - 1, 0), *range(first, last + 1)]],
            self.prices[first : last + 1],
            grid.floor_penalty * grid.spacing,
            self.prune,
        )

    def _kept(self, first: int, last: int, rows: np.ndarray) -> sweep.Kept:
        """Return room for what is kept of a part; the offset is the value in the middle."""
        begin, end = self.columns[first // PART]
        value = np.empty((last - first + 1, *self._rows, end - begin), dtype=np.float32)
        place = min(max(self.problem.grid.points // 2, begin), end - 1)
        middle = float(rows[0].reshape(-1, rows.shape[-1])[0, self.pad + place])
        return sweep.Kept(value, begin, middle if math.isfinite(middle) else 0.0)

    def _part(self, first: int, last: int, kept: sweep.Kept) -> ValuePart:
        """Return a part that was swept; what it says of points out of reach is NaN."""
        reach = self.reach[first : last + 1] - kept.begin
        for row, (low, high) in zip(kept.value, reach, strict=True):
            row[..., :low], row[..., high + 1 :] = np.nan, np.nan
        return ValuePart(first, last, kept.value, kept.begin, kept.offset)

    def part(self, i: int) -> ValuePart:
        """Return a part, swept again if it was not kept."""
        if i in self.parts:
            return self.parts[i]
        if self._recent is None or self._recent[0] != i:
            self._recent = i, self._sweep(i, self._padded(self.ends[i]))
        return self._recent[1]

    def forget(self) -> None:
        """Give the memory back; after that only the values before the first step are known."""
        self.parts.clear()
        self.ends.clear()
        self._recent = None

    def parts_from(self, i: int) -> Iterator[ValuePart]:
        """Yield the parts from number i to the end."""
        return (self.part(j) for j in range(i, len(self.edges) - 1))

    def __len__(self) -> int:
        return self.steps + 1

    def __getitem__(self, t: int) -> np.ndarray:
        if not 0 <= t <= self.steps:
            raise IndexError(f"step {t} of 0 to {self.steps}")
        if t == 0:
            return self.start
        part = self.part(min(t, self.steps - 1) // PART)
        values = part.value[t - part.first].astype(np.float64) + part.offset
        row = np.full((*values.shape[:-1], self.problem.grid.points), np.nan)
        row[..., part.begin : part.begin + values.shape[-1]] = values
        return row


class ValueLeftOut(CostToGo):
    """A cost-to-go of which nothing is kept here, as a device swept it."""

    def __init__(self, problem: Problem) -> None:
        self.problem, self.steps = problem, problem.points.steps
        self.parts, self.ends, self._recent = {}, {}, None

    def __getitem__(self, t: int) -> np.ndarray:
        raise LookupError("the cost-to-go was not brought back from the device; solve here for it")


def _floors(problem: Problem) -> np.ndarray:
    """First grid point from which each move is open, (moves,)."""
    above = (problem.events.soc_min - problem.grid.low) / problem.grid.spacing
    return np.maximum(np.ceil(above - 1e-9), 0.0).astype(np.int64)


def _whole(problem: Problem) -> np.ndarray:
    return np.tile([0, problem.grid.points - 1], (problem.points.steps + 1, 1))


def _reach(problem: Problem) -> np.ndarray:
    """First and last grid point that a run from the start may need before each step and at the end.

    From a point in the range, all landings of a step lie between points of the next step's range.
    Points from which the target is out of reach are left out by a corridor only: that alone saves
    less than 2 % on a real cycle, and the value beside them would be infinite.

    Returns
    -------
    ndarray of int64, (steps + 1, 2)
    """
    grid = problem.grid
    rise, drop = problem.reach(*problem.power_ranges, problem.points.dt)
    place = (problem.soc - grid.low) / grid.spacing
    low, high = math.floor(place) - BESIDE, math.ceil(place) + BESIDE
    ranges = np.empty((problem.points.steps + 1, 2), dtype=np.int64)
    ranges[0] = low, high
    for t in range(problem.points.steps):
        low = max(math.floor(low - drop[t] / grid.spacing), 0)
        high = min(math.ceil(high + rise[t] / grid.spacing), grid.points - 1)
        ranges[t + 1] = low, high
    return ranges.clip(0, grid.points - 1)


def _inside(problem: Problem, corridor: Corridor, reach: np.ndarray) -> np.ndarray:
    """Narrow ranges of grid points to a corridor, and some points beside it."""
    grid = problem.grid
    low = np.floor((corridor.low - grid.low) / grid.spacing).astype(np.int64) - BESIDE
    high = np.ceil((corridor.high - grid.low) / grid.spacing).astype(np.int64) + BESIDE
    low, high = np.clip([low, high], reach[:, 0], reach[:, 1])
    return np.column_stack((low, high))
