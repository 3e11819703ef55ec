"""The bound with one budget of heat as a state: levels of it, rounded down, beside gear and engine.

A price of heat cannot tell engine starts that are traded for heat from mixtures of some and none.
Here a path keeps the budget's limit in every step, so no price is needed for it. A level stands for
all of the budget up to the next one; the state is taken at its lower end, and what a choice makes
of it is rounded down, so a path is never hotter than the schedule it stands for. Between two
neighbouring choices a piece costs and heats as the better of all its mixtures in each.
"""

import dataclasses
from collections.abc import Callable
from typing import cast

import numpy as np

from ..problem.memory import part_ranges
from ..problem.problem import Problem
from . import level_kernels as kernels
from .ascent import Ascent
from .bound import Bound
from .boxes import make_boxes
from .dual import Dual, Look, all_multipliers
from .heat import Heat, LevelProof

LEVEL_BOXES = 8  # sub-boxes of the SoC window
ROUNDS = (120, 400), (240, 1600), (960, 6400)  # splits and levels: ever finer; the last one looks
LEVELS = ROUNDS[0][1]
MOST_VALUES = 20_000_000  # ahead of all steps, states, gears and levels; 160 MB


class HeatLevels:
    """The bound as a function of the multipliers, as :class:`dual.Dual` is.

    Parameters
    ----------
    problem
        What was solved.
    end
        Lowest SoC at the end.
    heat
        The budgets; the dearest one becomes a state, the others keep their prices.
    levels
        Of that budget.
    """

    def __init__(self, problem: Problem, end: float, heat: Heat, levels: int = LEVELS) -> None:
        self.problem, self.boxes, self.heat = problem, make_boxes(problem, LEVEL_BOXES, end), None
        self.budget = heat.dearest
        others = heat.prices * [[float(of is not self.budget)] for of in heat.budgets]
        self.others = heat.at(others)
        points, graph = heat.choices, problem.events.graph
        size = (points.steps + 1) * graph.states * points.gears
        self.levels = max(min(levels, MOST_VALUES // size), 1)

    def proof(self, after: np.ndarray) -> LevelProof:
        """Return what proves the bound at multipliers after each step, g/J, (steps,)."""
        place = next(b for b, of in enumerate(self.others.budgets) if of is self.budget)
        return LevelProof(self.others, place, ROUNDS[-1][1], all_multipliers(after))

    def look(self, after: np.ndarray) -> Look:
        """Return the bound and its path at multipliers after each step, g/J, 0 or more, (steps,).

        Raises
        ------
        ValueError
            No path keeps the budget.
        """
        problem, lam, graph = self.problem, all_multipliers(after), self.problem.events.graph
        pieces, steps = self._pieces(lam), np.arange(problem.points.steps)
        ahead = np.empty((steps.size + 1, graph.states, problem.points.gears, self.levels))
        path, taken = np.zeros((3, steps.size), dtype=np.int64), np.zeros(steps.size, np.int64)
        moves = (
            *(pieces, self.budget.kept, self.budget.limit / self.levels),
            *(graph, problem.shift, problem.events.cost, ahead),
        )
        kernels._level_sweep(*moves)
        start = problem.state, problem.gear
        if not kernels._level_path(*moves, start, path, taken):
            raise ValueError("no path keeps the budget")
        boxes, credit = self.boxes, self.others.credit
        length = float(ahead[0][start][0]) - credit
        bound = length - lam[1] * boxes.z_start + lam[-1] * boxes.z_end
        bound -= 1e-12 * (
            abs(length) + credit + (lam[1] + lam[-1]) * max(boxes.z_start, boxes.z_end)
        )
        drain = pieces.drain[taken]
        z = np.concatenate(([boxes.z_start], pieces.level[taken][1:], [boxes.z_end]))
        none = np.empty((0, steps.size))
        slope = z[1:] - z[:-1] + drain
        return Look(
            bound, after, none, slope, drain, none, z, path[0], path[1], path[1:], ahead[..., 0]
        )

    def _pieces(self, lam: np.ndarray) -> kernels.Pieces:
        """Return the pieces of all lists at multipliers, g/J, (steps + 1,)."""
        choices, boxes = self.others.choices, self.boxes
        priced, parts = self.others.priced(choices), part_ranges(choices.steps)
        found, begin = [], 0
        for first, last in parts:
            lists, steps = priced.costs(first, last), slice(first, last)
            cost, rise, drain, level = np.empty((4, lists.cost.size))
            choice = np.empty(lists.cost.size, dtype=np.int64)
            begins, counts = np.zeros((2, *lists.length.shape), dtype=np.int64)
            part = kernels.Pieces(cost, rise, drain, level, choice, begins, counts)
            kernels._pieces(
                lists,
                self.budget.rises(first, last),
                lam[first : last + 1],
                boxes._replace(first=boxes.first[steps], last=boxes.last[steps]),
                self.problem.cell.efficiency,
                part,
            )
            found.append(part._replace(first=part.first + begin))
            begin += lists.cost.size
        return kernels.Pieces(*(np.concatenate(part) for part in zip(*found, strict=True)))


def raised(bound: Bound, upper: float, wanted: float, finer: Callable[[int], Heat]) -> Bound:
    """Return a bound over the levels of a budget, or the one given, if none is higher.

    Parameters
    ----------
    bound
        With prices of heat.
    upper
        Cost of a schedule, g.
    wanted
        Gap at which no finer lists and levels are looked at, % of the cost.
    finer
        Returns the budgets of lists of about so many splits.
    """
    assert bound.heat is not None  # it has prices
    after = bound.plain[1:]
    for splits, levels in ROUNDS:
        heat = finer(splits).at(bound.heat.prices)
        dual = HeatLevels(bound.problem, bound.end, heat, levels)
        if (splits, levels) == ROUNDS[-1]:  # its lists are too long for certificates
            least, proof, above = dual.look(after).value, bound.level_proof, False
        else:
            ascent = Ascent(cast(Dual, dual), upper, [], wanted)  # it only looks
            ascent.climb([after])
            least, after, above = ascent.bound, ascent.multipliers, ascent.above
            proof = dual.proof(after)
        if least > bound.bound:
            bound = dataclasses.replace(bound, bound=least, level_proof=proof)
        if not above:
            break
    return bound
