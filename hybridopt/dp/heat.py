"""Budgets of heat in the bound: one kept by the paths themselves, the others at a price."""

from collections.abc import Sequence
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from ..inputs.driveline import Driveline
from ..physics.demand import Demand
from ..problem.budgets import Budget, PricedChoices, all_lengths, thermal_budgets
from ..problem.choices import Choices
from ..problem.fine_lists import FineLists
from . import room_kernels as kernels
from .hulls import GATED

FINE_SPLITS = 120  # of lists over which heat is convex, about
LABELS = 48  # of a step, state and gear, at most


class Rooms:
    """The budget that paths keep: what choices of a gear and class add to it is known of a path.

    Parameters
    ----------
    budget
        Not below 0, and the same over all choices of a gear and class, or no more than they add.
    rise
        Of every step's gears and classes, (steps, gears, classes).
    """

    def __init__(self, budget: Budget, rise: np.ndarray) -> None:
        self.budget, self.rise = budget, np.ascontiguousarray(rise)
        self.labels: kernels.RoomLabels | None = None

    def path(
        self, moves: tuple[Any, ...], start: tuple[int, int], ahead: np.ndarray, path: np.ndarray
    ) -> bool:
        """Fill the shortest path that keeps the budget; see :func:`room_kernels._roomy_trellis`."""
        shape = (*ahead.shape, LABELS)
        if self.labels is None or self.labels.cost.shape != shape:
            self.labels = kernels.RoomLabels(
                np.empty(shape),
                np.empty(shape),
                np.empty(shape, dtype=np.int64),
                np.empty(ahead.shape, dtype=np.int64),
            )
        limits = kernels.Allowance(self.budget.kept, self.rise, float(self.budget.limit))
        return bool(kernels._roomy_trellis(*moves, start, limits, self.labels, ahead, path))


class Heat:
    """All budgets of a problem: `rooms` is kept by paths, `budgets` have prices.

    Parameters
    ----------
    budgets
        Those that have prices.
    rooms
        The one that has none, if any.
    choices
        What the budgets are of.
    prices
        g per unit, (budgets, steps); valid ones, see :meth:`Budget.falling`.
    """

    def __init__(
        self, budgets: Sequence[Budget], rooms: Rooms | None, choices: Choices, prices: np.ndarray
    ) -> None:
        self.budgets, self.rooms, self.choices, self.prices = budgets, rooms, choices, prices

    @classmethod
    def of(cls, budgets: Sequence[Budget], choices: Choices) -> "Heat | None":
        """Return the budgets of choices at no price; None without any."""
        if not budgets:
            return None
        whole = next((budget for budget in budgets if budget.whole), None)
        priced = [budget for budget in budgets if budget is not whole]
        rooms = Rooms(whole, whole.list_rises(choices)) if whole else None
        return cls(priced, rooms, choices, np.zeros((len(priced), choices.steps)))

    def at(self, prices: np.ndarray) -> "Heat":
        """Return the same at other prices, made valid."""
        pairs = zip(self.budgets, prices, strict=True)
        valid = np.array([budget.falling(price) for budget, price in pairs])
        other = Heat(self.budgets, self.rooms, self.choices, valid.reshape(prices.shape))
        other.__dict__.update(rises=self.rises, lists=self.lists)
        return other

    def priced(self, points: Choices) -> Choices:
        """Return choices with what they pay."""
        del points
        return PricedChoices(self.choices, self.budgets, self.prices)

    @property
    def dearest(self) -> Budget:
        """The budget that is worth most at its prices."""
        pairs = zip(self.budgets, self.prices, strict=True)
        return max(pairs, key=lambda pair: pair[0].credit(pair[1]))[0]

    @cached_property
    def credit(self) -> float:
        """What the prices are worth at the limits, g."""
        pairs = zip(self.budgets, self.prices, strict=True)
        return float(sum(budget.credit(price) for budget, price in pairs))

    @cached_property
    def rises(self) -> np.ndarray:
        """What every choice adds to each priced budget, (budgets, choices)."""
        return np.array([budget.all_rises(self.choices.steps) for budget in self.budgets])

    @cached_property
    def lists(self) -> np.ndarray:
        """Where each list begins, (steps, gears, classes)."""
        length = all_lengths(self.choices)
        return np.asarray((np.cumsum(length) - length.ravel()).reshape(length.shape))

    def place(self, gear: np.ndarray, engine: np.ndarray) -> np.ndarray:
        """Return where the lists of a path begin, (steps,)."""
        return np.asarray(self.lists[np.arange(gear.size), gear, engine])

    def guide(self, chosen: np.ndarray) -> "HeatGuide":
        """Return what a path of the bound tells of heat; `chosen` as of :class:`dual.Look`."""
        named = dict(zip((budget.name for budget in self.budgets), self.prices, strict=True))
        steps = np.arange(chosen.shape[1])
        used = (
            self.rooms.rise[steps, chosen[0], chosen[1] % GATED] > 0.0
            if self.rooms
            else np.ones(steps.size, bool)
        )
        return HeatGuide(named, self.rooms.budget.name if self.rooms else "", used)


class HeatGuide(NamedTuple):
    """What a bound tells of the schedules that keep budgets.

    Attributes
    ----------
    prices : g per unit of each budget, by name, (steps,)
    kept : name of the budget that paths kept
    used : whether the shortest path added to it in each step, (steps,)
    """

    prices: dict[str, np.ndarray]
    kept: str
    used: np.ndarray


class LevelProof(NamedTuple):
    """What proves a bound over levels of a budget, or nearly all of it.

    Attributes
    ----------
    heat : budgets of finer lists, at the prices of all but the one whose levels count
    budget : number of that one
    levels : of it, as many as the finest bound takes
    multipliers : g/J, (steps + 1,), as those of a bound
    """

    heat: Heat
    budget: int
    levels: int
    multipliers: np.ndarray


def limited_heat(
    driveline: Driveline, demand: Demand, points: Choices, splits: int, fine: int = FINE_SPLITS
) -> Heat | None:
    """Return the budgets of a driveline over choices of so many splits, cut to about `fine`."""
    lists = FineLists(points, max(-(-fine // splits), 1))
    return Heat.of(thermal_budgets(driveline, demand, lists), lists)
