"""The corridor of SoC: it holds every schedule that it should, and the answer stays the same."""

import dataclasses

import numpy as np
import oracle
import pytest
from case_counts import cases, some
from hypothesis import HealthCheck, assume, given
from hypothesis import settings as examples
from test_brute_force import instances, solve_lossy

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.errors import InfeasibleError
from hybridopt.dp.bound import lower_bound
from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.dp.detours import Detours
from hybridopt.inputs.cycle import cycle_names
from hybridopt.optimum.solve import solve
from hybridopt.physics.operating_points import OperatingPoints
from hybridopt.pipeline import find_optimum

QUICK = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
TRIED = 150  # schedules of an instance
SAME = 5e-8  # of the cost-to-go at the start; the grid's own error is some 1e-4
NEAR = 1e-6  # of the cost: the float32 kept tips near ties, which differ by the grid's error


def check_against_enumeration(instance):
    """Every schedule that meets the target lies in the corridor of its own cost.

    Whatever guides the multipliers, the theorem holds; so poor ones are tried as well.
    """
    points, battery, settings, shift, events, solution = solve_lossy(instance, 201)
    path, paid = oracle.schedules(points, battery, settings, shift, **events)
    low = -np.inf if settings.terminal == "free" else settings.soc_target
    met = np.isfinite(paid) & (path[:, -1] >= low)
    path, paid = path[met], paid[met]
    assume(paid.size)
    order = np.argsort(paid)
    tried = np.unique(np.linspace(0, paid.size - 1, TRIED).astype(int))
    for costate in (solution.costate, np.full(points.steps, 300.0)):
        bound = lower_bound(solution.problem, solution.run, costate)
        detours = Detours(solution.problem, bound.multipliers, solution.run)
        for i in order[tried]:
            corridor = detours.corridor(paid[i] * (1.0 + 1e-12))
            assert (path[i] >= corridor.low - 1e-12).all()
            assert (path[i] <= corridor.high + 1e-12).all()


@examples(max_examples=8, **QUICK)
@given(instances())
def test_holds_every_schedule_of_its_cost(instance):
    check_against_enumeration(instance)


@pytest.mark.long
@examples(max_examples=cases(120), **QUICK)
@given(instances())
def test_holds_every_schedule_of_its_cost_in_hundreds_of_instances(instance):
    check_against_enumeration(instance)


def test_without_resistance_and_events_energy_may_take_any_way():
    """Closed form: a battery of constant voltage and no resistance makes the order of things free.

    Engine on makes 1 kJ for 1 g, or nothing is done; 5 of 10 steps must be used in any order, so
    after t steps the store may have gained min(t, 5) kJ or max(0, t - 5) kJ at no more cost.
    """
    cost = np.full((10, 1, 3, 2), np.inf)
    cost[:, 0, 0, 0], cost[:, 0, 1, 0], cost[:, 0, 2, 0] = 0.0, 1.0, 1.0
    power = np.zeros(cost.shape)
    power[:, 0, 1:, 0] = -1000.0
    battery = oracle.linear_battery(100.0, 1000.0)  # 100 kJ
    settings = oracle.settings(201, 0.2, 0.8, 0.5, soc_target=0.55)
    points = OperatingPoints.bare(np.ones(10), cost, power)
    solution = solve(points, battery, settings, 1e3, np.zeros((1, 1)))
    assert solution.cost == pytest.approx(5.0)
    bound = lower_bound(solution.problem, solution.run, solution.costate)
    corridor = Detours(solution.problem, bound.multipliers, solution.run).corridor(5.0)
    t = np.arange(11)
    widest = 0.5 + 0.01 * np.minimum(t, 5), 0.5 + 0.01 * np.maximum(t - 5, 0)
    table = 2 * 0.6 / 2000  # one step of the table from stored energy to SoC
    assert (corridor.high >= widest[0]).all() and (corridor.low <= widest[1]).all()
    reachable = np.abs(corridor.high - widest[0]) + np.abs(corridor.low - widest[1])
    assert reachable.max() < 4 * table + 2e-3  # the scales of the multipliers are not fine


def test_no_schedule_costs_less_than_the_bound():
    """A cost below the bound leaves no room: the corridor is empty somewhere."""
    known = find_optimum(read_cycle("ece15"), read_driveline("full"))
    detours = Detours(known.solution.problem, known.bound.multipliers, known.solution.run)
    empty = detours.corridor(0.97 * known.bound.bound)
    assert (empty.low > empty.high).any()
    full = detours.corridor(known.solution.cost)
    assert (full.low <= known.solution.soc).all() and (known.solution.soc <= full.high).all()


def same_answer(driveline, cycle, **options):
    """Solve with and without a corridor; return both solutions."""
    inputs = read_cycle(cycle), read_driveline(driveline)
    plain, narrow = (
        find_optimum(
            *inputs, Settings(**options, corridor=corridor), bound=False, keep_value=False
        ).solution
        for corridor in (False, True)
    )
    assert narrow.value_start == pytest.approx(plain.value_start, rel=SAME)
    assert narrow.cost == pytest.approx(plain.cost, rel=NEAR)
    return plain, narrow


@pytest.mark.parametrize(
    ("driveline", "cycle"),
    [pytest.param("full", "udds", marks=pytest.mark.long), ("mild", "ece15")],
)
def test_same_cost_as_over_the_whole_window(driveline, cycle):
    plain, narrow = same_answer(driveline, cycle)
    assert plain.corridor is None
    assert narrow.corridor.width < 0.4


@pytest.mark.long
@pytest.mark.parametrize(
    ("driveline", "cycle"),
    some([(d, c) for c in cycle_names("schedule") for d in ("mild", "full", "micro")]),
)
def test_same_cost_as_over_the_whole_window_on_every_schedule(driveline, cycle):
    same_answer(driveline, cycle)


@pytest.mark.long
@pytest.mark.parametrize(
    "options",
    [
        {"terminal": "target", "soc_target": 0.55},
        {"terminal": "deplete", "soc_start": 0.45, "soc_points": 4001},  # fewer: near ties
        {"terminal": "free"},
        {"soc_min": 0.595, "soc_max": 0.63},
        {"min_on_time": 3.0, "min_gear_time": 2.0},
        {"stop_soc_min": 0.6},
    ],
)
def test_same_cost_under_other_settings(options):
    same_answer("full", "wltc_class3b_low", **options)


@pytest.mark.long
def test_less_is_swept_and_kept():
    cycle, driveline = read_cycle("udds"), read_driveline("full")
    settings = Settings(soc_points=2001)
    plain, narrow = (
        find_optimum(
            cycle,
            driveline,
            dataclasses.replace(settings, corridor=corridor),
            bound=False,
            keep_value=False,
        ).solution
        for corridor in (False, True)
    )
    kept = [CostToGo(plain.problem, corridor=solution.corridor) for solution in (plain, narrow)]
    sizes = [sum(part.value.nbytes for part in value.parts.values()) for value in kept]
    assert sizes[1] < 0.5 * sizes[0]
    assert kept[1].looked_at < 0.5 * kept[0].looked_at


@pytest.mark.long
def test_values_inside_are_those_of_the_whole_sweep():
    """Beyond the corridor energy has its price, so inside hardly anything changes."""
    cycle, driveline = read_cycle("wltc_class3b_low"), read_driveline("full")
    found = find_optimum(
        cycle, driveline, Settings(corridor=True), bound=False, keep_value=False
    ).solution
    whole = CostToGo(found.problem)
    inside = CostToGo(found.problem, corridor=found.corridor)
    for t in (0, 200, 400):
        path = int((found.soc[t] - found.problem.grid.low) / found.problem.grid.spacing)
        near = slice(path - 3, path + 4)
        np.testing.assert_allclose(inside[t][..., near], whole[t][..., near], rtol=2e-6)


def test_out_of_reach_is_told_as_without_a_corridor():
    cycle, driveline = read_cycle("ece15").cut(0, 60), read_driveline("full")
    settings = Settings(terminal="target", soc_target=0.8, corridor=True)
    with pytest.raises(InfeasibleError, match="out of reach"):
        solve_cycle(cycle, driveline, settings)


def test_comparisons_keep_the_whole_cost_to_go():
    known = find_optimum(
        read_cycle("ece15"), read_driveline("full"), Settings(corridor=True), bound=False
    )
    assert known.solution.corridor is None
