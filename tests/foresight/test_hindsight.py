"""Known drives with SoC: amounts added per step, in the sweep and in the proof."""

import dataclasses

import numpy as np
import pytest
from exhaustive import numpy_sweep

from hybridopt import Settings, read_cycle
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.controllers.controller import Command
from hybridopt.dp.kernels import _value
from hybridopt.foresight.hindsight import charge_price, know_drive

PRICE = 6.2e-5  # g/J, near what stored energy is worth to the demo driveline


@pytest.fixture(scope="module")
def settings(driveline):
    return Settings(soc_points=41, splits=9).resolved(driveline)


@pytest.fixture(scope="module")
def known(driveline, settings):
    return know_drive(read_cycle("ece15").cut(0, 60), driveline, settings, PRICE)


def test_sweep_with_amounts_is_that_of_numpy(known):
    """Amounts of either sign for engine state and gear, against the sweep that shares no code."""
    random = np.random.default_rng(1)
    steps, gears = known.problem.points.steps, known.problem.points.gears
    other = known.with_added(random.normal(0.0, 0.3, (steps, 2, gears)))
    problem = other.problem
    row = numpy_sweep(problem)[problem.state, problem.gear]
    value = float(_value(problem.grid, row, problem.soc)) - other.refund
    assert other.least() == pytest.approx(value, abs=1e-9)
    assert abs(other.least() - known.least()) > 0.1


def test_the_same_amount_everywhere_adds_up(known):
    steps, gears = known.problem.points.steps, known.problem.points.gears
    more = known.with_added(np.full((steps, 2, gears), 0.25))
    assert more.least() == pytest.approx(known.least() + 0.25 * steps, abs=1e-9)
    assert more.proved() == pytest.approx(known.proved() + 0.25 * steps, abs=1e-6)


def test_nothing_done_costs_nothing(driveline, settings):
    """At rest with the auxiliaries off: no fuel, no charge taken, no refund due."""
    still = dataclasses.replace(
        read_cycle("ece15").cut(0, 10), speed=np.zeros(11), oil_temperature=np.full(11, np.nan)
    )
    quiet = dataclasses.replace(
        driveline, auxiliary=dataclasses.replace(driveline.auxiliary, power=0.0)
    )
    known = know_drive(still, quiet, settings, PRICE)
    assert known.least() == pytest.approx(0.0, abs=1e-9)
    assert known.proved() == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_no_controller_beats_what_is_proved(known, driveline, settings, seed):
    """Random controllers in closed loop, from any charge they end with, on every drive."""
    random = np.random.default_rng(seed)
    held = {"on": False, "gear": 1, "torque": 0.0}

    def controller(observation):
        if random.uniform() < 0.3:
            held["on"] = bool(random.uniform() < 0.5)
            held["gear"] = int(random.integers(1, 9))
            held["torque"] = float(random.uniform(-100.0, 150.0))
        return Command(held["on"], held["gear"], held["torque"])

    prepared = known.prepared
    loop = ClosedLoop(driveline, prepared.demand, settings, prepared.points)
    drive = loop.run(controller)
    worth = charge_price(driveline, settings, PRICE)
    cost = drive.cost + worth * (settings.socs[2] - drive.soc_end)
    assert cost >= known.proved() - 1e-9
    assert known.proved() <= known.least() + 1e-9
