"""Random drives with odd battery tables on grids of 3 to 4,001 points: no bound above any schedule.

Voltage and resistance jump up and down over state of charge, so that a coarse grid steps over
what the table holds. The reference needs no other solver: a schedule of any grid, made by the
forward run from the exact SoC, is feasible, so its cost limits the bounds of all grids from above
(weak duality: Geoffrion, Lagrangean relaxation for integer programming, Math. Prog. Study 2, 1974,
DOI 10.1007/BFb0120690).
"""

import dataclasses

import numpy as np
import oracle
import pytest
from case_counts import cases
from hypothesis import HealthCheck, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from hybridopt.base.errors import InfeasibleError
from hybridopt.dp.bound import lower_bound
from hybridopt.optimum.solve import solve
from hybridopt.physics.operating_points import OperatingPoints

QUICK = {"deadline": None, "suppress_health_check": list(HealthCheck)}
GRIDS = 3, 4, 7, 21, 101, 501, 1001, 4001
PENALTY = 2e3  # g per unit of SoC; some 8 times what the engine's fuel gives
FUEL = 8e-5  # g/J, of the engine at the margin
FREE_END = 2e-3  # of the cost: how far below the free end's bound one may stop climbing


def odd_battery(random):
    """Battery of 7 MJ or so with nodes at random places, some of them close to each other."""
    count = random.integers(2, 9)
    inside = np.sort(random.uniform(0.0, 1.0, count))
    near = np.minimum(inside + 10.0 ** random.uniform(-4, -1, count), 0.999)
    soc = np.unique(np.concatenate(([0.0, 1.0], inside, near)))
    voltage = random.choice([200.0, 250.0, 300.0], soc.size)
    resistance = random.choice([0.001, 0.05, 0.3], (2, soc.size))
    limits = random.choice([2e4, 3e4, 3e4], (2, soc.size))
    return oracle._battery(soc, voltage, resistance, limits, 3e4, random.choice([1.0, 0.95]))


def random_drive(random, steps):
    """Choices of a drive: the motor alone, or an engine along a Willans line beside the motor.

    Split 0 is a motor that is off, which is left out here; the others go up with battery power.
    """
    demand = np.clip(8e3 * np.cumsum(random.normal(0.0, 0.4, steps)) + 4e3, -1.5e4, 1.8e4)
    engine = np.linspace(2.4e4, 0.0, 9)
    dt = random.choice([0.5, 1.0, 2.0], steps)
    power, cost = np.zeros((steps, 2, 3, 10)), np.full((steps, 2, 3, 10), np.inf)
    power[:, :, 0, 1], cost[:, :, 0, 1] = demand[:, None], 0.0
    for gear, effect in enumerate((1.0, 0.93)):
        made = demand[:, None] - effect * engine
        power[:, gear, 1, 1:], power[:, gear, 2, 1:] = made, made + 500.0
    cost[:, :, 1:, 1:] = ((0.12 + FUEL * engine) * dt[:, None])[:, None, None, :]
    cost[:, :, 2] += 0.2
    return OperatingPoints.bare(dt, cost, power)


def check(seed, steps, few=3, finest=4001):
    """Compare bounds and schedules of some grids; return how many of them were solved."""
    random = np.random.default_rng(seed)
    battery, points = odd_battery(random), random_drive(random, steps)
    low, high = 0.1 * random.integers(0, 4), 0.1 * random.integers(6, 11)
    start = random.uniform(low, high)
    target = np.clip(start + random.uniform(-0.1, 0.05), low, high)
    more = {"start_cost": random.choice([0.0, 0.5]), "shift_cost": 0.05}
    bounds, free, costs = {}, {}, []
    for count in {finest, *random.choice(GRIDS, few).tolist()}:
        held = oracle.settings(count, low, high, start, soc_target=target, **more)
        open_end = dataclasses.replace(held, terminal="free")
        for settings, into in ((held, bounds), (open_end, free)):
            try:
                found = solve(points, battery, settings, PENALTY)
            except InfeasibleError:
                continue
            bound = lower_bound(found.problem, found.run, found.costate)
            assert (bound.multipliers >= 0.0).all()
            into[count] = bound.bound
            met = settings is held and found.soc[-1] >= target - 1e-12
            if met and found.soc.min() >= low - 1e-12:
                costs.append(found.cost)
    least = min(costs, default=np.inf)
    for count, bound in bounds.items():
        assert bound <= least + 1e-9 * (1.0 + abs(bound)), (seed, count)
        assert bound >= free.get(count, -np.inf) - FREE_END * (1.0 + abs(bound)), (seed, count)
    return len(costs)


@pytest.mark.long
@examples(max_examples=cases(60), **QUICK)
@given(st.integers(0, 2**32 - 1), st.integers(3, 60))
def test_no_bound_above_a_schedule_nor_below_the_free_ends(seed, steps):
    check(seed, steps)


@pytest.mark.long
def test_most_cases_can_be_driven():
    """The checks above look at something: most random cases have schedules to compare."""
    assert sum(check(seed, 20, few=1) > 0 for seed in range(12)) >= 8


@pytest.mark.parametrize("seed", [27, 103, 125, 157, 196])
def test_a_weak_penalty_costs_nothing(seed):
    """Where missing the target looks cheap to the cost-to-go, steeper penalties are tried as well.

    Reference: the same drive with a penalty twelve times as steep. A schedule that meets the
    target costs the same with any penalty, so the weak one must not end up dearer.
    """
    random = np.random.default_rng(seed)
    battery, points = odd_battery(random), random_drive(random, 3 + seed % 30)
    start = random.uniform(0.2, 0.8)
    target = np.clip(start + random.uniform(-0.03, 0.03), 0.1, 0.9)
    settings = oracle.settings(1001, 0.1, 0.9, start, soc_target=target, shift_cost=0.05)
    weak, steep = (solve(points, battery, settings, 800.0 * factor) for factor in (1.0, 12.0))
    assert weak.soc[-1] >= target - 1e-6
    assert weak.cost <= 1.005 * steep.cost
