"""Values of parameters: lists, ranges, samples, and one sentence for what is wrong."""

import re
from pathlib import Path

import numpy as np
import pytest
from study_makers import FEW, write_study

from hybridopt.base.errors import InputError
from hybridopt.study.parameters import Parameter, variant_values
from hybridopt.study.plan import read_plan
from hybridopt.study.study_file import read_study


def plan(tmp_path, parameters, **more):
    return read_plan(write_study(tmp_path, parameters, **more))


def test_grid_is_every_combination_once(tmp_path):
    tasks = plan(
        tmp_path,
        """
[parameters]
"battery.capacity_Ah" = [4, 5]
battery.soc_start_percent = [50, 60]
"settings.start_cost_g" = {low = 0, high = 1, count = 3}
""",
    ).tasks
    expected = {(a, b, c) for a in (4, 5) for b in (50, 60) for c in (0, 0.5, 1)}
    assert len(tasks) == 12 and {task.values for task in tasks} == expected


def test_log_spacing_has_equal_ratios(tmp_path):
    made = read_study(
        write_study(
            tmp_path,
            """
[parameters]
"battery.capacity_Ah" = {low = 1, high = 16, count = 5, spacing = "log"}
""",
        )
    )
    assert made.parameters[0].values == pytest.approx((1, 2, 4, 8, 16), rel=1e-12)


def test_samples_fill_every_stratum_once():
    """Latin hypercube: McKay and others, 1979, DOI 10.1080/00401706.1979.10489755."""
    ranges = [Parameter(path=name, low=1.0, high=3.0) for name in "ab"]
    ranges.append(Parameter(path="c", low=1.0, high=100.0, log=True))
    rows = np.array(variant_values(ranges, [10], 3))
    shares = (rows - 1.0) / 2.0
    shares[:, 2] = np.log(rows[:, 2]) / np.log(100.0)
    for share in shares.T:
        assert sorted(np.floor(share * 10)) == list(range(10))


def test_a_further_design_leaves_the_first_as_it_is():
    ranges = [Parameter(path=name, low=0.0, high=1.0) for name in "ab"]
    first, both = variant_values(ranges, [7], 1), variant_values(ranges, [7, 5], 1)
    assert both[:7] == first and len(set(both)) == 12
    assert variant_values(ranges, [7], 1) == first != variant_values(ranges, [7], 2)


def test_samples_are_taken_at_each_point_of_the_grid():
    mixed = [Parameter(path="a", low=0.0, high=1.0), Parameter(path="b", values=(1.0, "x"))]
    rows = variant_values(mixed, [3], 1)
    assert len(rows) == 6
    assert [row[0] for row in rows[:3]] == [row[0] for row in rows[3:]]
    assert [row[1] for row in rows] == [1.0] * 3 + ["x"] * 3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('"battery.capacity_Ah" = [4, -1]', ("[battery] capacity_Ah", "-1", "0.01 to 10000")),
        ('"battery.capacity_A" = [4]', ("did you mean capacity_Ah",)),
        ('"motor.loss_map_csv" = ["none.csv"]', ("motor.loss_map_csv", "'none.csv'")),
        ('"batery.capacity_Ah" = [4]', ("batery.capacity_Ah", "nothing that can be varied")),
        ('"settings.soc_point" = [4]', ("did you mean soc_points",)),
        ('"settings.soc_points" = [10.5]', ("soc_points", "whole number")),
        ('"settings.terminal" = ["up"]', ("terminal", "'up'")),
        ('"settings.two_sided" = [1]', ("two_sided", "true or false")),
        ('"scale.wheel" = [1]', ("scale.engine",)),
        ('"scale.motor" = [0]', ("scale.motor", "0.01 to 100")),
        ('"scale.motor" = []', ("has no values",)),
        ('"scale.motor" = [1, 1.0]', ("twice",)),
        ('"scale.motor" = 1', ("list of values",)),
        ('"scale.motor" = [{}]', ("finite numbers",)),
        ('"scale.motor" = {low = 2, high = 1, count = 3}', ("low must be below high",)),
        ('"scale.motor" = {low = 1, high = 2, count = 1}', ("count is 1",)),
        ('"scale.motor" = {low = 1, high = 2, step = 1}', ("step",)),
        ('"scale.motor" = {low = 0, high = 2, count = 3, spacing = "log"}', ("above 0",)),
        ('"scale.motor" = {low = 1, high = 2}', ("[samples] count", "is missing")),
        ('"scale.motor" = [1]\n[samples]\ncount = 5', ("no parameter is a range",)),
        ('"scale.motor" = {low = 1, high = 2}\n[samples]\ncount = 0', ("count: is 0",)),
        ('"scale.motor" = [1]\n[added_mass_kg]\n"scale.engine" = 5', ("added_mass_kg",)),
        ('"scale.motor" = [1]\n[tuning]\nevaluations = -1', ("evaluations",)),
        ('driveline = ["full", "fool"]', ("fool", "neither a file nor a demo driveline")),
    ],
)
def test_bad_parameter_gets_one_sentence(tmp_path, text, words):
    with pytest.raises(InputError) as caught:
        plan(tmp_path, f"[parameters]\n{text}\n")
    for word in words:
        assert word in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("top", "words"),
    [
        ("cycle = 1\n", ("cycle", "did you mean cycles")),
        ("bound = 1\n", ("bound", "true or false")),
        ('traces = ["sock"]\n', ("did you mean soc",)),
        ('runs = ["optimum", "optimum"]\n', ("twice",)),
        ("runs = []\n", ("runs", "empty")),
        ('runs = ["equivalense"]\n', ("small.toml: runs", "did you mean equivalence")),
    ],
)
def test_bad_study_gets_one_sentence(tmp_path, top, words):
    with pytest.raises(InputError) as caught:
        plan(tmp_path, FEW, top=top)
    for word in words:
        assert word in str(caught.value)


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("", ("cycles", "is missing")),
        ('cycles = ["ece16"]\n', ("ece16",)),
        ('cycles = ["ece15"]\ndriveline = "fool"\n', ("fool",)),
        ('cycles = ["ece15"]\n[settings]\nsplits = 1\n', ("splits", "3 to 10001")),
        ('cycles = ["ece15"]\n[settings]\nsoc_points = inf\n', ("soc_points", "finite number")),
        ('cycles = ["ece15"]\n[settings]\nmemory_limit_GB = nan\n', ("memory_limit", "finite")),
        ('cycles = "ece15"\n', ("cycles", "list")),
    ],
)
def test_bad_head_gets_one_sentence(tmp_path, head, words):
    with pytest.raises(InputError) as caught:
        plan(tmp_path, FEW, head=head)
    for word in words:
        assert word in str(caught.value)


def test_study_of_the_guide_is_good_input(tmp_path):
    guide = (Path(__file__).parents[2] / "hybridopt/guide/studies.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"^```ini\n(.*?)^```$", guide, flags=re.DOTALL | re.MULTILINE)
    (tmp_path / "sizes.toml").write_text(text)
    assert len(read_plan(tmp_path / "sizes.toml").tasks) == 4 * 5 * 20 * 2 * 2
