"""Pareto fronts, main effects and nearly best sizes, against loops and by hand."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from hybridopt.base.errors import InputError
from hybridopt.study.questions import (
    BINS,
    best_by_value,
    check_numeric,
    finished,
    groups,
    main_effect,
    pareto_front,
    smallest_within,
)

small = st.integers(0, 6).map(float)


@given(st.lists(st.tuples(small, small), min_size=1, max_size=30))
def test_front_is_what_nothing_beats(points):
    """By the definition, in a loop over all pairs."""
    x, y = np.array(points).T
    front = pareto_front(x, y)
    best = {
        (a, b)
        for a, b in points
        if not any((c <= a and d <= b) and (c, d) != (a, b) for c, d in points)
    }
    assert [(x[i], y[i]) for i in front] == sorted(best)


def study_of(**columns):
    length = len(next(iter(columns.values())))
    coords = {
        "cycle": ("task", ["c"] * length),
        "run": ("task", ["optimum"] * length),
        "digest": ("task", [str(i) for i in range(length)]),
    }
    coords |= {k: ("task", v) for k, v in columns.items() if k not in ("fuel_g", "status")}
    data = xr.Dataset(coords=coords)
    data["fuel_g"] = "task", np.array(columns["fuel_g"], dtype=float)
    data["status"] = "task", columns.get("status", [0] * length)
    return data


def test_best_by_value_by_hand():
    known = study_of(size=[1.0, 1.0, 2.0, 2.0, 3.0], fuel_g=[104.0, 103.0, 100.9, 120.0, 100.0])
    ((cycle, run, tasks),) = groups(known)
    found = best_by_value(tasks, "size", "fuel_g")
    assert (cycle, run) == ("c", "optimum")
    assert found["value"].tolist() == [1, 2, 3]
    assert found["best"].tolist() == [103, 100.9, 100]
    assert found["above_percent"].tolist() == pytest.approx([3, 0.9, 0])
    assert smallest_within([found], 1.0) == 2
    assert smallest_within([found], 0.5) == 3
    assert smallest_within([found], 3.0) == 1


def test_size_must_be_near_the_best_on_all_cycles():
    one, other = (
        pd.DataFrame({"value": [1.0, 2.0, 3.0], "above_percent": above})
        for above in ([0.0, 0.9, 3.0], [4.0, 0.5, 0.0])
    )
    assert smallest_within([one, other], 1.0) == 2
    assert smallest_within([one, other], 0.4) is None


def test_effect_of_a_grid_is_the_mean_at_each_value():
    found = main_effect(np.array([1.0, 2.0, 1.0, 2.0]), np.array([10.0, 20.0, 14.0, 22.0]))
    assert found["value"].tolist() == [1, 2] and found["mean"].tolist() == [12, 21]
    assert found["min"].tolist() == [10, 20] and found["max"].tolist() == [14, 22]
    assert not found["binned"].any()


def test_effect_of_samples_is_binned():
    """Of a straight line the bins' means lie on it, whatever else varies at every sample."""
    values = np.random.default_rng(1).permutation(np.repeat(np.linspace(0.0, 1.0, 100), 3))
    other = np.empty(values.size)
    other[np.argsort(values, kind="stable")] = np.tile([-10.0, 0.0, 10.0], 100)
    found = main_effect(values, 3.0 * values + 1.0 + other)
    assert len(found) == BINS and np.all(np.diff(found["value"]) > 0) and found["binned"].all()
    np.testing.assert_allclose(found["mean"], 3.0 * found["value"] + 1.0)


def test_only_what_is_done_counts():
    known = study_of(size=[1.0, 2.0, 3.0], fuel_g=[np.nan, 5.0, 4.0], status=[2, 1, 0])
    assert finished(known, "fuel_g")["size"].values.tolist() == [2]
    with pytest.raises(InputError, match="no task"):
        finished(known.isel(task=[0]), "fuel_g")
    with pytest.raises(InputError, match="--goal colour"):
        finished(known, "colour")


def test_a_parameter_must_be_there_and_have_numbers():
    known = study_of(size=[1.0, 2.0], kind=["a", "b"], fuel_g=[1.0, 2.0])
    with pytest.raises(InputError, match="parameters: size, kind"):
        check_numeric(known, "mass")
    with pytest.raises(InputError, match="no numbers"):
        check_numeric(known, "kind")
