"""The pruned sweep against the exhaustive one, and parts swept again against parts kept.

What is compared is the optimiser's own exhaustive sweep (every split at every point of SoC) and
one in NumPy that shares no code with it (tests/exhaustive.py), on random instances of every shape
that pruning could get wrong: kinked costs, ties, gaps in the splits, tight battery limits, steep
and flat penalties, values infinite at some SoC, both engine states, dear and free events, windows
that a step can leave.
"""

import contextlib
import dataclasses

import numpy as np
import oracle
import pytest
from case_counts import cases
from exhaustive import numpy_sweep
from hypothesis import HealthCheck, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.dp import cost_to_go
from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.dp.forward import Runner
from hybridopt.optimum.solve import solve
from hybridopt.physics.demand import wheel_demand
from hybridopt.physics.operating_points import OperatingPoints, list_operating_points
from hybridopt.problem.choices import PointsOnDemand
from hybridopt.problem.events import shift_costs
from hybridopt.problem.memory import Memory
from hybridopt.problem.problem import make_problem

QUICK = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
SAME = 1e-9  # relative
ROUNDED = 2e-5  # relative, of values kept in float32 less an offset


@st.composite
def problems(draw):
    """Random problems of 3 to 8 steps; SoC moves up to a few dozen cells in a step."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    gears, splits = draw(st.integers(1, 4)), draw(st.integers(2, 24))
    shape = (draw(st.integers(3, 8)), gears, 3, splits)
    power = np.sort(random.uniform(-40e3, 40e3, shape), axis=3)
    # cost falls with power, with the bends and steps of a fuel map
    cost = np.cumsum(random.uniform(0, 1, shape) ** draw(st.sampled_from([0, 1, 6])), axis=3)
    cost = (cost[..., -1:] - cost) * draw(st.sampled_from([0.01, 0.1, 1.0]))
    cost += random.uniform(0, 1, (*shape[:3], 1)) * draw(st.sampled_from([0.0, 0.5]))
    if draw(st.booleans()):
        cost[:, :, 0] = 0.0
    if draw(st.booleans()):
        cost = np.round(cost, 1)
    cost[random.uniform(size=shape) < draw(st.sampled_from([0.0, 0.1, 0.6]))] = np.inf
    dt = random.choice([0.1, 0.5, 1.0, 2.0], shape[0])
    low = draw(st.sampled_from([0.0, 0.3]))
    high = low + draw(st.sampled_from([0.05, 0.3, 0.7]))
    start, target = low + (high - low) * random.uniform(size=2)
    settings = oracle.settings(
        draw(st.sampled_from([3, 40, 170, 301, 700])),
        low,
        high,
        start,
        soc_target=target,
        terminal=draw(st.sampled_from(["target", "sustain", "deplete", "free"])),
        two_sided=draw(st.booleans()),
        start_cost=draw(st.sampled_from([0.0, 0.05, 2.0])),
        **draw(least_times()),
    )
    limit = draw(st.sampled_from([1e9, 30e3, 5e3]))
    resistance = draw(st.sampled_from([(0.0, 0.0), (0.1, 0.2), (0.5, 0.3)]))
    battery = oracle.resistive_battery((220.0, 280.0), 2e4, resistance, 0.95, limit)
    if draw(st.booleans()):
        battery = oracle.gated_battery(random)
    steps, gears = shape[:2]
    shift = random.uniform(0, 0.5, (steps, 3, gears, gears)) * (1 - np.eye(gears))
    shift *= draw(st.sampled_from([0.0, 0.2, 5.0]))
    penalty = draw(st.sampled_from([1.0, 30.0, 300.0, 1e5]))
    points = OperatingPoints.bare(dt, cost, power)
    stop_costs = np.where(random.uniform(size=steps) < 0.3, np.inf, 0.0)
    start_steps = random.integers(1, draw(st.sampled_from([1, 3])), steps, endpoint=True)
    return make_problem(points, battery, settings, penalty, shift, stop_costs, start_steps)


@st.composite
def least_times(draw):
    """Least times of engine and gear, and a SoC that inhibits stops; mostly none."""
    if draw(st.booleans()):
        return {}
    times = {
        name: draw(st.sampled_from([0.0, 0.7, 1.5]))
        for name in ("min_on_time", "min_off_time", "min_gear_time")
    }
    times["min_reversal_time"] = draw(st.sampled_from([0.0, 0.0, 2.5]))
    return {**times, "stop_soc_min": draw(st.sampled_from([0.0, 0.4, 0.7]))}


def agree(one, other):
    """Equal within the rounding of sums, infinite and unswept points at the same places."""
    scale = 1.0 + np.abs(other[np.isfinite(other)]).max(initial=0.0)
    np.testing.assert_array_equal(np.isinf(one), np.isinf(other))
    finite = np.isfinite(other)
    np.testing.assert_allclose(one[finite], other[finite], rtol=0.0, atol=SAME * scale)


def check_pruning(problem):
    everything = CostToGo(problem, prune=False, whole=True)
    pruned = CostToGo(problem, whole=True)
    agree(pruned.start, everything.start)
    agree(everything.start, numpy_sweep(problem))
    reached = CostToGo(problem)
    last = everything[problem.points.steps]
    last = last[np.isfinite(last)]
    for t in range(problem.points.steps):
        swept = ~np.isnan(reached[t])
        if t == 0:
            place = (problem.soc - problem.grid.low) / problem.grid.spacing
            assert swept[..., int(place)].all()
            agree(reached[t][swept], everything[t][swept])
        one, other = reached[t][swept], everything[t][swept]
        finite = np.isfinite(other)
        kept = np.concatenate((other[finite], last))  # the offset is one of the last values
        scale = 1.0 + np.abs(kept).max(initial=0.0)
        np.testing.assert_allclose(one[finite], other[finite], rtol=0.0, atol=ROUNDED * scale)


@examples(max_examples=60, **QUICK)
@given(problems())
def test_same_value_as_the_exhaustive_sweep(problem):
    check_pruning(problem)


@pytest.mark.long
@examples(max_examples=cases(1500), **QUICK)
@given(problems())
def test_same_value_on_thousands_of_instances(problem):
    check_pruning(problem)


def problem_of(name, cycle, **options):
    driveline = read_driveline(name)
    wanted = wheel_demand(driveline.vehicle, read_cycle(cycle))
    settings = Settings(**options).resolved(driveline)
    points = list_operating_points(driveline, wanted, settings.splits)
    penalty, shifts = settings.penalty(driveline), shift_costs(driveline, wanted, settings)
    return make_problem(points, driveline.battery, settings, penalty, shifts)


@pytest.mark.long
@pytest.mark.parametrize(
    "name", ["full", *(pytest.param(n, marks=pytest.mark.long) for n in ("mild", "micro"))]
)
def test_same_value_on_a_real_cycle(name):
    problem = problem_of(name, "eudc", soc_points=201)
    agree(CostToGo(problem, whole=True).start, numpy_sweep(problem))


@pytest.mark.long
def test_pruning_leaves_work_out():
    """On a real cycle most splits are not looked at: a check that can fail if pruning stops."""
    problem = problem_of("full", "wltc_class3b_low")
    fast, slow = (CostToGo(problem, prune=prune, whole=True).looked_at for prune in (True, False))
    assert fast < 0.4 * slow


class Parallel(cost_to_go.Threads):
    """Always the kernel for many threads, on as many as there are."""

    def __init__(self, steps):
        super().__init__(steps)
        self.count = self.all + 1  # not 1, whatever there is

    @contextlib.contextmanager
    def measured(self, steps):
        yield


@pytest.mark.long
def test_threads_change_no_bit(monkeypatch):
    problem = problem_of("full", "wltc_class3b_low", soc_points=301)
    one = CostToGo(problem)
    monkeypatch.setattr(cost_to_go, "Threads", Parallel)
    many = CostToGo(problem)
    assert all(one[t].tobytes() == many[t].tobytes() for t in range(problem.points.steps + 1))


@pytest.mark.long
def test_parts_swept_again_are_the_same():
    """Checkpointing changes no bit of the cost-to-go, and points listed again none of the cost."""
    driveline = read_driveline("full")
    wanted = wheel_demand(driveline.vehicle, read_cycle("wltc_class3b_low"))
    plenty = Settings(soc_points=301, splits=21).resolved(driveline)
    points = list_operating_points(driveline, wanted, plenty.splits)
    memory = Memory(wanted.steps, points.gears, 301, points.splits, 1e9)
    tight = dataclasses.replace(plenty, memory_limit=memory.minimum + 1.0)
    shifts = shift_costs(driveline, wanted, plenty)
    kept = solve(points, driveline.battery, plenty, plenty.penalty(driveline), shifts)
    again = solve(
        PointsOnDemand(driveline, wanted, plenty.splits),
        driveline.battery,
        tight,
        plenty.penalty(driveline),
        shifts,
    )
    assert kept.value.kept_from == 0 and again.value.kept_from == memory.parts - 2
    assert all(
        kept.value[t].tobytes() == again.value[t].tobytes() for t in range(1, wanted.steps + 1)
    )
    first = [Runner(one.problem, one.value).run(0, 0.0) for one in (kept, again)]
    assert first[1].cost == first[0].cost and first[1].soc.tobytes() == first[0].soc.tobytes()
    # only the last parts are run again to land on the target
    assert again.cost == pytest.approx(kept.cost, rel=1e-3)
    assert again.soc[-1] == pytest.approx(kept.soc[-1], abs=2e-6)
