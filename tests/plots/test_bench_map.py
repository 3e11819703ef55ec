"""The picture of a gridded map says what the report says."""

import numpy as np
import pytest

from hybridopt.base.units import RPM
from hybridopt.inputs.driveline_file import DEMO_FOLDER
from hybridopt.inputs.maps import read_curve
from hybridopt.measurements.bench_points import BenchPoints
from hybridopt.measurements.map_gridding import grid_points
from hybridopt.measurements.map_quality import assess
from hybridopt.plots.bench_map import plot_bench_map


@pytest.fixture(params=["engine", "motor"])
def drawn(request, tmp_path):
    rng = np.random.default_rng(6)
    low = 10.0 if request.param == "engine" else -150.0
    speed, torque = rng.uniform(900, 6000, 90) * RPM, rng.uniform(low, 150, 90)
    value = speed * (torque + 20.0) / 17_000 if request.param == "engine" else 100 + torque**2 / 9
    value = value * (1.0 + 0.01 * rng.standard_normal(90))
    value[30] *= 1.5
    points = BenchPoints(
        tmp_path / "a$b$.csv", request.param, "x", speed, torque, value, np.arange(90) + 2, ()
    )
    made = grid_points(points)
    quality = assess(made)
    name = "petrol_1600_full_load" if request.param == "engine" else "motor_60kW_peak_torque"
    return plot_bench_map(made, quality, read_curve(DEMO_FOLDER / f"{name}.csv")), quality, made


def test_picture_is_whole(drawn):
    figure, quality, made = drawn
    figure.canvas.draw()
    (ax,) = figure.axes
    box = ax.get_tightbbox()
    assert figure.bbox.x0 - 1 <= box.x0 and box.x1 <= figure.bbox.x1 + 1
    assert ax.get_xlabel() == f"{made.points.kind} speed (rpm)"
    words = [text.get_text() for text in figure.legends[0].get_texts()]
    assert {"extrapolated", "hull of the points", "torque limit"} <= set(words)
    assert len(words) == len(set(words))
    named = {text.get_text() for text in ax.texts}
    assert {str(one.line) for one in quality.outliers} <= named and quality.outliers
    assert sum(c.get_offsets().shape[0] for c in ax.collections if c.get_zorder() == 3) == 90
