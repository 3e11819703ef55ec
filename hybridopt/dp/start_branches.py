"""Branching on the number of starts: one bound for few of them, another one for more.

The bound lets schedules mix, say a quarter of a path with four starts and three quarters of one
with none. How many steps the engine is being started in is a whole number, so either it is at most
n, or at least n + 1. In each branch a price p on such steps, above 0 in the first and below 0 in
the second, is a multiplier of that inequality: the bound at the price, less p n or p (n + 1), is
one of the branch, and the lower of both one of all schedules.

Source: branch and bound with Lagrangian bounds, as in Geoffrion, see bound.py.
"""

import dataclasses
from typing import NamedTuple

import numpy as np

from ..physics.codes import EngineClass
from .ascent import Ascent
from .dual import Dual, all_multipliers
from .hulls import GATED

BRANCH_PERCENT = 0.05  # gap above which starts are branched on
LOOKS = 16  # at the bound, in each branch
SIDES = 6  # looks for a path on the other side of the target
RADIUS = 0.05, 2.0  # how far scale and price go at first: share, and times the gap
ENOUGH = 0.02  # of the gap: what must be promised to go on
STARTING = int(EngineClass.STARTING)


class BranchLook(NamedTuple):
    """A look: scale of the multipliers and price, the bound there, its slopes, and the count."""

    at: np.ndarray
    value: float
    slope: np.ndarray


class Branches(NamedTuple):
    """What proves both branches: at most so many steps of starts, and more.

    Attributes
    ----------
    multipliers : g/J, (2, steps + 1), as those of a bound
    price : g, of a step that starts the engine, (2,), 0 or more and 0 or less
    most : such steps at most in the first branch
    """

    multipliers: np.ndarray
    price: np.ndarray
    most: int


class StartBranches:
    """The bound of a climb, by branches on how many steps start the engine.

    Parameters
    ----------
    ascent
        Whose best multipliers are scaled.
    upper
        Cost of a schedule, g.

    Attributes
    ----------
    evaluations : of the bound
    proof : of both branches, where they prove more than the climb
    """

    def __init__(self, ascent: Ascent, upper: float) -> None:
        self.dual, self.multipliers, self.upper = ascent.dual, ascent.multipliers, upper
        self.known, self.evaluations = ascent.bound, 0
        self.gap = upper - ascent.bound
        self.proof: Branches | None = None

    def bound(self) -> float:
        """Return the lower of the bounds of both branches, g, or the one known, if higher."""
        sides = self._sides()
        if len(sides) < 2:
            return self.known
        (low, high), total = sides, sides[0].slope[0] - sides[1].slope[0]
        if total == 0.0:
            return self.known
        mean = (low.slope[0] * high.slope[1] - high.slope[0] * low.slope[1]) / total
        count = int(np.floor(mean + 1e-6))
        if mean - count < 1e-3:  # nothing is mixed
            return self.known
        few, at_few = self._branch(sides, count, 1.0)
        if few <= self.known:
            return self.known
        more, at_more = self._branch(sides, count + 1, -1.0)
        if more > self.known:
            scale, price = np.array([at_few, at_more]).T
            multipliers = scale[:, None] * all_multipliers(self.multipliers)
            self.proof = Branches(multipliers, price, count)
        return max(self.known, min(few, more, self.upper))

    def _look(self, at: np.ndarray) -> BranchLook:
        self.evaluations += 1
        look = priced_starts(self.dual, at[1]).look(at[0] * self.multipliers)
        starts = np.count_nonzero(look.chosen[1] % GATED == STARTING)
        return BranchLook(at, look.value, np.array([self.multipliers @ look.slope, float(starts)]))

    def _sides(self) -> list[BranchLook]:
        """Return looks whose paths end above and below the target, the higher slope first."""
        seen, scale, stride = [self._look(np.array([1.0, 0.0]))], 1.0, 1e-3
        way = 1.0 if seen[0].slope[0] > 0.0 else -1.0
        for _ in range(SIDES):
            scale, stride = scale * (1.0 + way * stride), 3.0 * stride
            seen.append(self._look(np.array([scale, 0.0])))
            if seen[-1].slope[0] * way <= 0.0:
                return sorted(seen[-2:], key=lambda look: -look.slope[0])
        return []

    def _branch(self, sides: list[BranchLook], count: int, sign: float) -> tuple[float, np.ndarray]:
        """Return the best bound of a branch, and where: cutting planes near the best look."""
        from scipy.optimize import linprog  # 0.25 s that most cycles do not need

        cuts, radius = list(sides), np.array(RADIUS) * [1.0, self.gap]
        for _ in range(LOOKS):
            values = [cut.value - cut.at[1] * count for cut in cuts]
            best = cuts[int(np.argmax(values))]
            slopes = np.array([cut.slope - [0.0, count] for cut in cuts])
            rest = np.array(values) - (slopes * [cut.at for cut in cuts]).sum(axis=1)
            low, high = best.at - radius, best.at + radius
            low[0] = max(low[0], 0.0)
            low[1], high[1] = (
                (max(low[1], 0.0), high[1]) if sign > 0.0 else (low[1], min(high[1], 0.0))
            )
            found = linprog(
                [0.0, 0.0, -1.0],
                A_ub=np.column_stack((-slopes, np.ones(len(cuts)))),
                b_ub=rest,
                bounds=[*zip(low, high, strict=True), (None, None)],
            )
            if max(values) >= self.upper or not found.success:
                break
            if -found.fun - max(values) < ENOUGH * self.gap:
                break
            cuts.append(self._look(found.x[:2]))
            here = cuts[-1].value - cuts[-1].at[1] * count
            radius *= 2.0 if here > max(values) else 0.5
        value, at = max(
            ((cut.value - cut.at[1] * count, cut.at) for cut in cuts), key=lambda b: b[0]
        )
        return float(value), at


def priced_starts(dual: Dual, price: float) -> Dual:
    """Return the bound's function with a price on every step of a start, g."""
    other, events = dual.with_boxes(dual.boxes), dual.problem.events
    cost = events.cost + price * (events.graph.engine == STARTING)
    other.problem = dataclasses.replace(dual.problem, events=events._replace(cost=cost))
    return other
