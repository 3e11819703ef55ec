"""Solving at 10 Hz and on irregular time bases gives the fuel of the 1 Hz solve.

An engine start's whole energy falls in one step, however short: shorter steps ask more battery
power for it, a known limit. The full driveline has room for it. Ten steps a second also
interpolate ten times as often between SoC grid points: where a start more or less decides, 1001
points cost up to 1.1 % at 10 Hz (the gap to the bound shows it). So the default is 2001 there.
"""

import numpy as np
import pytest
from case_counts import by_hand
from log_makers import DURATION, speed_at

from hybridopt import Cycle, Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.measurements.log import Samples
from hybridopt.measurements.resampling import low_pass

SETTINGS = Settings(splits=31)


def grids(duration):
    inside = np.random.default_rng(3).uniform(0.0, duration, int(1.5 * duration))
    return {
        "10 Hz": np.linspace(0.0, duration, round(10 * duration) + 1),
        "irregular": np.unique(np.concatenate(([0.0, duration], np.round(inside, 2)))),
    }


def fuel(time, speed):
    result = solve_cycle(
        Cycle("smooth", time, speed), read_driveline("full"), SETTINGS, bound=False
    )
    assert abs(result.energy_residual) < 1e-9
    assert result.soc_end == pytest.approx(result.soc_start, abs=1e-4)
    return result.fuel_g


@pytest.mark.long
@pytest.mark.parametrize("base", ["10 Hz", "irregular"])
def test_closed_form(base):
    even = np.arange(DURATION + 0.5)
    time = grids(DURATION)[base]
    assert fuel(time, speed_at(time)) == pytest.approx(fuel(even, speed_at(even)), rel=5e-3)


@pytest.mark.long
@pytest.mark.parametrize(
    ("name", "end", "base"),
    [
        ("udds", 505, "10 Hz"),
        ("wltc_class3b", 589, "irregular"),
        *by_hand([("udds", 505, "irregular"), ("wltc_class3b", 589, "10 Hz")]),
    ],
)
def test_smoothed_schedules(name, end, base):
    """Parts of the schedules without what is faster than 0.3 Hz, so that 1 Hz can hold them."""
    trace = read_cycle(name).cut(0, end)
    fine = np.linspace(0.0, end, 10 * end + 1)
    raw = np.interp(fine, trace.time, trace.speed)
    smooth = np.where(raw > 0.0, np.maximum(low_pass(Samples(fine, raw), 0.3).values, 0.0), 0.0)
    even, time = np.arange(end + 0.5), grids(end)[base]
    one, other = (fuel(t, np.interp(t, fine, smooth)) for t in (even, time))
    assert other == pytest.approx(one, rel=5e-3)
