"""The bench of engine maps on engines of handbook-like Willans values: it gives them back.

Efficiency of 0.40 and a friction torque of 12 N m a litre are of the size that handbooks state for
petrol engines (common practice, no source).
"""

import numpy as np
import pytest
from engine_maps import fuel_lines, imported, read_bench, report, whole_line

from hybridopt import InputError
from hybridopt.base.units import RPM
from hybridopt.inputs.plausibility import USUAL_HEATING_VALUE

EFFICIENCY, FRICTION = 0.40, 20.0


def bench(path, bend=0.0):
    """Write an engine of straight fuel lines, enriched near full load by `bend`."""
    speed, torque = (
        g.ravel() for g in np.meshgrid(np.linspace(800, 6000, 7), np.arange(4, 200, 24))
    )
    fuel = (torque + FRICTION) * speed * RPM / (EFFICIENCY * USUAL_HEATING_VALUE)
    fuel = fuel * (1.0 + bend * np.maximum(torque / 172 - 0.8, 0.0))
    rows = np.column_stack([speed, torque, fuel])
    header = '"Speed \n(RPM)","Torque\n(Nm)","Fuel Rate\n(g/sec)"'
    np.savetxt(path, rows, "%.9g", ",", header=header, comments="")
    return path


def test_lines_of_a_straight_engine_are_exact(tmp_path):
    speed, torque, fuel = read_bench(bench(tmp_path / "a.csv"))
    speeds, idle, slope, rms, rest = fuel_lines(speed, torque, fuel)
    assert slope == pytest.approx(speeds * RPM / (EFFICIENCY * USUAL_HEATING_VALUE))
    assert idle == pytest.approx(slope * FRICTION)
    assert rms == pytest.approx(0.0, abs=1e-6) and np.abs(rest).max() < 1e-5
    found = whole_line(speed, torque, fuel, USUAL_HEATING_VALUE)
    assert found == pytest.approx((EFFICIENCY, FRICTION, 0.0), abs=1e-5)


def test_enrichment_shows_in_the_residuals_and_not_below_it(tmp_path):
    speed, torque, fuel = read_bench(bench(tmp_path / "a.csv", bend=1.0))
    *_, rms, _ = fuel_lines(speed, torque, fuel)
    assert rms.max() > 0.05
    *_, rms, _ = fuel_lines(speed, torque, fuel, 0.7)
    assert rms.max() < 1e-5


@pytest.mark.long
def test_a_sound_engine_passes_all_limits(tmp_path, capsys):
    path = bench(tmp_path / "a.csv")
    quality, told = imported(path, *read_bench(path))
    assert told == [] and quality.outliers == () and all(c.passed for c in quality.checks)
    report(path)
    assert "checks failed: none; plausibility: nothing said" in capsys.readouterr().out


@pytest.mark.long
def test_an_engine_of_wrong_units_does_not(tmp_path):
    """kg/h taken as g/s and back: 144 % of the fuel's heat."""
    speed, torque, fuel = read_bench(bench(tmp_path / "a.csv"))
    with pytest.raises(
        InputError, match="of the fuel's heating power .* physics allows up to 100 %"
    ):
        imported(tmp_path, speed, torque, fuel / 3.6)
