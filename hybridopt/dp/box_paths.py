"""The bound with boxes of stored energy as a state, beside gear and engine.

Theorem and proof are those of bound.py, but a path leads over boxes too: from z_t in its box a
step's drain leads to z_t - D_t, in the next box, and z_t is free within its box alone. So a path
cannot stop the engine above a SoC and drive on from below it, nor mix stretches whose SoC do not
fit. Within a box it may still move for nothing, by a box's width in a step at most, so boxes prove
more the narrower they are; they are best far narrower than what a step takes. More energy is never
worth less: z_t - D_t may lie above what a schedule has then, never below.

Lists are left out that no schedule takes which costs less than the one at hand: by the shortest
paths through them, without boxes. So the lower of its cost and the bound is a limit of all.
"""

from typing import cast

import numpy as np

from ..physics.battery import stored_energy
from ..problem.problem import Problem
from . import bound_kernels
from . import box_kernels as kernels
from .ascent import Ascent
from .boxes import box_rows, reached
from .corridor import Corridor
from .dual import Dual, Look, all_multipliers

COUNTS = 64, 256, 1024  # boxes of the SoC window, ever narrower
MOST_VALUES = 20_000_000  # ahead of all steps, states, gears and boxes; 160 MB
SLACK = 1e-9  # SoC, that rounding may take a schedule below a limit


class BoxPaths:
    """The bound as a function of the multipliers, as :class:`dual.Dual` is.

    Parameters
    ----------
    dual
        The bound without boxes as a state, over any corridor.
    after
        Multipliers at which lists are left out, g/J, (steps,).
    upper
        Cost of a schedule, g.
    end
        Lowest SoC at the end.
    corridor
        What schedules keep to that cost no more.
    """

    def __init__(
        self, dual: Dual, after: np.ndarray, upper: float, end: float, corridor: Corridor
    ) -> None:
        self.problem, self.dual, self.end, self.corridor = dual.problem, dual, end, corridor
        self.used, self.heat = needed_lists(dual, after, upper), None

    def cut(self, count: int) -> bool:
        """Take about so many boxes of the window; False where a drain is not convex over power."""
        problem, self.boxes = self.problem, self.dual.boxes
        size = (problem.points.steps + 1) * problem.events.graph.states * problem.points.gears
        soc = _edges(problem, max(min(count, MOST_VALUES // size), 1), self.end)
        low, high = reached(problem, self.end, self.corridor)
        first = np.searchsorted(soc, low - SLACK, side="right") - 1
        last = np.searchsorted(soc, high + SLACK, side="left") - 1
        first, last = np.clip([first, last], 0, soc.size - 2)
        opens = np.searchsorted(soc, problem.events.soc_min - 2.0 * SLACK)
        opens[problem.events.soc_min <= problem.settings.socs[0]] = 0
        rows = box_rows(problem, soc[:-1], soc[1:])
        self.lanes = kernels.Lanes(
            stored_energy(problem.cell, soc),
            rows,
            first.astype(np.int64),
            np.maximum(first, last).astype(np.int64),
            opens.astype(np.int64),
            self.used,
        )
        # the start is an edge: of both boxes beside it the lower one says more
        self.start = max(int(np.searchsorted(soc, problem.soc)) - 1, 0)
        self.lanes.first[0] = self.lanes.last[0] = self.start
        self.open_end = soc[:-1] >= self.end - 2.0 * SLACK
        longest, efficiency = problem.points.dt.max(), problem.cell.efficiency
        return all(bound_kernels._convex(longest, row, efficiency) for row in rows)

    def look(self, after: np.ndarray) -> Look:
        """Return the bound and its path at multipliers after each step, g/J, 0 or more, (steps,).

        Raises
        ------
        ValueError
            No path leads through the drive.
        """
        problem, lam, boxes = self.problem, all_multipliers(after), self.boxes
        points, graph = problem.points, problem.events.graph
        ways = kernels.ListsAndMoves(
            self.dual.hulls,
            points.dt,
            problem.cell.efficiency,
            graph,
            problem.shift,
            problem.events.cost,
        )
        ahead = np.empty((points.steps + 1, graph.states, points.gears, self.open_end.size))
        ahead[-1] = np.where(self.open_end, 0.0, np.inf)
        kernels._box_sweep(ways, self.lanes, lam, ahead)
        path, energy = np.zeros((3, points.steps), np.int64), np.zeros((2, points.steps))
        start = problem.state, problem.gear, self.start
        if not kernels._box_path(ways, self.lanes, lam, ahead, start, path, energy):
            raise ValueError("no path leads through the drive")
        length = float(ahead[0][start])
        bound = length - lam[1] * boxes.z_start + lam[-1] * boxes.z_end
        bound -= 1e-11 * (abs(length) + (lam[1] + lam[-1]) * max(boxes.z_start, boxes.z_end))
        z = np.concatenate(([boxes.z_start], energy[1, 1:], [boxes.z_end]))
        none, gear = np.empty((0, points.steps)), np.append(problem.gear, path[1, :-1])
        slope = z[1:] - z[:-1] + energy[0]
        return Look(
            bound, after, none, slope, energy[0], none, z, path[0], gear, path[1:], ahead[..., -1]
        )


def raised(ascent: Ascent, upper: float, end: float, corridor: Corridor) -> tuple[float, int]:
    """Return a bound over boxes, g, and how often it was looked at.

    Parameters
    ----------
    ascent
        That of the best bound without them.
    upper, end, corridor
        As for :class:`BoxPaths`.
    """
    best, looks, after = ascent.bound, 0, ascent.multipliers
    paths = BoxPaths(ascent.dual, after, upper, end, corridor)
    for count in COUNTS:
        if not paths.cut(count):
            break
        climb = Ascent(cast(Dual, paths), upper, [], ascent.wanted)  # it only looks
        climb.climb([after])
        after, best, looks = climb.multipliers, max(best, climb.bound), looks + climb.evaluations
        if not climb.above:
            break
    return min(best, upper), looks


def _edges(problem: Problem, count: int, end: float) -> np.ndarray:
    """Return the SoC between boxes: equal parts between start, end, and where moves open."""
    low, high, start, _ = problem.settings.socs
    marks = {low, high, start, end - SLACK, *(problem.events.soc_min - SLACK).tolist()}
    kept = sorted(mark for mark in marks if low <= mark <= high)
    parts = [np.linspace(low, low, 1)]
    for a, b in zip(kept[:-1], kept[1:], strict=True):
        parts.append(np.linspace(a, b, max(round(count * (b - a) / (high - low)), 1) + 1)[1:])
    return np.concatenate(parts)


def needed_lists(dual: Dual, after: np.ndarray, upper: float) -> np.ndarray:
    """Return the lists of paths that cost no more than a schedule, (steps, gears, classes)."""
    problem, lam = dual.problem, all_multipliers(after)
    graph, points, boxes = problem.events.graph, problem.points, dual.boxes
    arrays = np.empty((4, points.steps, points.gears, dual.classes))
    dual._fill(lam, np.full_like(dual.jobs, bound_kernels.EXACT), arrays)
    behind, ahead = np.full((2, points.steps + 1, graph.states, points.gears), np.inf)
    behind[0, problem.state, problem.gear], ahead[-1] = 0.0, 0.0
    cost, taken = problem.events.cost, dual.taken
    bound_kernels._paths(arrays[0], problem.shift, graph, cost, taken, behind, ahead)
    most = upper + lam[1] * boxes.z_start - lam[-1] * boxes.z_end
    most += 1e-9 * (abs(upper) + (lam[1] + lam[-1]) * max(boxes.z_start, boxes.z_end))
    used = np.zeros(arrays.shape[1:], dtype=bool)
    for m, (s, c, to) in enumerate(zip(graph.source, graph.engine, graph.target, strict=True)):
        here = arrays[0][:, :, taken[m]] + ahead[1:, to] + cost[:, m, None]
        there = (behind[:-1, s, :, None] + problem.shift[:, c]).min(axis=1)
        used[:, :, c] |= here + there <= most
    return used
