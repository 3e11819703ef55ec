"""Budgets of heat in the bound: never above exact answers, and tight where they bind.

References: enumeration of all schedules that keep the budgets in plain Python, and the same
instance as a mixed-integer program solved by HiGHS (both in oracle.py).
"""

import dataclasses

import numpy as np
import oracle
import pytest
from case_counts import cases
from hypothesis import HealthCheck, assume, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from test_brute_force import LOSSY_PENALTY, instances, solve_lossy

from hybridopt.dp.bound import lower_bound
from hybridopt.dp.heat import Heat
from hybridopt.optimum.solve import solve
from hybridopt.physics.operating_points import OperatingPoints
from hybridopt.problem.budgets import Budget

QUICK = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
ROUNDING = 1e-9


def random_budgets(seed, shape):
    """Return up to two budgets, one the same over each list: rises, kept and a limit that binds."""
    random = np.random.default_rng(seed)
    made = []
    for whole in (True, False)[random.integers(2) :]:
        rise = random.choice([0.0, 0.5, 1.0], (*shape[:3], 1 if whole else shape[3]))
        rise = np.broadcast_to(rise * random.uniform(0.5, 1.0, rise.shape), shape)
        kept = random.uniform(0.5, 1.0, shape[0])
        made.append((rise, kept, random.uniform(0.5, 1.8)))
    return made


def as_budgets(listed):
    """Return them as the bound takes them."""
    return [
        Budget(
            str(i),
            limit,
            kept,
            lambda first, last, rise=rise: rise[first:last].ravel(),
            bool((rise == rise[..., :1]).all()),
        )
        for i, (rise, kept, limit) in enumerate(listed)
    ]


def check_against_enumeration(instance, seed):
    """Bounds with any schedule's cost above the best one's, and any costate, are sound."""
    points, battery, settings, shift, events, solution = solve_lossy(instance, 201, 0.3)
    budgets = random_budgets(seed, points.cost.shape)
    options = {"meeting_target": True, "budgets": budgets}
    best = oracle.brute_force(points, battery, settings, LOSSY_PENALTY, shift, **options, **events)
    assume(np.isfinite(best.cost))
    random, bounds = np.random.default_rng(seed), []
    for costate in (solution.costate, np.full(points.steps, 300.0)):
        cost = best.cost * random.choice([1.0, 1.01, 1.5]) + random.choice([1e-9, 1.0])
        run = dataclasses.replace(solution.run, cost=cost)
        heat = Heat.of(as_budgets(budgets), points)
        bound = lower_bound(solution.problem, run, costate, heat=heat)
        assert bound.bound <= best.cost + ROUNDING * (1.0 + abs(best.cost))
        bounds.append(bound.bound)
    return max(bounds), best.cost, solution.cost


@examples(max_examples=25, **QUICK)
@given(instances(), st.integers(0, 2**32 - 1))
def test_never_above_the_enumerated_optimum_with_budgets(instance, seed):
    check_against_enumeration(instance, seed)


@pytest.mark.long
@examples(max_examples=cases(100), **QUICK)
@given(instances(), st.integers(0, 2**32 - 1))
def test_never_above_a_hundred_enumerated_optima_with_budgets(instance, seed):
    check_against_enumeration(instance, seed)


def check_against_program(seed):
    """A random instance with mixtures, solved by HiGHS; the bound lies below and is no worse.

    Strong duality (Geoffrion 1974, see dp/bound.py): the budget with prices can do no more than
    the linear relaxation; what keeps it by its paths may.
    """
    random = np.random.default_rng(seed)
    shape = (6, 2, 3, 3)
    cost = random.uniform(0.0, 1.0, shape) + random.choice([0.0, 2.0], shape)
    power = random.uniform(-2e3, 2e3, shape)
    cost[random.uniform(size=shape) < 0.2] = np.inf
    points = OperatingPoints.bare(np.ones(6), cost, power)
    settings = oracle.settings(201, 0.2, 0.8, 0.5, start_cost=0.3, engine_on_start=True)
    battery, shift = oracle.linear_battery(100.0, 1000.0), 0.2 * (1.0 - np.eye(2))
    budgets = random_budgets(seed, shape)
    cost = oracle.mixed_integer(
        points, battery, settings, LOSSY_PENALTY, shift, True, budgets=budgets
    ).cost
    if not cost < 100.0:  # a miss of the target is part of no schedule
        return False
    solution = solve(points, battery, settings, LOSSY_PENALTY, shift)
    run = dataclasses.replace(solution.run, cost=cost + 1.0)
    bound = lower_bound(
        solution.problem, run, solution.costate, heat=Heat.of(as_budgets(budgets), points)
    )
    assert bound.bound <= cost + 1e-6
    return True


def test_never_above_the_integer_program_with_budgets():
    assert sum(check_against_program(seed) for seed in range(12)) >= 4


@pytest.mark.long
def test_never_above_two_hundred_integer_programs_with_budgets():
    assert sum(check_against_program(seed) for seed in range(100, 300)) >= 60
