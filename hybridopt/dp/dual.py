"""The dual function: the lower bound for given multipliers, and its supergradient; see bound.py."""

import copy
from typing import NamedTuple

import numpy as np

from ..base.threads import in_threads
from ..problem.problem import Problem
from . import bound_kernels as kernels
from .heat import Heat
from .hulls import GATED, list_hulls, stage_classes


def all_multipliers(after: np.ndarray) -> np.ndarray:
    """Put the unused one of before the first step in front of the others, (steps + 1,)."""
    return np.concatenate((after[:1], after))


FEW = 3000  # lists that one thread fills sooner than others begin


class Look(NamedTuple):
    """The bound at some multipliers, and the shortest path that gives it.

    Attributes
    ----------
    value : g, the bound
    multipliers : after each step, g/J, (steps,)
    prices : of budgets, (budgets, steps)
    slope : the bound's supergradient over them, J, (steps,)
    drain : stored energy that the path takes in each step, J, (steps,)
    rise : what the path adds to priced budgets in each step, (budgets, steps)
    level : stored energy that it has before each step and at the end, J, (steps + 1,)
    state, gear : before each step, (steps,)
    chosen : gear and class of stages of each step, (2, steps)
    ahead : g, length of the shortest path from every step, state and gear on,
        (steps + 1, states, gears)
    """

    value: float
    multipliers: np.ndarray
    prices: np.ndarray
    slope: np.ndarray
    drain: np.ndarray
    rise: np.ndarray
    level: np.ndarray
    state: np.ndarray
    gear: np.ndarray
    chosen: np.ndarray
    ahead: np.ndarray


class Dual:
    """The dual function of a problem over the multipliers after each step.

    Stage costs over a step's wide box, that holds all its boxes, are sound as well, lower, and
    quickly found. So all lists begin with the wide box; only those on a shortest path, and those
    that look no dearer, get all boxes, until a path has no other ones.
    """

    def __init__(self, problem: Problem, boxes: kernels.Boxes, heat: Heat | None = None) -> None:
        self.problem, self.boxes, self.heat = problem, boxes, heat
        self.taken = stage_classes(problem)
        self.classes = int(self.taken.max()) + 1
        points = heat.priced(problem.points) if heat else problem.points
        self.hulls, places = list_hulls(points, self.classes)
        self.places = places if heat else None
        self.corners = np.zeros(self.hulls.first.size - 1, dtype=np.int64)
        self.jobs = np.full(self.corners.size, kernels.WIDE, dtype=np.int64)

    @property
    def credit(self) -> float:
        """What prices of budgets are worth at their limits, g."""
        return self.heat.credit if self.heat else 0.0

    def with_boxes(self, boxes: kernels.Boxes) -> "Dual":
        """Return the same over other boxes."""
        other = copy.copy(self)
        other.boxes, other.corners, other.jobs = boxes, self.corners.copy(), self.jobs.copy()
        return other

    def with_prices(self, prices: np.ndarray) -> "Dual":
        """Return the same at other prices of heat, (budgets, steps)."""
        assert self.heat is not None  # nothing else has a price
        other = Dual(self.problem, self.boxes, self.heat.at(prices))
        other.jobs[:] = self.jobs
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
        arrays = np.empty((4, steps.size, problem.points.gears, self.classes))
        ahead = np.empty((steps.size + 1, graph.states, problem.points.gears))
        path, start = np.zeros((3, steps.size), dtype=np.int64), (problem.state, problem.gear)
        jobs = self.jobs
        while jobs.any():
            self._fill(lam, jobs, arrays)
            moves = arrays[0], problem.shift, graph, problem.events.cost, self.taken
            if self.heat and self.heat.rooms:
                found = self.heat.rooms.path(moves, start, ahead, path)
            else:
                found = kernels._trellis(*moves, *start, ahead, path)
            if not found:
                raise ValueError("no path leads through the drive")
            jobs = self._unsettled(arrays[0], *path[1:])
        _, path_drain, path_level, watts = arrays[:, steps, path[1], path[2]]
        length = ahead[0][start] - self.credit
        bound = length - lam[1] * boxes.z_start + lam[-1] * boxes.z_end
        bound -= 1e-12 * (
            abs(length) + self.credit + (lam[1] + lam[-1]) * max(boxes.z_start, boxes.z_end)
        )
        z = np.concatenate(([boxes.z_start], path_level[1:], [boxes.z_end]))
        gear = np.concatenate(([problem.gear], path[1, :-1]))
        slope = z[1:] - z[:-1] + path_drain
        rise, chosen = self._rises(path, watts), path[1:]
        prices = self.heat.prices if self.heat else np.empty((0, steps.size))
        return Look(
            float(bound), after, prices, slope, path_drain, rise, z, path[0], gear, chosen, ahead
        )

    def _rises(self, path: np.ndarray, watts: np.ndarray) -> np.ndarray:
        """Return what a path adds to priced budgets in each step, (budgets, steps)."""
        if self.heat is None or self.places is None or not self.heat.budgets:
            return np.empty((0, watts.size))
        lists = (np.arange(watts.size) * self.problem.points.gears + path[1]) * self.classes
        share, here, there = _between(self.hulls, lists + path[2], watts)
        place = self.heat.place(path[1], path[2] % GATED)
        rises = self.heat.rises
        at = place + self.places[here], place + self.places[there]
        return np.asarray((1.0 - share) * rises[:, at[0]] + share * rises[:, at[1]])

    def _fill(self, lam: np.ndarray, jobs: np.ndarray, arrays: np.ndarray) -> None:
        """Fill stage costs, drains and levels of the lists that have a job."""
        hulls, boxes, points = self.hulls, self.boxes, self.problem.points
        lists, efficiency = points.gears * self.classes, self.problem.cell.efficiency

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

        if np.count_nonzero(jobs) < FEW:
            fill(0, points.steps)
        else:
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
            same = np.arange(self.classes) == engine[:, None, None]
            new = same & (stage <= here) & (known == kernels.WIDE)
            jobs[new], known[new] = kernels.EXACT, kernels.EXACT
        return jobs.ravel()


def _between(
    hulls: kernels.Hulls, lists: np.ndarray, watts: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return between which points of their hulls powers lie: share of the second, and both."""
    share, here, there = np.zeros(lists.size), *np.zeros((2, lists.size), dtype=np.int64)
    for t, row in enumerate(lists):
        a, b = hulls.first[row], hulls.first[row + 1] - hulls.lone[row]
        inside = hulls.power[a:b]
        if hulls.lone[row] and (hulls.power[b] == watts[t] or not inside.size):
            here[t] = there[t] = b
            continue
        k = int(np.clip(np.searchsorted(inside, watts[t]), 1, max(inside.size - 1, 1)))
        here[t], there[t] = a + k - 1, a + min(k, inside.size - 1)
        width = hulls.power[there[t]] - hulls.power[here[t]]
        if width > 0.0:
            share[t] = (watts[t] - hulls.power[here[t]]) / width
    return share, here, there
