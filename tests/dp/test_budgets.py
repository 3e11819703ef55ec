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
from makers import varied
from test_brute_force import LOSSY_PENALTY, instances, solve_lossy

from hybridopt import Cycle, read_driveline
from hybridopt.dp.bound import lower_bound
from hybridopt.dp.heat import Heat
from hybridopt.dp.heat_levels import HeatLevels
from hybridopt.dp.heat_sweep import plans_within
from hybridopt.optimum.solve import solve
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.operating_points import OperatingPoints
from hybridopt.physics.replay import replay_schedule
from hybridopt.physics.schedule import Schedule
from hybridopt.physics.thermal import strains
from hybridopt.problem.budgets import Budget, thermal_budgets
from hybridopt.problem.choices import list_choices
from hybridopt.problem.fine_lists import FineLists

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
    instance[4]["stop_soc_min"] = np.random.default_rng(seed).choice([0.0, 0.32, 0.36])
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
        priced = Heat.of([of for of in as_budgets(budgets) if not of.whole], points)
        if priced:
            levels = HeatLevels(solution.problem, bound.end, priced, int(random.integers(1, 200)))
            look = levels.look(bound.multipliers[1:] * random.uniform(0.5, 1.5))
            assert look.value <= best.cost + ROUNDING * (1.0 + abs(best.cost))
    return max(bounds), best.cost, solution.cost


@pytest.mark.long
@examples(max_examples=cases(150), **QUICK)
@given(instances(), st.integers(0, 2**32 - 1))
def test_never_above_the_enumerated_optimum_with_budgets(instance, seed):
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


@pytest.mark.long
def test_never_above_the_integer_program_with_budgets():
    count = cases(200)
    assert sum(check_against_program(100 + seed) for seed in range(count)) >= 0.3 * count


def planned_excess(seed):
    """How much more the best schedule of a plan's gears and classes costs than the best of all.

    Both by enumeration with the budget; None where there is none.
    """
    random, shape = np.random.default_rng(seed), (4, 2, 3, 3)
    cost, power = random.uniform(0.0, 1.0, shape), random.uniform(-2e3, 2e3, shape)
    rise, kept = random.uniform(0.0, 0.6, shape), random.uniform(0.5, 1.0, shape[0])
    settings = oracle.settings(201, 0.2, 0.8, 0.5, start_cost=0.3, engine_on_start=True)
    battery, shift = oracle.linear_battery(100.0, 1000.0), 0.2 * (1.0 - np.eye(2))
    budgets, terms = [(rise, kept, 0.8)], (battery, settings, LOSSY_PENALTY, shift)

    def best(allowed):
        points = OperatingPoints.bare(np.ones(4), np.where(allowed, cost, np.inf), power)
        return oracle.brute_force(points, *terms, meeting_target=True, budgets=budgets).cost

    if not np.isfinite(least := best(True)):
        return None
    solution = solve(OperatingPoints.bare(np.ones(4), cost, power), *terms)
    found = plans_within(
        solution.problem, as_budgets(budgets)[0], solution.problem.points, solution.soc
    )
    allowed, (plan, _) = np.zeros(shape, dtype=bool), found[-1]
    allowed[np.arange(4), plan.gear, plan.engine_class] = True
    return best(allowed) - least


@pytest.mark.long
def test_plans_within_a_budget_are_near_the_enumerated_best():
    """They are only a guide: gears and engine classes of the best schedule, or of a near one."""
    excess = [found for seed in range(12) if (found := planned_excess(seed)) is not None]
    assert len(excess) >= 6 and min(excess) >= 0.0
    assert np.median(excess) <= 1e-9
    assert max(excess) <= 0.3  # g, of some 2 g


@pytest.mark.long
@pytest.mark.parametrize("pieces", [1, 4])
def test_rises_are_no_more_than_the_replayed_heat(pieces):
    """Schedules between listed splits: temperature and budgets lie at or just above the lists'.

    The replay knows no lists; what they are below it by is the bend of a square over one piece.
    """
    car = varied(read_driveline("full"), motor={"continuous_torque": None, "continuous_limit": 40})
    speed = np.concatenate((np.linspace(0.0, 12.0, 15), np.linspace(12.0, 0.0, 9)[1:], [0.0]))
    cycle = Cycle("hill", np.arange(speed.size, dtype=float), speed, np.array(0.06))
    demand = drive_demand(car, cycle)
    lists = FineLists(list_choices(car, demand, 21, 1e9), pieces)
    steps, found = demand.steps, np.random.default_rng(pieces)
    part, torque = lists.costs(0, steps), lists.torque(0, steps)
    can = part.length.astype(bool)
    gear, engine = np.zeros((2, steps), dtype=np.int64)
    place, share = np.zeros(steps, dtype=np.int64), found.uniform(0.0, 1.0, steps)
    for t in range(steps):
        options = []
        for g, c in np.argwhere(can[t, :, :2]):
            row = np.arange(part.first[t, g, c] + 1, part.first[t, g, c] + part.length[t, g, c] - 1)
            row = row[np.isfinite(part.cost[row]) & np.isfinite(part.cost[row + 1])]
            options += [(g, c, k) for k in row]
        if not options:  # at rest: the motor unpowered
            g, c = np.argwhere(np.isfinite(part.cost[part.first[t]]))[0]
            options, share[t] = [(g, c, part.first[t, g, c])], 0.0
        gear[t], engine[t], place[t] = options[found.integers(len(options))]
    after = place + (share > 0.0)
    torques = torque[place] + share * (torque[after] - torque[place])
    powered = lists.powered(0, steps)[place]
    schedule = Schedule(gear, engine, torques, powered)
    trace = replay_schedule(car, demand, schedule, 0.6)
    budgets = {budget.name: budget for budget in thermal_budgets(car, demand, lists)}
    known = list(strains(car, trace))
    assert {strain.name for strain in known} == set(budgets) == {"clutch", "motor", "battery"}
    for strain in known:
        budget = budgets[strain.name]
        rise = budget.rises(0, steps)
        rise, x = rise[place] + share * (rise[after] - rise[place]), np.zeros(steps + 1)
        for t in range(steps):
            x[t + 1] = budget.kept[t] * x[t] + rise[t]
        true = strain.values - strain.values[0]
        assert (x <= true + 1e-12).all()
        assert true.max() > 0.0 and x.max() >= true.max() * (0.8 if pieces == 1 else 0.98)
