"""The predictive controller's C code in closed loop, against the package's own controller."""

import shutil

import numpy as np
import pytest
from preview_code import PreviewCode

from hybridopt import Settings, read_cycle
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.controllers.preview import Preview
from hybridopt.foresight.preview_maps import make_preview_maps
from hybridopt.physics.demand import wheel_demand
from hybridopt.tables.preview_set import make_preview_set
from hybridopt.tables.rule_set import Origin

pytestmark = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")
INHIBITED = {
    "stop_speed_max": 15.0,
    "min_on_time": 6.0,
    "min_off_time": 4.0,
    "min_gear_time": 3.0,
    "brake_shift_speed": 5.0,
    "skip_shifts": "up",
}


@pytest.fixture(scope="module")
def maps(optimum):
    return make_preview_maps([optimum])


def cost_at_equal_soc(drive, loop):
    """Return the cost, with what the battery lacks at 55 g per MJ (see `test_c_code.py`)."""
    capacity, start = loop.driveline.battery.capacity, loop.settings.socs[2]
    return drive.cost + 55e-6 * 250.0 * capacity * (start - drive.soc_end)


@pytest.mark.long
@pytest.mark.parametrize(
    ("horizon", "inhibitors", "room"), [(10.0, {}, 1e-3), (0.0, {}, 1e-3), (5.0, INHIBITED, 3e-3)]
)
def test_c_reaches_what_python_reaches(maps, driveline, tmp_path, horizon, inhibitors, room):
    """On the UDDS: cost at equal SoC within 0.1 %, nearly the same engine state and gear.

    With long minimum times one start that limits of maps allow a second later is held for long.
    """
    settings = Settings(terminal="free", **inhibitors).resolved(driveline)
    origin = Origin("loop", driveline.name, maps.training)
    preview = Preview(maps=maps, horizon=horizon)
    content = make_preview_set(preview, driveline, settings, origin)
    demand = wheel_demand(driveline.vehicle, read_cycle("udds"))
    loop = ClosedLoop(driveline, demand, settings)
    theirs = loop.run(content.preview)
    ours = loop.run(PreviewCode(content, demand, tmp_path))
    engine = (ours.schedule.engine_class > 0) != (theirs.schedule.engine_class > 0)
    differ = int((engine | (ours.schedule.gear != theirs.schedule.gear)).sum())
    dearer = cost_at_equal_soc(ours, loop) / cost_at_equal_soc(theirs, loop) - 1.0
    print(f"\n{horizon:g} s: {differ} of {engine.size} steps differ, cost {dearer:+.1e}")
    assert abs(dearer) < room
    assert differ <= (0.05 if inhibitors else 0.005) * engine.size
    assert 0.1 < (ours.schedule.engine_class > 0).mean() < 0.9
    assert np.unique(ours.schedule.gear).size > 4
