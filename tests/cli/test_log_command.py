"""`hybridopt log`: what was taken, what disagrees, files that are read back."""

import json

import numpy as np
import pytest
from commands import run

from hybridopt import read_recording

TIME = np.arange(0.0, 120.01, 0.1)
SPEED = 60 * np.sin(np.pi * TIME / 60) ** 2
POWER = 10 * np.sin(2 * np.pi * TIME / 30)


@pytest.fixture
def log(tmp_path):
    """Return a log of a battery whose current counts from the other side."""
    columns = {
        "time [s]": TIME,
        "speed [km/h]": SPEED,
        "HV voltage [V]": 250 - POWER / 10,
        "HV current [A]": -POWER * 1e3 / 250,
        "motor electric power [kW]": POWER,
        "fuel rate [l/h]": 3 + 0 * TIME,
        "engine speed": 1500 + 0 * TIME,
    }
    rows = [",".join(f"{v:.6g}" for v in row) for row in zip(*columns.values(), strict=True)]
    path = tmp_path / "car.csv"
    path.write_text("\n".join([",".join(columns), *rows]) + "\n")
    return path


def test_the_report_names_columns_and_findings(log):
    done = run("log", log)
    assert done.exit_code == 0, done.output
    assert "HV voltage [V] in V (by usual name)" in done.output
    assert "turn it with --channel battery_current=HV current [A]:-A" in done.output
    assert "column engine speed has no unit; say it with" in done.output
    assert "--fuel-density G/L" in done.output


def test_json_holds_statistics_and_findings(log):
    done = run("log", log, "--json", "--fuel-density", "750")
    record = json.loads(done.output)
    assert record["recorded"]["fuel_rate"]["mean"] == pytest.approx(3 * 750 / 3600)
    assert record["recorded"]["battery_current"]["unit"] == "A"
    assert {"sign", "left_out"} <= {one["kind"] for one in record["findings"]}


def test_turned_signs_are_gone_and_the_map_keeps_them(log, tmp_path):
    out, plot, saved = tmp_path / "o.csv", tmp_path / "o.png", tmp_path / "m.toml"
    turned = ["--channel", "battery_current=HV current [A]:-A"]
    files = ["--out", out, "--plot", plot, "--save-map", saved]
    done = run("log", log, *turned, *files, "--fuel-density", "750")
    assert done.exit_code == 0, done.output
    assert "sign:" not in done.output
    assert 'unit = "-A"' in saved.read_text() and "[time]" in saved.read_text()
    assert plot.read_bytes().startswith(b"\x89PNG")
    again = run("log", log, "--map", saved, "--fuel-density", "750")
    assert "HV current [A] in -A (by map)" in again.output and "sign:" not in again.output
    # what was written reads as the same
    first = read_recording(log, fuel_density=750.0)
    second = read_recording(out)
    assert set(second.channels) == set(first.channels) == {
        "speed", "battery_voltage", "battery_current", "motor_power", "fuel_rate",
    }  # fmt: skip
    assert second.time == pytest.approx(first.time)
    for name, sign in {"battery_current": -1, "motor_power": 1, "fuel_rate": 1, "speed": 1}.items():
        assert second.channels[name] == pytest.approx(sign * first.channels[name], abs=1e-3)


def test_netcdf_holds_si_with_units(log, tmp_path):
    xarray = pytest.importorskip("xarray")
    out = tmp_path / "o.nc"
    assert run("log", log, "--out", out).exit_code == 0
    with xarray.open_dataset(out) as dataset:
        assert dataset["motor_power"].attrs["units"] == "W"
        assert float(dataset["motor_power"].max()) == pytest.approx(1e4, rel=1e-3)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--channel", "torque=x"], "write SIGNAL=NAME"),
        (["--channel", "gear=none", "--channel", "gear=x"], "--channel gear is given 2 times"),
        (["--channel", "gear=x"], "there is no column 'x'"),
        (["--channel", "battery_current=HV current [A]:V"], "there is no column"),
        (["--step", "0"], "recording: step is 0.0; allowed is 0.01 to 60"),
        (["--out", "a.txt"], "give a name that ends in .csv or .nc"),
        (["--out", "a.csv", "--plot", "a.csv"], "name the same file"),
    ],
)
def test_refusals_are_one_sentence(log, options, words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = run("log", log, *options)
    assert done.exit_code == 2
    assert words in done.output and "Traceback" not in done.output
    assert not list(tmp_path.glob("a.*"))


def test_an_import_of_a_cycle_takes_the_same_map(log, tmp_path):
    saved = tmp_path / "m.toml"
    run("log", log, "--save-map", saved)
    done = run("cycle", "import", log, "--map", saved)
    assert done.exit_code == 0 and "speed [km/h] (by map)" in done.output
