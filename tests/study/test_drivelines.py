"""Drivelines side by side: the same values as single solves, relations, fuels, and reasons."""

import dataclasses
import subprocess
import sys

import numpy as np
import pytest

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.errors import InputError
from hybridopt.inputs.cycle import Cycle
from hybridopt.plots.variants import plot_variants
from hybridopt.study.drivelines import solve_variants
from hybridopt.study.tasks import ROOMS
from hybridopt.study.values import DONE, FAILED
from hybridopt.text.variants_tables import variants_record, variants_text, variants_writer

SMALL = Settings(soc_points=101, splits=9)
CYCLE = read_cycle("ece15")


@pytest.fixture(scope="module")
def three():
    """Two that burn petrol, and one that cannot pull the cycle."""
    heavy = read_driveline("micro", {"vehicle.mass_kg": 60_000})
    drivelines = {"full": read_driveline("full"), "mild": read_driveline("mild"), "heavy": heavy}
    return solve_variants([CYCLE], drivelines, SMALL)


@pytest.fixture(scope="module")
def mixed():
    drivelines = {name: read_driveline(name) for name in ("full", "full_diesel")}
    return solve_variants([CYCLE, read_cycle("eudc")], drivelines, SMALL)


def on(found, driveline, cycle="ece15"):
    """Return all values of a driveline on a cycle, by name."""
    one = found.sel(cycle=cycle, driveline=driveline)
    return {name: one[name].item() for name in one.data_vars}


@pytest.mark.long
def test_values_are_those_of_single_solves(three):
    for name in ("full", "mild"):
        result = solve_cycle(CYCLE, read_driveline(name), SMALL)
        values, attrs = on(three, name), result.dataset.attrs
        shared = set(values) & set(attrs)
        assert {"fuel_g", "cost_g", "bound_g", "gap_percent", "starts", "soc_end"} <= shared
        for value in shared:
            assert values[value] == attrs[value], value
        assert values["fuel_g_per_km"] == pytest.approx(attrs["fuel_g"] / CYCLE.distance * 1e3)


@pytest.mark.long
def test_relations_are_to_the_first_on_the_same_cycle(three, mixed):
    full, mild = on(three, "full"), on(three, "mild")
    assert full["fuel_percent"] == full["co2_percent"] == 0.0
    ratio = mild["fuel_g"] / full["fuel_g"]
    assert mild["fuel_percent"] == pytest.approx(100.0 * (ratio - 1.0))
    assert mild["co2_percent"] == pytest.approx(mild["fuel_percent"])  # one fuel
    for cycle in mixed["cycle"].values:
        petrol, diesel = (on(mixed, name, cycle) for name in ("full", "full_diesel"))
        share = diesel["co2_g_per_km"] / petrol["co2_g_per_km"]
        assert diesel["co2_percent"] == pytest.approx(100.0 * (share - 1.0))
        assert np.isnan([diesel["fuel_percent"], petrol["fuel_percent"]]).all()


def test_carbon_dioxide_is_that_of_each_fuel(mixed):
    """2330 g/l of 745 g/l petrol, 2640 g/l of 835 g/l diesel (Decision (EU) 2020/728)."""
    for name, factor in (("full", 2330 / 745), ("full_diesel", 2640 / 835)):
        values = on(mixed, name)
        assert values["co2_g_per_km"] == pytest.approx(values["fuel_g_per_km"] * factor)


def test_a_driveline_that_cannot_is_reported_with_its_reason(three):
    heavy = on(three, "heavy")
    assert heavy["status"] == FAILED and heavy["reason"] and "\n" not in heavy["reason"]
    assert np.isnan([heavy[name] for name in ("fuel_g", "fuel_percent", "co2_percent")]).all()
    assert three["status"].values.tolist() == [[DONE, DONE, FAILED]]
    assert f"cannot be solved: {heavy['reason']}" in variants_text(three)


def test_first_that_cannot_leaves_the_others_without_relation():
    heavy = read_driveline("micro", {"vehicle.mass_kg": 60_000})
    found = solve_variants([CYCLE], {"heavy": heavy, "full": read_driveline("full")}, SMALL, False)
    full = on(found, "full")
    assert full["status"] == DONE and np.isnan([full["bound_g"], full["fuel_percent"]]).all()
    assert variants_text(found).splitlines()[3].endswith("  -")
    plot_variants(found).canvas.draw()


@pytest.mark.long
def test_what_is_loaded_counts_for_a_study_and_needs_no_cluster():
    """With other code of these rooms, stored tasks are other tasks; of no other room."""
    script = """import sys
sys.modules.update(dict.fromkeys(sys.argv[1:]))  # they cannot be imported
from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.study.drivelines import solve_variants
cars = {"full": read_driveline("full")}
found = solve_variants([read_cycle("ece15").cut(0, 20)], cars, Settings(soc_points=11, splits=5))
assert (found["status"] == 1).all(), found["reason"].values
print(*sys.modules)"""
    absent = ["dask", "distributed", "cloudpickle", "psutil"]
    run = [sys.executable, "-c", script, *absent]
    loaded = subprocess.run(run, check=True, stdout=subprocess.PIPE, text=True).stdout.split()
    rooms = {name.split(".")[1] for name in loaded if name.startswith("hybridopt.")}
    assert rooms - {"pipeline"} == set(ROOMS)


def test_progress_rises_to_one():
    shares = []
    drivelines = {name: read_driveline(name) for name in ("full", "mild")}
    solve_variants([CYCLE], drivelines, SMALL, False, shares.append)
    assert shares == sorted(shares) and shares[-1] == 1.0 and 0.4 < np.median(shares) < 0.9


def test_a_cycle_without_distance_has_no_values_per_distance(tmp_path):
    still = Cycle("still", np.arange(0.0, 20.0), np.zeros(20), np.zeros(20))
    drivelines = {name: read_driveline(name) for name in ("full", "mild")}
    found = solve_variants([still], drivelines, SMALL)
    record = variants_record(found)
    assert record["variants"][1]["fuel_g_per_km"] is None
    assert record["variants"][1]["fuel_percent"] is None
    variants_writer(found)(tmp_path / "a.csv")
    plot_variants(found).canvas.draw()


def test_bad_questions_are_refused():
    full = read_driveline("full")
    with pytest.raises(InputError, match="at least one cycle"):
        solve_variants([], {"full": full})
    with pytest.raises(InputError, match="cycle ece15 is given 2 times; keep one"):
        solve_variants([CYCLE, CYCLE], {"full": full})


# --- text and picture ---


def test_litres_where_there_is_one_fuel_else_grams(three, mixed):
    assert "l/100 km" in variants_text(three) and "fuel against full" in variants_text(three)
    text = variants_text(mixed)
    assert "l/100 km" not in text and "  g/km" in text and "CO2 against full" in text
    assert text.count("Cycle ") == 2


def test_text_fits_80_columns(three, mixed):
    for found in (three, mixed):
        assert max(map(len, variants_text(found, 80).splitlines())) <= 80


@pytest.mark.parametrize("which", ["three", "mixed"])
def test_picture_is_whole_and_shows_the_values(which, request):
    found = request.getfixturevalue(which)
    figure = plot_variants(found)
    figure.canvas.draw()
    assert len(figure.axes) == found.sizes["cycle"]
    for ax, cycle in zip(figure.axes, found["cycle"].values, strict=True):
        box = ax.get_tightbbox()
        assert figure.bbox.x0 - 1 <= box.x0 and box.x1 <= figure.bbox.x1 + 1
        names = [label.get_text() for label in ax.get_yticklabels()]
        assert names == found["driveline"].values.tolist()
        solved = [on(found, name, cycle) for name in names]
        solved = [values for values in solved if values["status"] == DONE]
        fuel, events = ax.containers
        (marks,) = (line for line in ax.lines if line.get_marker() == "|")
        bars = zip(solved, fuel, events, marks.get_xdata(), strict=True)
        for values, bar, end, mark in bars:
            shown = values["fuel_l_per_100km" if found.attrs["one_fuel"] else "co2_g_per_km"]
            per_gram = shown / values["fuel_g"]
            assert bar.get_width() == pytest.approx(shown)
            right = end.get_x() + end.get_width()
            assert right == pytest.approx(per_gram * values["cost_g"])
            assert mark == pytest.approx(per_gram * values["bound_g"])


# --- the shipped variants ---

SHIPPED = ("full_diesel", "full_awd", "full_six_speed", "mild_crank")


@pytest.mark.long
@pytest.mark.parametrize("cycle", ["wltc_class3b", "udds"])
def test_shipped_variants_drive_the_usual_schedules(cycle):
    found = solve_variants(
        [read_cycle(cycle)], {name: read_driveline(name) for name in SHIPPED}, SMALL, bound=False
    )
    assert found["reason"].values.tolist() == [[""] * len(SHIPPED)]


def test_shipped_diesel_is_as_efficient_as_one():
    """At its best 38 to 45 %, so 187 to 222 g/kWh (common practice, no source)."""
    driveline = read_driveline("full_diesel")
    fuel = driveline.engine.fuel_map
    power = fuel["speed"] * fuel["torque"]
    share = float((power / (fuel * driveline.fuel.heating_value)).max())
    assert 0.38 < share < 0.45


def test_motor_at_the_crank_turns_with_the_engine():
    """Without a separating clutch nothing is driven with the engine off."""
    driveline = read_driveline("mild_crank")
    trace = solve_cycle(CYCLE, driveline, SMALL, bound=False).dataset
    off = trace["engine_on"].values == 0
    assert off.any() and (trace["motor_torque"].values[off] <= 1e-9).all()
    names = [f.name for f in dataclasses.fields(driveline.vehicle) if f.name != "mass"]
    mild = read_driveline("mild").vehicle
    assert all(getattr(driveline.vehicle, n) == getattr(mild, n) for n in names)
