"""The dual function: the lower bound for given multipliers, and its supergradient; see bound.py."""

from typing import NamedTuple

import numpy as np

from ..base.threads import in_threads
from ..physics.codes import EngineClass
from ..problem.choices import Choices
from ..problem.memory import PART
from ..problem.problem import Problem
from . import bound_kernels as kernels


def list_hulls(points: Choices) -> kernels.Hulls:
    """Return the lower convex hulls of (power, cost) of every step, gear and class."""
    powers, costs, counts, lones = [], [], [], []
    for first in range(0, points.steps, PART):
        part = points.costs(first, min(first + PART, points.steps))
        power, cost = np.empty((2, int(part.length.sum())))
        count, lone = np.zeros((2, *part.length.shape), dtype=np.int64)
        used = kernels._hulls(part, power, cost, count, lone)
        powers.append(power[:used].copy())
        costs.append(cost[:used].copy())
        counts.append(count.ravel())
        lones.append(lone.ravel())
    ends = np.concatenate(([0], np.cumsum(np.concatenate(counts))))
    return kernels.Hulls(np.concatenate(powers), np.concatenate(costs), ends, np.concatenate(lones))


def all_multipliers(after: np.ndarray) -> np.ndarray:
    """Put the unused one of before the first step in front of the others, (steps + 1,)."""
    return np.concatenate((after[:1], after))


class Look(NamedTuple):
    """The bound at some multipliers, and the shortest path that gives it.

    Attributes
    ----------
    value : g, the bound
    multipliers : after each step, g/J, (steps,)
    slope : the bound's supergradient over them, J, (steps,)
    drain : stored energy that the path takes in each step, J, (steps,)
    level : stored energy that it has before each step and at the end, J, (steps + 1,)
    state, gear : before each step, (steps,)
    ahead : g, length of the shortest path from every step, state and gear on,
        (steps + 1, states, gears)
    """

    value: float
    multipliers: np.ndarray
    slope: np.ndarray
    drain: np.ndarray
    level: np.ndarray
    state: np.ndarray
    gear: np.ndarray
    ahead: np.ndarray


class Dual:
    """The dual function of a problem over the multipliers after each step.

    Stage costs over a step's wide box, that holds all its boxes, are sound as well, lower, and
    quickly found. So all lists begin with the wide box; only those on a shortest path, and those
    that look no dearer, get all boxes, until a path has no other ones.
    """

    def __init__(self, problem: Problem, hulls: kernels.Hulls, boxes: kernels.Boxes) -> None:
        self.problem, self.hulls, self.boxes = problem, hulls, boxes
        self.corners = np.zeros(hulls.first.size - 1, dtype=np.int64)
        self.jobs = np.full(hulls.first.size - 1, kernels.WIDE, dtype=np.int64)

    def with_boxes(self, boxes: kernels.Boxes) -> "Dual":
        """Return the same over other boxes."""
        other = Dual(self.problem, self.hulls, boxes)
        other.corners[:], other.jobs[:] = self.corners, self.jobs
        return other

    def value(self, after: np.ndarray) -> float:
        """Return the bound at multipliers after each step, g/J, 0 or more, (steps,); g."""
        return self.look(after).value

    def look(self, after: np.ndarray) -> Look:
        """Return the bound and its path at multipliers after each step, g/J, 0 or more, (steps,).

        Raises
        ------
        ValueError
            No path over gear and engine state leads through the drive.
        """
        problem, boxes, lam = self.problem, self.boxes, all_multipliers(after)
        graph, steps = problem.events.graph, np.arange(problem.points.steps)
        arrays = np.empty((3, steps.size, problem.points.gears, len(EngineClass)))
        ahead = np.empty((steps.size + 1, graph.states, problem.points.gears))
        path, start = np.zeros((3, steps.size), dtype=np.int64), (problem.state, problem.gear)
        jobs = self.jobs
        while jobs.any():
            self._fill(lam, jobs, arrays)
            moves = problem.shift, graph, problem.events.cost
            if not kernels._trellis(arrays[0], *moves, *start, ahead, path):
                raise ValueError("no path leads through the drive")
            jobs = self._unsettled(arrays[0], *path[1:])
        _, path_drain, path_level = arrays[:, steps, path[1], path[2]]
        length = ahead[0][start]
        bound = length - lam[1] * boxes.z_start + lam[-1] * boxes.z_end
        bound -= 1e-12 * (abs(length) + (lam[1] + lam[-1]) * max(boxes.z_start, boxes.z_end))
        z = np.concatenate(([boxes.z_start], path_level[1:], [boxes.z_end]))
        gear = np.concatenate(([problem.gear], path[1, :-1]))
        slope = z[1:] - z[:-1] + path_drain
        return Look(float(bound), after, slope, path_drain, z, path[0], gear, ahead)

    def _fill(self, lam: np.ndarray, jobs: np.ndarray, arrays: np.ndarray) -> None:
        """Fill stage costs, drains and levels of the lists that have a job."""
        hulls, boxes, points = self.hulls, self.boxes, self.problem.points
        lists, efficiency = points.gears * len(EngineClass), self.problem.cell.efficiency

        def fill(a: int, b: int) -> None:
            rows = slice(a * lists, b * lists)
            kernels._stages(
                hulls._replace(first=hulls.first[a * lists : b * lists + 1], lone=hulls.lone[rows]),
                points.dt[a:b],
                lam[a : b + 1],
                boxes._replace(wide=boxes.wide[a:b], first=boxes.first[a:b], last=boxes.last[a:b]),
                efficiency,
                jobs[rows],
                self.corners[rows],
                kernels.Stages(*arrays[:, a:b]),
            )

        in_threads(fill, points.steps)

    def _unsettled(self, stage: np.ndarray, gear: np.ndarray, engine: np.ndarray) -> np.ndarray:
        """Give a path's lists, and those of its classes that look no dearer, all boxes; job each.

        All jobs are none when the path has all boxes already.
        """
        steps = np.arange(gear.size)
        known = self.jobs.reshape(stage.shape)
        jobs = np.full_like(known, kernels.LEAVE)
        if (known[steps, gear, engine] == kernels.WIDE).any():
            here = stage[steps, gear, engine][:, None, None]
            same = np.arange(len(EngineClass)) == engine[:, None, None]
            new = same & (stage <= here) & (known == kernels.WIDE)
            jobs[new], known[new] = kernels.EXACT, kernels.EXACT
        return jobs.ravel()
