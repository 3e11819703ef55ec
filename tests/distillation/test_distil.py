"""Distillation and verification on short cycles: what optima say, and what tables then do."""

import dataclasses
import functools

import numpy as np
import pytest

from hybridopt import Settings, ShapeLimits, read_cycle, read_driveline, shape_faults
from hybridopt.base.errors import InputError
from hybridopt.distillation import drafting
from hybridopt.distillation.decision_costs import optimum_decision_costs, stage_costs
from hybridopt.distillation.distil import distil, training_names
from hybridopt.distillation.drafting import FACTORS
from hybridopt.distillation.family import Sizes, TableShape
from hybridopt.distillation.limit_costs import ALL
from hybridopt.distillation.plan import HeldCells, TablePlan
from hybridopt.distillation.varied import varied
from hybridopt.distillation.verify import AS_TRAINED, CHANGES, Setup, verify
from hybridopt.evaluation.case import Case
from hybridopt.foresight.expected_cost import make_expected_cost
from hybridopt.inputs.comfort import Comfort
from hybridopt.inputs.cycle import cycle_names
from hybridopt.physics.codes import EngineClass
from hybridopt.pipeline import find_optimum
from hybridopt.tables.rule_table import LAYOUT
from hybridopt.tables.shape import SHAPE_LIMITS

COARSE = Settings(soc_points=101, splits=15)


@functools.cache
def case(name):
    return find_optimum(read_cycle(name), read_driveline("full"))


@functools.cache
def made(seed=1):
    cycles = [read_cycle("ece15"), read_cycle("eudc")]
    return distil(cycles, read_driveline("full"), COARSE, Sizes(), 60, seed)


def value_after(known, t):
    """Cost-to-go after a step by engine state, off and on, and gear, less the lowest, g."""
    grid = known.solution.soc_grid
    rows = known.solution.value[t + 1].reshape(-1, grid.size)
    here = np.array([np.interp(known.solution.soc[t + 1], grid, row) for row in rows])
    return (here - np.nanmin(here)).reshape(2, -1)


def test_the_optimum_takes_the_cheaper_decisions():
    """At the optimum's own equivalence factor no decision of its path costs more than the other.

    The factor along a path follows the battery over SoC, and the cost-to-go is that of a grid, so a
    few hundredths of a gram are left. The future is the one that the optimum knew.
    """
    known = case("eudc")
    factors = FACTORS / FACTORS[12] * np.median(known.bound.multipliers[1:])
    ahead = np.array([value_after(known, t) for t in range(known.demand.steps)])
    costs = optimum_decision_costs(known, factors, ahead[:, None])
    classes = known.solution.schedule.engine_class
    started, ran = classes == EngineClass.STARTING, classes == EngineClass.RUNNING
    was_on = np.concatenate(([False], classes[:-1] != EngineClass.OFF))
    assert np.all(costs.start[started, 12] <= 0.05)
    assert np.all(costs.stay[ran, 12] <= 0.05)
    assert np.all(costs.stay[was_on & (classes == EngineClass.OFF), 12] >= -0.05)
    assert np.all(costs.start[~was_on & (classes == EngineClass.OFF), 12] >= -0.05)


def test_factors_are_dense_where_a_few_percent_decide():
    """Multipliers of the shipped and recorded drives lie within 0.966 and 1.027 of their median."""
    assert FACTORS[0] == 0.5 and FACTORS[12] == 1.0 and FACTORS[-1] == 2.0
    assert np.all(np.diff(FACTORS) > 0.0)
    assert np.diff(FACTORS[10:15]).max() < 0.016


def test_the_future_to_be_expected_takes_the_place_of_the_known_one():
    """Where what is ahead costs nothing, a decision costs what its step does, in every step."""
    known = case("eudc")
    steps, gears = known.demand.steps, known.driveline.gearbox.gears
    factors = np.array([1.0]) * np.median(known.bound.multipliers[1:])
    found = optimum_decision_costs(known, factors, np.zeros((steps, 1, 2, gears)))
    problem = known.solution.problem
    stage = stage_costs(problem.points, problem.cell, problem.soc, factors)[:, 0]
    assert found.speed.size == steps
    np.testing.assert_array_equal(found.gears[:, 0], stage[..., EngineClass.OFF])
    np.testing.assert_array_equal(found.gears[:, 1], stage[..., EngineClass.RUNNING])


def test_recorded_drives_are_in_the_shipped_training():
    """The unseen schedules of the guide are not."""
    names = training_names()
    assert set(cycle_names("drive")) < set(names) and len(names) == len(set(names))
    assert not {"udds", "hwfet", "nedc", "wltc_class2"} & set(names)


@pytest.mark.long
def test_copies_join_in_what_is_to_be_expected(monkeypatch):
    seen = []

    def noted(optima, factors):
        seen.extend(known.cycle.name for known in optima)
        return make_expected_cost(optima, factors)

    monkeypatch.setattr(drafting, "make_expected_cost", noted)
    cycle, driveline = read_cycle("ece15"), read_driveline("full")
    distil([cycle], driveline, COARSE, Sizes(), 1)
    assert seen == ["ece15", *(copy.name for copy in varied(cycle))]


@pytest.mark.long
def test_tables_are_small_complete_and_covered():
    rules = made().rules
    assert rules.origin.cycles == ("ece15", "eudc") and len(rules.origin.training) == 64
    for name in LAYOUT:
        shape = rules.map(name).values.shape
        assert len(shape) <= 3 and max(shape) <= 16
        assert np.isfinite(rules.map(name).values).all()
        coverage = rules.coverage[name]
        assert coverage.visits.shape == shape
        assert np.array_equal(coverage.filled, coverage.visits < 1.0)
    driven = sum(case.optimum.demand.dt.sum() for case in made().cases.values())
    engine = [rules.coverage[name].visits.sum() for name in ("engine_start", "engine_stop")]
    assert sum(engine) == pytest.approx(driven)


def test_a_gear_that_is_never_left_has_no_line():
    rules = made().rules
    assert rules.map("shift_up").axes[0].tolist() == [1, 2, 3, 4, 5, 6, 7]
    assert rules.map("shift_down").axes[0].tolist() == [2, 3, 4, 5, 6, 7, 8]
    gears = [
        np.concatenate(([1], case.drive(rules.table).schedule.gear[:-1] + 1))
        for case in made().cases.values()
    ]
    for name, left in (("shift_up", 8), ("shift_down", 1)):
        looked_at = sum(
            case.optimum.demand.dt[before != left].sum()
            for case, before in zip(made().cases.values(), gears, strict=True)
        )
        assert rules.coverage[name].visits.sum() == pytest.approx(looked_at)


def test_tables_keep_their_limits_and_say_what_each_costs():
    rules = made().rules
    assert rules.origin.shape == ShapeLimits() and not shape_faults(rules, read_driveline("full"))
    costs = made().limit_costs
    assert [one.limit for one in costs] == [*SHAPE_LIMITS, ALL]
    assert rules.table.min_gear >= 2.5
    assert len({(one.fuel_with, one.shifts_with) for one in costs}) == 1
    assert any(one.fuel_without != one.fuel_with for one in costs)


def test_tables_hold_the_longer_of_their_own_and_the_driveline_s_minimum_times():
    """Minimum times of the driveline, of the settings, of the plan and drawn ones, each once."""
    quiet = dataclasses.replace(
        read_driveline("full"), comfort=Comfort(min_on_time=3.0, min_gear_time=2.5)
    )
    settings = Settings(soc_points=51, splits=9, min_off_time=4.0)
    evidence = drafting.gather([Case(find_optimum(read_cycle("ece15"), quiet, settings))])
    family = drafting.fitted(evidence)
    table = family.table(TableShape(min_on=1.0, min_off=2.0, min_gear=0.0))
    assert (table.min_on, table.min_off, table.min_gear) == (3.0, 4.0, 2.5)
    table = family.table(TableShape(min_on=5.0, min_off=6.0, min_gear=3.0))
    assert (table.min_on, table.min_off, table.min_gear) == (5.0, 6.0, 3.0)
    longer = drafting.fitted(evidence, TablePlan(ShapeLimits(gear_time=3.5)))
    assert longer.table(TableShape()).min_gear == 3.5


def test_the_gear_fits_when_the_engine_starts():
    """Driving, lines drafted with the engine off are those with it on; braking, they are not."""
    family = drafting.make_family([Case(case("eudc"))], Sizes(6, 4, 6, 6, 6))
    drives = family.wheel_torques >= 0.0
    for lines in (family.up, family.down):
        np.testing.assert_array_equal(lines[:, drives, 0], lines[:, drives, 1])
        assert np.any(lines[:, ~drives, 0] != lines[:, ~drives, 1])


@pytest.mark.long
def test_a_plan_gives_breakpoints_and_holds_cells():
    points = {"wheel_torque_Nm": np.array([-900.0, 0.0, 400.0, 1200.0])}
    held = [HeldCells("shift_up", {"gear": 1.0, "engine_on": 1.0}, 20.0 / 3.6)]
    plan = TablePlan(ShapeLimits(gear_time=1.0), points, held)
    known = read_cycle("ece15")
    found = distil([known], read_driveline("full"), COARSE, Sizes(), 20, plan=plan).rules
    np.testing.assert_array_equal(found.map("shift_down").axes[1], points["wheel_torque_Nm"])
    assert np.all(found.map("shift_up").values[0, :, 1] == 20.0 / 3.6)
    assert found.origin.shape.gear_time == 1.0
    assert not shape_faults(found, read_driveline("full"))


def test_tables_are_monotone_where_physics_says_so():
    """The more charge, the later the engine starts; it stops below where it starts; gears rise."""
    table = made().rules.table
    assert np.all(np.diff(table.engine_start.values, axis=1) >= -1e-9)
    assert np.all(table.engine_stop.values <= table.engine_start.values - 1e3)
    assert np.all(table.shift_down.values <= table.shift_up.values - 2.0 / 3.6)


def test_refinement_never_loses():
    refined = made().refined
    assert refined.best <= refined.first


@pytest.mark.long
def test_the_same_seed_gives_the_same_tables():
    again = distil(
        [read_cycle("ece15"), read_cycle("eudc")], read_driveline("full"), COARSE, Sizes(), 60, 1
    )
    for name in LAYOUT:
        assert np.array_equal(again.rules.map(name).values, made().rules.map(name).values)
    assert again.rules.origin.training == made().rules.origin.training


@pytest.mark.long
def test_verification_tells_training_from_unseen_and_beats_no_bound():
    cycles = [read_cycle("ece15"), read_cycle("artemis_urban")]
    checks = verify(made().rules, cycles, read_driveline("full"), COARSE, ["mass +10 %"])
    assert [(c.cycle, c.change, c.seen) for c in checks] == [
        ("ece15", AS_TRAINED, True),
        ("artemis_urban", AS_TRAINED, False),
        ("ece15", "mass +10 %", True),
        ("artemis_urban", "mass +10 %", False),
    ]
    for check in checks:
        assert check.score.gap_percent >= -1e-7
        assert check.soc_lowest >= 0.4 - 1e-6 and check.soc_highest <= 0.8 + 1e-6
    light, heavy = (c.score.fuel_equal_g for c in checks[::2])
    assert heavy > light


@pytest.mark.long
def test_every_change_is_a_change():
    """Each perturbation moves the optimum's fuel in the direction physics says."""
    cycle, driveline = read_cycle("ece15"), read_driveline("full")
    settings = COARSE.resolved(driveline)
    plain = find_optimum(cycle, driveline, settings).solution.cost
    dearer = {
        "mass +10 %",
        "auxiliaries 2 kW",
        "headwind 5 m/s",
        "grade +1 %",
        "battery resistance +50 %",
        "start SoC low",
    }
    cheaper = {"mass -10 %", "auxiliaries 0 kW", "start SoC high"}
    for name in dearer | cheaper:
        other = find_optimum(*CHANGES[name](Setup(cycle, driveline, settings))).solution.cost
        assert (other > plain) == (name in dearer), name


def test_wrong_use_is_refused():
    cycle, driveline = read_cycle("ece15"), read_driveline("full")
    with pytest.raises(InputError, match="change 'snow' is unknown; known are mass -10 %"):
        verify(made().rules, [cycle], driveline, COARSE, ["snow"])
    with pytest.raises(InputError, match="one or more training cycles"):
        distil([cycle, cycle], driveline, COARSE)
