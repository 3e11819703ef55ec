"""No controller beats the bound: random commands and rules on random cycles."""

import functools
import math

import numpy as np
import pytest
from case_counts import cases
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from hybridopt import Cycle, Settings, read_driveline
from hybridopt.base.errors import InfeasibleError
from hybridopt.controllers.builtin import ElectricPower, Equivalence, PowerThresholds
from hybridopt.controllers.closed_loop import CLIPPINGS
from hybridopt.controllers.controller import Command
from hybridopt.evaluation.case import Case
from hybridopt.pipeline import find_optimum

ROUNDING = 1e-9
QUICK = {"deadline": None, "suppress_health_check": list(HealthCheck)}


@st.composite
def random_cycles(draw):
    """Cycles of 5 to 40 steps of 0.5 to 2 s, with stops and grades."""
    steps = draw(st.integers(5, 40))
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    dt = draw(st.sampled_from([0.5, 1.0, 2.0]))
    speed = np.zeros(steps + 1)
    speed[0] = draw(st.sampled_from([0.0, 0.0, 8.0, 25.0]))
    rates = np.repeat(random.normal(0.0, 0.8, steps // 3 + 1), 3)
    for t in range(steps):
        speed[t + 1] = min(max(speed[t] + np.clip(rates[t], -2.0, 1.2) * dt, 0.0), 35.0)
    grade = draw(st.sampled_from([0.0, 0.03, -0.04]))
    return Cycle("random", dt * np.arange(steps + 1), speed, grade)


class Dice:
    """Random commands, each kept for a random while."""

    def __init__(self, seed, gears):
        self.seed, self.gears = seed, gears

    def reset(self):
        self.random, self.left = np.random.default_rng(self.seed), 0

    def decide(self, observation):
        if self.left == 0:
            torques = (None, math.inf, -math.inf, self.random.normal(0.0, 80.0))
            self.command = Command(
                bool(self.random.integers(2)),
                int(self.random.integers(1, self.gears + 1)),
                torques[self.random.integers(4)],
            )
            self.left = int(self.random.integers(1, 9))
        self.left -= 1
        return self.command


def rules(seed, gears):
    """Random commands, and rules with random parameters: the latter come close to the bound."""
    random = np.random.default_rng(seed)
    event = {"min_on": 0.0, "min_off": 0.0, "min_gear": 0.0}
    yield Dice(seed, gears)
    for factor in random.uniform(2.0, 3.5, 3):
        yield Equivalence(factor=factor, start_share=random.uniform(0.0, 1.0), **event)
    yield PowerThresholds(start_power=random.uniform(2e3, 3e4), charge_gain=random.uniform(0, 1e6))
    yield ElectricPower(electric_power=random.uniform(0, 2e4), **event)


@functools.cache
def vehicle(name):
    return read_driveline(name)


def assert_no_rule_beats_the_bound(cycle, name, seed):
    random = np.random.default_rng(seed)
    low = random.uniform(0.45, 0.6)
    start = low + random.uniform(0.0, 0.1)
    problem = Settings(
        soc_points=61,
        splits=9,
        soc_min=low,
        soc_max=start + random.uniform(0.001, 0.1),
        soc_start=start,
        terminal="target",
        soc_target=max(low, start - random.uniform(0.0, 0.01)),
        start_cost=random.choice([0.0, 0.5]),
        shift_cost=random.choice([0.0, 0.05, 0.5]),
    )
    try:
        known = find_optimum(cycle, vehicle(name), problem)
    except InfeasibleError:
        assume(False)
    case = Case(known)
    for rule in rules(seed, known.driveline.gearbox.gears):
        try:
            drive = case.drive(rule)
            bound = case.driven(drive).optimum.bound  # of the speed driven, where power lacked
        except InfeasibleError:
            continue
        if (drive.clipped & CLIPPINGS["window"]).any():
            continue  # no schedule of the stated problem
        limit = bound.at(drive.soc_end)
        assert drive.cost >= limit - ROUNDING * (1.0 + abs(limit)), rule


@pytest.mark.long
@settings(max_examples=8, **QUICK)
@given(random_cycles(), st.sampled_from(["full", "mild", "micro"]), st.integers(0, 2**32 - 1))
def test_no_controller_beats_the_bound(cycle, name, seed):
    assert_no_rule_beats_the_bound(cycle, name, seed)


@pytest.mark.long
@settings(max_examples=cases(180), **QUICK)
@given(random_cycles(), st.sampled_from(["full", "mild", "micro"]), st.integers(0, 2**32 - 1))
def test_no_controller_beats_the_bound_in_hundreds_of_cases(cycle, name, seed):
    assert_no_rule_beats_the_bound(cycle, name, seed)
