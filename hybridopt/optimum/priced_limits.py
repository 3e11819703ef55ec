"""Schedules within thermal limits at the bound's prices of heat, cheaper than tightened ones.

A bound with budgets finds what it is worth to stay within them, in every step. A solve in which
choices pay for their heat keeps the limits nearly; at slightly higher prices it keeps them, or
what is passed still is tightened (thermal_limits.py). Lagrangean heuristics, as in Geoffrion, see
dp/bound.py.
"""

import dataclasses
from collections.abc import Callable

import numpy as np

from ..base.errors import InfeasibleError
from ..base.intervals import intervals
from ..dp.heat import HeatGuide
from ..physics.demand import Demand
from ..physics.thermal import Strain, strains
from ..problem.budgets import PricedChoices, thermal_budgets
from ..problem.choices import Choices
from ..problem.fine_lists import FineLists
from .optimum import Optimum
from .thermal_limits import SolveAgain, respect_limits

ROUNDS = 40  # of raising prices, at most
GAIN = 0.05  # of the highest price: how much it is raised for an excess as large as the limit
SolveChoices = Callable[[Demand, Callable[[Choices], Choices]], Optimum]
"""Finds the optimum of a demand over choices that are changed first."""


def cheaper_within_limits(
    best: Optimum, free: Optimum, guide: HeatGuide, solve_choices: SolveChoices
) -> Optimum:
    """Return the cheapest of a schedule within limits and those that the bound's guide leads to.

    Parameters
    ----------
    best, free
        Within limits, and without them.
    guide
        Of a bound of the problem with limits.
    solve_choices
        Solves for a demand, over choices that a function makes of the listed ones.
    """
    demand = free.demand
    listed = thermal_budgets(free.driveline, demand, FineLists(free.points))
    budgets = {budget.name: budget for budget in listed}
    if guide.kept == "clutch":
        allowed = demand.slip_allowed & guide.used
        demand = dataclasses.replace(demand, slip_allowed=allowed)
        best = _cheaper(best, demand, lambda wanted: solve_choices(wanted, lambda listed: listed))
    if not any(price.any() for price in guide.prices.values()):
        return best
    prices = guide.prices
    for k in range(ROUNDS):
        again = _at_prices(free, prices, solve_choices)
        tried = _solved(demand, again)
        if tried is None:
            break
        over = [strain for strain in strains(tried.driveline, tried.trace) if strain.over.any()]
        if not over:
            tried = dataclasses.replace(tried, rounds=best.rounds + k + 1)
            return min(best, tried, key=lambda found: found.solution.cost)
        if k == 0:
            best = _cheaper(best, demand, again)
        prices = {name: price.copy() for name, price in prices.items()}
        for strain in over:
            if strain.name in prices:
                _raise(prices[strain.name], strain, budgets[strain.name].kept, GAIN * 1.25**k)
    return best


def _raise(price: np.ndarray, strain: Strain, kept: np.ndarray, gain: float) -> None:
    """Raise prices before the peak of every stretch that is over its limit."""
    excess = strain.values[1:] / strain.limit - 1.0
    for first, last in intervals(strain.over):
        peak, more = first + int(np.argmax(excess[first:last])), float(price.max())
        more *= gain * float(excess[peak])
        for t in range(peak, -1, -1):
            price[t] += more
            more *= kept[t]


def _solved(demand: Demand, solve_again: SolveAgain) -> Optimum | None:
    """Return the optimum of a demand, if there is any."""
    try:
        return solve_again(demand)
    except InfeasibleError:
        return None


def _cheaper(best: Optimum, demand: Demand, solve_again: SolveAgain) -> Optimum:
    """Return what keeps all limits from a demand on, where it is cheaper."""
    try:
        found = respect_limits(solve_again(demand), solve_again)
    except InfeasibleError:
        return best
    if found.solution.cost >= best.solution.cost:
        return best
    return dataclasses.replace(found, rounds=best.rounds + found.rounds)


def _at_prices(
    free: Optimum, known: dict[str, np.ndarray], solve_choices: SolveChoices
) -> SolveAgain:
    """Return a solve in which choices pay for heat at known prices, by name of the budget."""

    def solve_again(demand: Demand) -> Optimum:
        def priced(listed: Choices) -> Choices:
            budgets = thermal_budgets(free.driveline, demand, FineLists(listed))
            budgets = [budget for budget in budgets if budget.name in known]
            prices = np.array([known[budget.name] for budget in budgets])
            return PricedChoices(listed, budgets, prices)

        return unpriced(solve_choices(demand, priced))

    return solve_again


def unpriced(found: Optimum) -> Optimum:
    """Return an optimum over priced choices at its own cost."""
    solution = found.solution
    problem, run = solution.problem, solution.run
    points = problem.points
    assert isinstance(points, PricedChoices)
    paid = run.mixed(points).sum() - run.mixed(points.choices).sum()
    solution = dataclasses.replace(
        solution,
        problem=dataclasses.replace(problem, points=points.choices),
        run=dataclasses.replace(run, cost=run.cost - float(paid)),
        value_start=solution.value_start - float(paid),
    )
    return dataclasses.replace(found, solution=solution)
