"""The search behind refinement, and the fast loop it runs tables in."""

import functools

import numpy as np
import pytest

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.distillation.distil import make_draft
from hybridopt.distillation.draft import KNOB_RANGES, Sizes
from hybridopt.distillation.evolution import evolve
from hybridopt.distillation.fast_loop import FastLoop
from hybridopt.distillation.refine import knobs_of
from hybridopt.evaluation.case import Case
from hybridopt.pipeline import find_optimum


def test_evolution_finds_the_least_of_an_ellipsoid():
    """Closed form: the least of sum c_i (x_i - i)^2 is at x_i = i, with c from 1 to 1e4."""
    n = 8
    weight, aim = np.geomspace(1.0, 1e4, n), np.arange(n, dtype=float)
    found, value = evolve(
        lambda x: float(weight @ (x - aim) ** 2), np.zeros(n), np.ones(n), 6000, seed=3
    )
    np.testing.assert_allclose(found, aim, atol=1e-3)
    assert value < 1e-4


def test_evolution_copes_with_steps_and_places_that_cannot_be_told():
    """The least of a staircase is a whole cell; half of the plane cannot be told."""

    def staircase(x):
        return np.inf if x[0] < -2.0 else float(np.sum(np.floor(np.abs(x - 3.3))))

    _, value = evolve(staircase, np.zeros(3), np.ones(3), 3000, seed=1)
    assert value == 0.0


def test_evolution_is_never_worse_than_its_begin_and_repeatable():
    def rough(x):
        return float(np.sum(np.sin(40.0 * x) + x**2))

    begin = np.full(5, -np.pi / 80.0)  # nearly the least already
    runs = [evolve(rough, begin, np.ones(5), 200, seed=7) for _ in range(2)]
    assert runs[0][1] <= rough(begin)
    assert np.array_equal(runs[0][0], runs[1][0])


LONG = pytest.mark.long
INHIBITORS = {
    "stop_speed_max": 12.0,
    "min_on_time": 6.0,
    "min_gear_time": 3.0,
    "skip_shifts": "up",
    "brake_shift_speed": 4.0,
    "stop_soc_min": 0.598,
}


@functools.cache
def case(cycle, inhibited=False):
    settings = Settings(soc_points=301, **(INHIBITORS if inhibited else {}))
    return Case(find_optimum(read_cycle(cycle), read_driveline("full"), settings))


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(i, marks=LONG) for i in range(2, 8))])
@pytest.mark.parametrize("inhibited", [False, True])
@pytest.mark.parametrize("cycle", ["ece15", "eudc"])
def test_fast_loop_is_the_closed_loop(cycle, inhibited, seed):
    """Random tables, bad ones among them: same cost, charge, starts and clipped steps."""
    random, known = np.random.default_rng(seed), case(cycle, inhibited)
    low, high = (np.array(side) for side in zip(*KNOB_RANGES.values(), strict=True))
    draft = make_draft([case("ece15")], Sizes(6, 4, 6, 6, 6))
    table = draft.table(knobs_of(low + (high - low) * random.uniform(-0.5, 1.5, low.size).clip(0)))
    loop = FastLoop(known)
    fast, drive = loop.run(loop.pack(table)), known.drive(table)
    starts = np.count_nonzero(drive.schedule.engine_class == 2)
    assert fast.cost == pytest.approx(drive.cost, rel=1e-8)
    assert fast.soc_end == pytest.approx(drive.soc_end, abs=1e-8)
    assert (fast.starts, fast.clipped) == (starts, np.count_nonzero(drive.clipped))
