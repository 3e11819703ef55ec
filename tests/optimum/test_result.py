"""The result of a solve: totals, attrs, and files that give the same object back."""

import copy
import dataclasses
import html
import json
import os
import pickle

import numpy as np
import pytest
import xarray as xr
from makers import OFF, RUNNING, STARTING, plain_driveline, replayed, wanted

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.errors import FailedError, InputError
from hybridopt.base.nomenclature import BOUND_TOTALS, SINKS, SOURCES, STEP_VARIABLES, TOTALS
from hybridopt.base.warning import InputWarning
from hybridopt.files.writing import write_atomically
from hybridopt.inputs.cycle import Cycle
from hybridopt.optimum.result import Result, make_result
from hybridopt.physics.modes import Mode

pytestmark = pytest.mark.usefixtures("forked")

SETTINGS = Settings(soc_points=101, splits=9)


@pytest.fixture(scope="module", params=["full", "mild", "micro"])
def solved(request):
    """A shipped driveline over the ECE-15, coarsely."""
    return solve_cycle(read_cycle("ece15"), read_driveline(request.param), SETTINGS)


@pytest.fixture(scope="module")
def result():
    """Three steps by hand in the plain driveline, without a solve."""
    car = plain_driveline()
    want = wanted([15.0, 15.0, 15.0], 480.0, dt=[1.0, 0.5, 2.5])
    trace = replayed(car, want, 2, RUNNING, 20.0)
    cycle = Cycle("hand", [0, 1, 1.5, 4], [15, 15, 15, 15])
    settings = dataclasses.replace(SETTINGS, gear_start=1)
    return make_result(trace, cycle, car, want, settings, {"cost_g": 1.5, "solve_s": 0.1})


# --- totals ---


@pytest.mark.long
def test_energy_balance_closes(solved):
    assert abs(solved.energy_residual) < 1e-9
    trace = solved.dataset
    given = sum((trace[name] * trace.dt).sum().item() for name in SOURCES)
    taken = sum((trace[name] * trace.dt).sum().item() for name in SINKS)
    assert given == pytest.approx(taken, rel=1e-9)


def test_totals_follow_from_the_trace(solved):
    trace = solved.dataset
    fuel = float(trace.fuel_rate.values @ trace.dt.values)
    assert solved.fuel_g == pytest.approx(fuel, rel=1e-12) and fuel > 0
    car = read_driveline(trace.attrs["driveline"])
    litres = fuel / car.fuel.density
    assert solved.distance_km == pytest.approx(1.0183, abs=1e-4)  # ECE-15, linear operations
    assert solved.fuel_l_per_100km == pytest.approx(litres / solved.distance_km * 100)
    assert solved.co2_g_per_km == pytest.approx(litres * 2330 / solved.distance_km)  # 2330 g/l
    assert solved.starts == np.count_nonzero(trace.engine_start.values)  # 1 s is longer than each
    gears = np.concatenate(([1], trace.gear.values))
    assert solved.shifts == np.count_nonzero(np.diff(gears))
    assert solved.duration_s == 195
    assert solved.soc_start == trace.soc.values[0]


def test_shares_and_energies_are_complete(solved):
    attrs = solved.dataset.attrs
    shares = [attrs[f"share_{mode.name.lower()}"] for mode in Mode]
    assert sum(shares) == pytest.approx(1) and min(shares) >= 0
    # 60 of 195 s at rest (UN R83, breakdown by phase); steps that start the engine have their own
    assert attrs["share_standstill"] <= 60 / 195
    assert attrs["share_standstill"] + attrs["share_engine_pull_start"] >= 60 / 195 - 1e-9
    sums = {name: attrs[f"energy_{name.removesuffix('_power')}_kJ"] for name in (*SOURCES, *SINKS)}
    assert sum(sums[n] for n in SOURCES) == pytest.approx(sum(sums[n] for n in SINKS))
    assert sums["inertia_power"] == pytest.approx(0, abs=1e-6)  # starts and ends at rest


def test_attrs_say_what_was_solved(solved):
    attrs = solved.dataset.attrs
    assert set(TOTALS) <= set(attrs)
    assert attrs["cycle_sha256"] == read_cycle("ece15").sha256
    assert attrs["driveline_sha256"] == read_driveline(attrs["driveline"]).sha256
    assert json.loads(attrs["settings"])["soc_points"] == 101
    assert solved.settings.resolved(read_driveline(attrs["driveline"])) == solved.settings
    for name in ("hybridopt", "numpy", "numba", "xarray", "python"):
        assert attrs[f"version_{name}"][0].isdigit()
    assert "not a released calibration" in attrs["caution"]


def test_totals_by_hand(result):
    """Engine at 65.3 N m and 300 rad/s burns 85.3 x 300 / (0.4 x 42 kJ/g), over 4 s and 60 m."""
    torque = 480 / 5.76 + 2 - 20
    fuel = (torque + 20) * 300 / (0.4 * 42e3) * 4
    assert result.fuel_g == pytest.approx(fuel)
    assert result.distance_km == pytest.approx(0.060)
    assert result.co2_g_per_km == pytest.approx(fuel / 750 * 2392 / 0.060)  # plain fuel: 2392 g/l
    assert (result.starts, result.shifts, result.duration_s) == (0, 1, 4)  # from first to second
    assert result.cost_g == 1.5
    assert result.dataset.attrs["share_boost"] == 1


@pytest.mark.parametrize(
    ("classes", "dt", "starts"),
    [
        ([STARTING, RUNNING, OFF, STARTING], 1.0, 2),
        ([STARTING, STARTING, OFF, STARTING], 0.25, 2),  # 0.5 s are two steps
        ([STARTING, STARTING, RUNNING, RUNNING], 0.25, 1),
        ([RUNNING, RUNNING, OFF, OFF], 1.0, 0),
    ],
)
def test_starts_are_counted(classes, dt, starts):
    """A start may take several steps; what it takes is divided among them."""
    car, want = plain_driveline(), wanted([15.0] * 4, 480.0, dt=dt)
    trace = replayed(car, want, 2, classes, 480 / 5.76 + 2)
    cycle = Cycle("hand", dt * np.arange(5.0), [15] * 5)
    made = make_result(trace, cycle, car, want, dataclasses.replace(SETTINGS, gear_start=2), {})
    assert (made.starts, made.shifts) == (starts, 0)
    rotor = 0.5 * 0.15 * 300**2 / 1e3  # kJ
    counted = starts if classes[-1] != STARTING or dt > 0.5 else starts - 0.5
    assert made.start_rotor_kJ == made.start_slip_kJ == pytest.approx(counted * rotor)
    assert made.start_friction_kJ == pytest.approx(counted * 0.5 * 300 * 20 * 0.5 / 1e3)
    drawn = float((trace.start_power * trace.dt).sum()) / 1e3
    parts = (made.start_rotor_kJ, made.start_slip_kJ, made.start_friction_kJ)
    assert made.start_conversion_kJ == pytest.approx(0.2 * drawn, abs=1e-12)  # efficiency 0.8
    assert sum(parts) + made.start_conversion_kJ == pytest.approx(drawn)
    stops = 1 if OFF in classes else 0
    assert made.stops == stops and made.run_down_kJ == pytest.approx(stops * rotor)
    with pytest.raises(AttributeError, match="this result holds no cost_g"):
        _ = made.cost_g  # not given


def test_standing_still_has_no_fuel_per_distance():
    car, want = plain_driveline(), wanted([0.0, 0.0], 0.0)
    trace = replayed(car, want, 1, RUNNING)
    made = make_result(trace, Cycle("rest", [0, 1, 2], [0, 0, 0]), car, want, SETTINGS, {})
    assert made.fuel_g > 0 and np.isnan(made.co2_g_per_km) and np.isnan(made.fuel_l_per_100km)


def test_only_totals_are_attributes(result):
    with pytest.raises(AttributeError, match="no 'fuel_kg'; did you mean fuel_g"):
        _ = result.fuel_kg
    with pytest.raises(AttributeError, match="no 'zzz'; dir\\(result\\) lists"):
        _ = result.zzz
    assert not hasattr(result, "bound_g")


def test_totals_are_listed(solved):
    listed = set(dir(solved))
    assert {*TOTALS, *BOUND_TOTALS} - listed == {"corridor_width"}  # no corridor was swept
    assert {"share_boost", "energy_fuel_kJ", "settings", "to_csv"} <= listed
    assert solved.gap_percent == solved.dataset.attrs["gap_percent"]
    assert copy.copy(solved).fuel_g == pickle.loads(pickle.dumps(solved)).fuel_g == solved.fuel_g


def test_a_result_shows_its_key_values(solved):
    text = repr(solved)
    for piece in (
        f"{solved.fuel_g:.2f} g, {solved.fuel_l_per_100km:.3f} l/100 km",
        f"{solved.bound_g:.2f} g, gap {solved.gap_percent:.3f} %",
        f"{100 * solved.soc_start:.2f} % -> {100 * solved.soc_end:.2f} %",
        "ece15, 1.018 km in 195 s",
    ):
        assert piece in text, piece
        assert html.escape(piece) in solved._repr_html_()
    assert len(text.splitlines()) == 8


def test_names_are_escaped_in_notebooks(result):
    odd = Result(result.dataset.assign_attrs(driveline="<b>$&"))
    assert "&lt;b&gt;$&amp;" in odd._repr_html_() and "<b>" not in odd._repr_html_()


def test_modes_carry_cf_flags(solved):
    """CF conventions 1.11, section 3.5: values of the variable's type, and a word for each."""
    mode = solved.dataset["mode"]
    flags = dict(zip(mode.attrs["flag_values"], mode.attrs["flag_meanings"].split(), strict=True))
    assert flags == {m.value: m.name.lower() for m in Mode}
    assert mode.attrs["flag_values"].dtype == mode.dtype


# --- files ---


@pytest.mark.long
def test_netcdf_gives_the_same_object(solved, tmp_path):
    path = tmp_path / "run.nc"
    solved.to_netcdf(path)
    again = Result.read(path)
    assert again.dataset.identical(solved.dataset)
    assert {name: v.dtype for name, v in again.dataset.variables.items()} == {
        name: v.dtype for name, v in solved.dataset.variables.items()
    }
    assert list(again.dataset.attrs) == list(solved.dataset.attrs)
    assert {k: type(v) for k, v in again.dataset.attrs.items()} == {
        k: type(v) for k, v in solved.dataset.attrs.items()
    }
    assert again.settings == solved.settings


def test_csv_gives_the_same_figures_in_the_units_of_the_trade(solved, tmp_path):
    """2 pi rad/s are 60 rpm, 1 m/s is 3.6 km/h; 12 digits of every number."""
    path, data = tmp_path / "run.csv", solved.dataset
    solved.to_csv(path)
    lines = path.read_text().splitlines()
    head = [line for line in lines if line.startswith("#")]
    names = lines[len(head)].split(",")
    rows = [line.split(",") for line in lines[len(head) + 1 :]]
    found = dict(zip(names, zip(*rows, strict=True), strict=True))
    assert len(found) == 1 + len(STEP_VARIABLES) and len(rows) == data.sizes["time"]
    assert found["mode"] == tuple(Mode(code).name.lower() for code in data["mode"].values)
    for column, expected in {
        "time_s": data["time"],
        "engine_speed_rpm": data["engine_speed"] * 30.0 / np.pi,
        "motor_speed_rpm": data["motor_speed"] * 30.0 / np.pi,
        "speed_km_per_h": data["speed"] * 3.6,
        "soc_percent": data["soc"] * 100.0,
        "battery_power_kW": data["battery_power"] / 1000.0,
        "engine_torque_Nm": data["engine_torque"],
        "gear": data["gear"],
        "costate_g_per_percent": data["costate"] / 100.0,
        "fuel_rate_g_per_s": data["fuel_rate"],
    }.items():
        np.testing.assert_allclose(np.array(found[column], float), expected, rtol=1e-11)
    assert f"# fuel_g: {solved.fuel_g}" in head
    assert f"# soc_end_percent: {solved.soc_end / 0.01}" in head
    assert "engine_pull_start: engine-pull start" in head[-1]


@pytest.mark.parametrize("method", ["to_netcdf", "to_csv"])
def test_existing_file_stays(result, tmp_path, method):
    path = tmp_path / "run.out"
    path.write_text("mine")
    with pytest.raises(InputError, match="exists already; choose another name or allow overwriti"):
        getattr(result, method)(path)
    assert path.read_text() == "mine"
    getattr(result, method)(path, overwrite=True)
    assert path.stat().st_size > 1000 and os.listdir(tmp_path) == ["run.out"]


@pytest.mark.parametrize("method", ["to_netcdf", "to_csv"])
def test_no_folder_no_file(result, tmp_path, method):
    with pytest.raises(InputError, match="does not exist; make it first"):
        getattr(result, method)(tmp_path / "none" / "run.out")
    with pytest.raises(InputError, match="is a folder; give a file name"):
        getattr(result, method)(tmp_path, overwrite=True)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("method", ["to_netcdf", "to_csv"])
@pytest.mark.parametrize("had", ["mine", None])
def test_failed_write_leaves_nothing_and_takes_nothing(result, tmp_path, monkeypatch, method, had):
    """The disk fills up before the file is whole."""

    def full(*_):
        raise OSError(28, "No space left on device")

    path = tmp_path / "run.out"
    if had:
        path.write_text(had)
    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(FailedError, match=r"could not be written \(No space left on device\)"):
        getattr(result, method)(path, overwrite=True)
    assert os.listdir(tmp_path) == (["run.out"] if had else [])
    assert not had or path.read_text() == had


def test_write_that_breaks_half_way_leaves_nothing(tmp_path):
    def half(path):
        path.write_text("half")
        raise OSError(5, "Input/output error")

    with pytest.raises(FailedError, match="Input/output error"):
        write_atomically(tmp_path / "run.csv", half)
    with pytest.raises(KeyboardInterrupt):
        write_atomically(tmp_path / "run.csv", interrupted)
    assert os.listdir(tmp_path) == []


def interrupted(path):
    path.write_text("half")
    raise KeyboardInterrupt


def test_what_is_no_result_is_refused(result, tmp_path):
    path = tmp_path / "run.nc"
    with pytest.raises(InputError, match="does not exist; give a "):
        Result.read(path)
    path.write_text("hello")
    with pytest.raises(InputError, match="is no NetCDF result, or not as .* .it has no seal.; sol"):
        Result.read(path)
    Result(xr.Dataset({"x": ("t", [1.0])})).to_netcdf(path, overwrite=True)
    with pytest.raises(InputError, match="is no result of this package; it lacks time, dt, speed"):
        Result.read(path)
    bare = result.dataset.copy()
    del bare.attrs["settings"]
    Result(bare).to_netcdf(path, overwrite=True)
    with pytest.raises(InputError, match="is no result of this package; it lacks settings"):
        Result.read(path)


# --- files that were changed since they were written ---


@pytest.fixture(scope="module")
def full():
    return solve_cycle(read_cycle("ece15"), read_driveline("full"), SETTINGS)


@pytest.fixture(scope="module")
def written(full, tmp_path_factory):
    """What another reader finds in a result's file."""
    path = tmp_path_factory.mktemp("written") / "run.nc"
    full.to_netcdf(path)
    with xr.open_dataset(path, engine="h5netcdf", decode_times=False) as file:
        return file.load()


@pytest.fixture
def changed(written, tmp_path):
    """A function that writes a result's file again with other variables or attrs."""
    path = tmp_path / "run.nc"

    def write(change):
        change(written.copy(deep=True)).to_netcdf(path, engine="h5netcdf")
        return path

    return write


@pytest.mark.long
def test_xarray_may_add_to_a_result(full, changed):
    path = changed(lambda dataset: dataset.assign_attrs(note="rainy"))
    with pytest.warns(InputWarning, match="was changed since it was written .it has no seal.; its"):
        again = Result.read(path)
    assert again.dataset.identical(full.dataset.assign_attrs(note="rainy"))
    assert again.settings == full.settings


FAULTS = {
    "variable": (lambda d: d.drop_vars("soc"), "it lacks soc"),
    "total": (
        lambda d: d.drop_attrs(deep=False).assign_attrs(cycle="a"),
        "it lacks driveline, settings, fu",
    ),
    "text": (lambda d: d.assign_attrs(cycle=3), "its attribute cycle is no text"),
    "number": (lambda d: d.assign_attrs(fuel_g="3"), "its attribute fuel_g is no number"),
    "bound": (lambda d: d.assign_attrs(bound_g="3"), "its attribute bound_g is no number"),
    "settings": (lambda d: d.assign_attrs(settings="{}"), "its settings cannot be read"),
    "kind": (lambda d: d.assign(soc=d["soc"].astype(str)), "variable soc is no row of numbers"),
    "units": (lambda d: d.assign(soc=d["soc"].drop_attrs()), "variable time has no units"),
    "blank": (lambda d: d.assign(soc=d["soc"] * np.nan), "variable soc h"),
    "mode": (lambda d: d.assign(mode=d["mode"] + 1), "codes that are no modes"),
    "gear": (lambda d: d.assign(gear=d["gear"] * 0), "gears below 1"),
    "time": (lambda d: d.assign_coords(time=-d["time"]), "time does not increase"),
}


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS)
def test_what_cannot_be_used_is_refused(changed, fault):
    change, words = FAULTS[fault]
    with xr.set_options(keep_attrs=True):
        path = changed(change)
    with pytest.raises(InputError, match=words):
        Result.read(path)
