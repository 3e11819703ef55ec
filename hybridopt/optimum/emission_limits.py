"""Schedules within limits of emissions, found by the prices of these, and what they prove.

At prices p of emissions m every schedule costs f + p m >= b(p), the bound; so all that keep limits
L cost f >= b(p) - p L (weak duality; Geoffrion, see dp/bound.py). The price of a limit is the
lowest at which it is kept. With several limits, one price after the other is found, the rest held.
"""

import dataclasses
import warnings
from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from ..base.errors import InfeasibleError, InputError
from ..base.nomenclature import SPECIES
from ..base.warning import InputWarning
from ..problem.settings import Settings
from .optimum import Optimum, cost_without

SOLVES = 14  # for the price of one limit, once it is kept
ROUNDS = 4  # through all limits
KM = 1e3  # m
CLOSE = 1e-3  # of a limit: so little below it is near enough
JUMP = 0.05  # of a price: grams that jump within it are looked at no closer
NEAR = 5e-4  # of the cost: so near to what is proved within limits, too
FIRST, RISE, LAST = 0.1, 4.0, 300.0  # prices tried, in costs of the free optimum per its grams
SolveAt = Callable[..., Optimum]


def keep_limits(settings: Settings, solve_at: SolveAt, keep_value: bool = False) -> Optimum:
    """Find a schedule that keeps all limits of emissions, and the least that any such one costs.

    Parameters
    ----------
    settings
        With limits; its prices are the lowest that are tried.
    solve_at
        Solves without limits at prices, g of fuel per g by name, which come first; keeps the
        cost-to-go where `keep_value` is true.
    keep_value
        Keep the cost-to-go of the answer.

    Returns
    -------
    Optimum
        The cheapest found that keeps them, at its prices, with `limits_bound`.

    Raises
    ------
    InfeasibleError
        A limit is not kept at the highest price.
    InputError
        The cycle has no length.
    """
    search = _Search(settings, solve_at)
    for _ in range(ROUNDS):
        over = [name for name in search.limits if search.excess(search.now, name) > 0.0]
        if not over:
            break
        for name in over:
            search.find_price(name)
    best = search.best
    if best is None:
        raise search.unkept(max(search.limits, key=lambda name: search.excess(search.now, name)))
    if keep_value:
        best = solve_at(best.settings.emission_prices, keep_value=True)
    limits: dict[str, Any] = {
        f"{name}_limit": most for name, most in settings.emission_limits.items()
    }
    asked = dataclasses.replace(best.settings, **limits)
    return dataclasses.replace(best, settings=asked, limits_bound=search.proved())


class _Tried(NamedTuple):
    """What a solve at some prices gave: cost and bound with these, and the grams they are of."""

    prices: dict[str, float]
    grams: dict[str, float]
    cost: float
    bound: float | None

    def price(self, name: str) -> float:
        """Return the price of an emission, g of fuel per g."""
        return self.prices.get(name, 0.0)

    def cost_without(self, names: Iterable[str]) -> float:
        """Return the cost without what some emissions are charged, g."""
        return cost_without(self.cost, self.prices, self.grams, names)


class _Search:
    """The solves so far, the one at the present prices, and the cheapest that keeps all limits."""

    def __init__(self, settings: Settings, solve_at: SolveAt) -> None:
        self.solve_at, self.prices = solve_at, dict(settings.emission_prices)
        self.most, self.limits = settings.emission_limits, dict[str, float]()
        self.found: list[_Tried] = []
        self.best, self.best_cost = None, np.inf  # type: Optimum | None, float
        self.now = self.solve({})

    def solve(self, prices: Mapping[str, float]) -> _Tried:
        """Solve at changed prices, which hold from now on."""
        self.prices |= prices
        with warnings.catch_warnings():
            if self.found:  # it was said before
                warnings.simplefilter("ignore", InputWarning)
            found = self.solve_at(self.prices)
        self._set_limits(found)
        bound = None if found.bound is None else found.bound.bound
        self.now = _Tried(dict(self.prices), found.charged_grams, found.solution.cost, bound)
        self.found.append(self.now)
        cost = self.now.cost_without(self.limits)
        if cost < self.best_cost and all(
            self.excess(self.now, name) <= 0.0 for name in self.limits
        ):
            self.best, self.best_cost = found, cost
        return self.now

    def _set_limits(self, known: Optimum) -> None:
        self.length = known.demand.distance
        if self.length <= 0.0:
            raise InputError(
                f"setting {next(iter(self.most))}_limit: cycle {known.cycle.name} has no length, "
                "so that g/km say nothing; leave it out"
            )
        self.limits = {name: self.length * most for name, most in self.most.items()}

    def excess(self, one: _Tried, name: str) -> float:
        """Return grams over the limit."""
        return one.grams[name] - self.limits[name]

    def find_price(self, name: str) -> None:
        """Find the lowest price of an emission that keeps its limit, others held.

        By regula falsi in its Illinois form: grams fall with the price.
        """
        low, free = self.now, self.found[0]
        scale = free.cost / max(free.grams[name], 1e-12)
        price = max(FIRST * scale, RISE * low.price(name))
        while self.excess(high := self.solve({name: price}), name) > 0.0:
            low, price = high, RISE * price
            if price > LAST * scale:
                raise self.unkept(name)
        proved = max(self.within(one, name) for one in (low, high))
        aim = 0.5 * CLOSE * self.limits[name]
        over, under = self.excess(low, name) + aim, self.excess(high, name) + aim
        for _ in range(SOLVES):
            p, q = low.price(name), high.price(name)
            if self.near(low, high, name, proved):
                break
            share = min(max(over / (over - under), CLOSE), 1.0 - CLOSE)
            tried = self.solve({name: p + (q - p) * share})
            proved = max(proved, self.within(tried, name))
            if self.excess(tried, name) > 0.0:
                low, over, under = tried, self.excess(tried, name) + aim, 0.5 * under
            else:
                high, over, under = tried, 0.5 * over, self.excess(tried, name) + aim
        self.prices[name], self.now = high.price(name), high

    def near(self, low: _Tried, high: _Tried, name: str, proved: float) -> bool:
        """Return whether a better price of an emission is not worth another solve.

        It is not where the limit is met, the cheapest schedule lies near what is proved, or the
        grams jump between prices that hardly differ: then no price does better than a mixture.
        """
        p, q, cost = low.price(name), high.price(name), high.cost_without([name])
        over, under = self.excess(low, name), self.excess(high, name)
        if under > -CLOSE * self.limits[name] or q - p < CLOSE * q:
            return True
        if len(self.limits) == 1 and self.best_cost - proved < NEAR * cost:
            return True
        mixed = cost - (cost - low.cost_without([name])) * under / (under - over)
        return q - p < JUMP * q and mixed - proved < NEAR * cost

    def within(self, one: _Tried, name: str) -> float:
        """Return what a solve proves of the cost within a limit, the other prices left in."""
        return -np.inf if one.bound is None else one.bound - one.price(name) * self.limits[name]

    def proved(self) -> float | None:
        """Return the highest lower limit of the cost that all solves prove."""
        return max(
            (
                one.bound - sum(one.price(name) * most for name, most in self.limits.items())
                for one in self.found
                if one.bound is not None
            ),
            default=None,
        )

    def unkept(self, name: str) -> InfeasibleError:
        """Return the error for a limit that no price keeps."""
        length, fewest = self.length / KM, min(one.grams[name] for one in self.found)
        text = (
            f"setting {name}_limit: {self.limits[name] / length:.4g} g/km of {SPECIES[name]} "
            f"cannot be kept; the fewest found are {fewest / length:.4g} g/km"
        )
        budget = 2.0 * self.found[0].cost_without([name])
        least = max(
            (
                (one.bound - budget) / one.price(name)
                for one in self.found
                if one.bound is not None and one.price(name) > 0.0
            ),
            default=0.0,
        )
        if least > 0.0:
            text += f", and none that costs up to {budget:.4g} g has fewer than "
            text += f"{least / length:.4g} (proved)"
        return InfeasibleError(f"{text}; allow more, or give maps of a cleaner engine")
