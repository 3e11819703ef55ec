"""The optimum runs, and what it compares is equal; times are never judged here."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from case_counts import some
from figures import small_plan
from instances import Instance, point_splits, repeated
from relaxation import lower_hull
from sweeps import TOLERANCE, compare_sweeps, difference
from tables import BEGIN, END, write_block

from hybridopt import read_cycle

SCRIPT = Path(__file__).with_name("run.py")
SETTINGS = {"soc_points": 151, "splits": 15, "start_cost": 0.2}


@pytest.mark.long
@pytest.mark.parametrize("steps", some([30, 60, 195]))
def test_all_sweeps_give_the_same_value(steps):
    """Two exhaustive sweeps that share no kernel with the package, see exhaustive.py."""
    problem = Instance("ece15", steps, settings=SETTINGS).problem()
    timings = compare_sweeps(problem, 1, 1)
    reference = timings[0].answer
    assert np.isfinite(reference).all()
    assert len(timings) >= 10
    for timing in timings:
        swept = ~np.isnan(timing.answer)
        assert swept.all() or "in reach" in timing.name, timing.name
        assert swept[problem.engine, problem.gear].any(), timing.name
        np.testing.assert_allclose(
            timing.answer[swept], reference[swept], rtol=1e-9, err_msg=timing.name
        )


def test_a_difference_is_told():
    value = np.array([[1.0, 200.0, np.inf, 3.0]])
    assert difference(value, value) == 0.0
    assert difference(value, value + [[0.0, 1e-6, 0.0, 0.0]]) == pytest.approx(5e-9)
    assert difference(value, np.array([[1.0, np.nan, np.inf, np.nan]])) == 0.0
    assert difference(value, np.array([[1.0, np.inf, np.inf, 3.0]])) == np.inf
    with pytest.raises(ValueError, match="no point in common"):
        difference(value, np.full((1, 4), np.nan))


def test_a_repeated_cycle():
    once = read_cycle("ece15")
    twice = repeated(once, 390)
    assert twice.dt.size == 390
    assert twice.distance == pytest.approx(2.0 * once.distance)
    np.testing.assert_array_equal(twice.speed[195:], once.speed)
    assert repeated(once, 60).distance == pytest.approx(once.cut(0, 60).distance)


def test_point_splits_are_counted():
    """By a loop over all that is listed."""
    problem = Instance("ece15", 20, gears=3, settings=SETTINGS).problem()
    points, counted = problem.points, 0
    for t, g, c in np.ndindex(points.steps, points.gears, 3):
        counted += sum(m < np.inf for m in points.cost[t, g, c, : points.count[t, g, c]])
    assert point_splits(problem) == counted * problem.grid.points


def test_lower_hull():
    """Against a square with a point inside, one on an edge and one above."""
    power = np.array([0.0, 2.0, 1.0, 1.0, 2.0, 0.0])
    cost = np.array([1.0, 1.0, 0.0, 0.5, 3.0, 3.0])
    watts, grams = lower_hull(power, cost)
    assert watts.tolist() == [0.0, 1.0, 2.0] and grams.tolist() == [1.0, 0.0, 1.0]


def test_block_is_replaced_between_the_markers(tmp_path):
    path = tmp_path / "page.md"
    path.write_text(f"# Page\n\n{BEGIN}\nold\n{END}\n\nrest\n")
    for _ in range(2):
        write_block(path, r"new \1")
    assert path.read_text() == f"# Page\n\n{BEGIN}\nnew \\1\n{END}\n\nrest\n"
    assert list(tmp_path.iterdir()) == [path]
    path.write_text("# Page\n")
    with pytest.raises(ValueError, match="page.md needs one line <!-- bench --> and"):
        write_block(path, "new")
    assert path.read_text() == "# Page\n"


@pytest.mark.long
def test_small_run(tmp_path):
    """All kinds of figures are there; values that must agree do; the exit code says so."""
    out = tmp_path / "figures.json"
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--small", "--json", str(out)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    figures = json.loads(out.read_text())
    assert 0.0 <= figures["difference"] <= TOLERANCE
    assert 0.0 < figures["limits"]["evaluated"] <= 1.0
    assert [g["axis"] for g in figures["growths"]] == list(small_plan().sizes)
    idle, *others = figures["peaks"].values()
    assert all(peak > idle for peak in others)
    for name, item in zip(("quantecon", "casadi"), figures["libraries"], strict=True):
        if importlib.util.find_spec(name) is None:
            assert "not installed" in item["reason"]
        else:
            assert item["agrees"] is True, item["agreement"]


@pytest.mark.long
def test_small_figures_do_not_get_into_the_documents():
    command = [sys.executable, str(SCRIPT), "--small", "--readme"]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 2
    assert "--readme is for the full run; leave --small out" in done.stderr
