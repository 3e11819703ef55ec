"""The fast loop that refinement drives tables in, against the closed loop."""

import functools

import numpy as np
import pytest

from hybridopt import Cycle, Settings, read_cycle, read_driveline
from hybridopt.distillation.drafting import make_family
from hybridopt.distillation.family import SHAPE_RANGES, Sizes, TableShape
from hybridopt.distillation.fast_loop import FastLoop
from hybridopt.distillation.refine import merit
from hybridopt.evaluation.case import Case
from hybridopt.pipeline import find_optimum

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


@pytest.mark.long
@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(i, marks=LONG) for i in range(2, 8))])
@pytest.mark.parametrize("inhibited", [False, True])
@pytest.mark.parametrize("cycle", ["ece15", "eudc"])
def test_fast_loop_is_the_closed_loop(cycle, inhibited, seed):
    """Random tables, bad ones among them: same cost, charge, starts and clipped steps."""
    random, known = np.random.default_rng(seed), case(cycle, inhibited)
    low, high = np.array(list(SHAPE_RANGES.values())).T
    family = make_family([case("ece15")], Sizes(6, 4, 6, 6, 6))
    shape = low + (high - low) * random.uniform(-0.5, 1.5, low.size).clip(0)
    table = family.table(TableShape(*shape))
    loop = FastLoop(known)
    fast, drive = loop.run(loop.pack(table)), known.drive(table)
    starts = np.count_nonzero(drive.schedule.engine_class == 2)
    assert fast.cost == pytest.approx(drive.cost, rel=1e-8)
    assert fast.soc_end == pytest.approx(drive.soc_end, abs=1e-8)
    assert (fast.starts, fast.clipped) == (starts, np.count_nonzero(drive.clipped))
    gears = np.concatenate(([known.optimum.settings.gear_start - 1], drive.schedule.gear))
    assert fast.shifts == np.count_nonzero(np.diff(gears))


def test_fast_loop_goes_on_where_power_is_lacking():
    """31 to 49 km/h in a second: only an engine that runs already can; and a creep before it."""
    speed = np.r_[np.linspace(0, 36, 25), 34, 29, 30, 31, 49, 50, np.linspace(47, 1, 20), [1, 1, 0]]
    cycle = Cycle("burst", np.arange(speed.size) * 1.0, speed / 3.6, np.full(speed.size, -0.05))
    known = Case(find_optimum(cycle, read_driveline("full"), Settings(soc_points=301)))
    table = make_family([case("ece15")], Sizes(6, 4, 6, 6, 6)).table(TableShape())
    loop = FastLoop(known)
    fast, drive = loop.run(loop.pack(table)), known.drive(table)
    assert drive.shortfall.seconds == 1.0
    assert fast.cost == pytest.approx(drive.cost, rel=1e-8)
    assert fast.soc_end == pytest.approx(drive.soc_end, abs=1e-8)
    assert fast.starts == np.count_nonzero(drive.schedule.engine_class == 2)
    assert fast.lacking_cost == pytest.approx(1000.0 / cycle.duration)
    merits = [merit(table, [FastLoop(one)], np.ones(1)) for one in (known, case("ece15"))]
    assert np.isfinite(merits).all() and merits[0] > merits[1]
