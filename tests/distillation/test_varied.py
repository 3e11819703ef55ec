"""Varied copies of training cycles, and how they count in the figure of merit."""

import numpy as np
import pytest

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.base.errors import InfeasibleError
from hybridopt.controllers.builtin import Playback, PowerThresholds
from hybridopt.distillation.fast_loop import DriveTotals
from hybridopt.distillation.refine import merit
from hybridopt.distillation.varied import PACES, varied, varied_cases
from hybridopt.evaluation import batch as module
from hybridopt.evaluation.case import Case
from hybridopt.evaluation.equal_soc import ChargeWorth, Yardstick
from hybridopt.pipeline import find_optimum

SETTINGS = Settings(soc_points=101, splits=15)


def test_copies_scale_distance_and_acceleration():
    """Closed form: distance goes with speed times time, acceleration with speed over time."""
    cycle = read_cycle("eudc")
    copies = list(varied(cycle))
    assert len(copies) == len(PACES) and len({cycle.name, *(c.name for c in copies)}) == 3
    for copy, (speed, time) in zip(copies, PACES, strict=True):
        assert copy.distance == pytest.approx(cycle.distance * speed * time)
        rates = (np.diff(c.speed) / np.diff(c.time) for c in (copy, cycle))
        np.testing.assert_allclose(next(rates), next(rates) * speed / time, atol=1e-12)
        assert copy.time[0] == cycle.time[0]


def test_a_copy_that_cannot_be_driven_is_left_out(monkeypatch):
    def refuse(cycle, driveline, settings, **options):
        if "x 1.1" in cycle.name:
            raise InfeasibleError("too fast")
        assert settings.grid_points == 101
        return find_optimum(cycle, driveline, settings, **options)

    monkeypatch.setattr(module, "find_optimum", refuse)
    driveline, told = read_driveline("full"), []
    settings = SETTINGS.resolved(driveline)
    cases = varied_cases([read_cycle("ece15")], driveline, settings, told.append)
    assert len(cases) == 1 and told == [0.5, 1.0]
    copy = next(iter(varied(read_cycle("ece15"))))
    known = Case(find_optimum(copy, driveline, settings))
    assert cases[0].optimum_cost == known.optimum_cost
    assert cases[0].optimum.demand.steps == copy.dt.size
    assert not cases[0].optimum.solution.value.parts  # many would fill the memory
    first, second = (one.regret(one.drive(PowerThresholds())) for one in (cases[0], known))
    assert first.totals == second.totals
    same = cases[0].drive(Playback(schedule=known.optimum.solution.schedule))
    assert cases[0].regret(same).totals == known.regret(same).totals


class Loop:
    """A loop whose run is known: 100 g at best, 10 starts, 20 shifts, 50 steps, an end at 0.6."""

    optimum_shifts = 20
    yardstick, steps = Yardstick(ChargeWorth(0.0, 0.6, None, lambda soc: 0.0), 100.0, 10), 50

    def __init__(self, gap, run):
        self._gap, self._run = gap, run

    def pack(self, table):
        return table

    def run(self, packed):
        return self._run

    def cost_above(self, run):
        return self._gap


def test_merit_is_a_mean_by_weight_the_worst_of_the_training_and_penalties():
    """By hand: 60 per SoC beyond 0.03, 4 per optimum's shifts beyond 1.15, 20 if clipped."""
    calm = Loop(2.0, DriveTotals(102.0, 0.62, 13, 0, 22))
    wild = Loop(3.0, DriveTotals(103.0, 0.55, 15, 5, 26))
    lost = 60 * 0.02 + 20 * 0.1 + 4 * 0.15
    copy = Loop(9.0, DriveTotals(109.0, 0.6, 1, 0, 0))
    weight = np.array([1.0, 1.0, 0.5])
    expected = (2.0 + (3.0 + lost) + 0.5 * 9.0) / 2.5 + 0.5 * 3.0
    assert merit(None, [calm, wild, copy], weight) == pytest.approx(expected)
    weak = Loop(2.0, DriveTotals(102.0, 0.62, 13, 0, 5, lacking_cost=7.0))
    assert merit(None, [weak], np.ones(1)) == pytest.approx(2.0 + 7.0 + 0.5 * 2.0)
