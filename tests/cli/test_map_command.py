"""`hybridopt map import`: the report, files, and one sentence for every bad input."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from hybridopt import read_driveline
from hybridopt.base.units import RPM
from hybridopt.cli.main import main
from hybridopt.inputs.driveline_file import DEMO_FOLDER

HEAT = 42.9  # MJ/kg, that of the demo drivelines


def run(*args):
    return CliRunner().invoke(main, ["map", "import", *map(str, args)])


def assert_one_sentence(outcome, *words):
    errors = outcome.stderr.splitlines()
    assert outcome.exit_code == 2, outcome.output
    assert len(errors) == 1 and errors[0].startswith("error: "), errors
    assert "Traceback" not in outcome.output and outcome.stdout == ""
    for word in words:
        assert word in errors[0]


@pytest.fixture
def bench(tmp_path):
    """An engine of 40 % marginal efficiency, as efficiency over mean effective pressure."""
    rng = np.random.default_rng(1)
    speed, torque = rng.uniform(850, 6200, 80), rng.uniform(5, 230, 80)
    percent = 40.0 * torque / (torque + 18.0)
    rows = np.column_stack((speed, torque * 4 * np.pi / 1.6e-3 / 1e5, percent))
    path = tmp_path / "bench.csv"
    np.savetxt(
        path,
        rows,
        delimiter=",",
        header="speed_rpm,bmep_bar,efficiency_percent",
        comments="",
        fmt="%.17g",
    )
    return path


def engine(bench, *more):
    return run(
        bench, "--kind", "engine", "--displacement-l", 1.6, "--heating-value-MJ-per-kg", HEAT, *more
    )


def test_map_is_read_by_a_driveline(bench, tmp_path):
    """The whole way, against the closed form of the engine that was measured."""
    full = DEMO_FOLDER / "petrol_1600_full_load.csv"
    out, plot = tmp_path / "map.csv", tmp_path / "map.png"
    outcome = engine(bench, "--out", out, "--plot", plot, "--limit", full, "--speeds", 12)
    assert outcome.exit_code == 0, outcome.output
    assert f"wrote {out}" in outcome.stdout and plot.read_bytes().startswith(b"\x89PNG")
    assert "FAILED" not in outcome.stdout and "Outliers      none" in outcome.stdout
    (tmp_path / "own.toml").write_text('base = "full"\n[engine]\nfuel_map_csv = "map.csv"\n')
    fuel = read_driveline(tmp_path / "own.toml").engine.fuel_map
    speed, torque = np.meshgrid(fuel["speed"], fuel["torque"], indexing="ij")
    np.testing.assert_allclose(fuel, speed * (torque + 18.0) / (0.4 * HEAT * 1e3), rtol=1e-9)
    assert fuel.sizes == {"speed": 12, "torque": 20}


def test_driveline_takes_other_quantities_directly(tmp_path):
    """`efficiency_percent` and `electric_power_kW` in the header of the maps themselves."""
    base = read_driveline("full")
    fuel, loss = base.engine.fuel_map, base.motor.loss_map
    power = fuel["speed"] * fuel["torque"]
    share = 100.0 * power / (fuel * HEAT * 1e3)
    electric = (loss["speed"] * loss["torque"] + loss) / 1e3
    for name, table, column in (
        ("e", share, "efficiency_percent"),
        ("m", electric, "electric_power_kW"),
    ):
        table = table.transpose("speed", "torque")
        rows = [f"speed_rpm,torque_Nm,{column}"]
        rows += [
            f"{s / RPM:.17g},{t:.17g},{float(table[i, j]):.17g}"
            for i, s in enumerate(table["speed"].values)
            for j, t in enumerate(table["torque"].values)
        ]
        (tmp_path / f"{name}.csv").write_text("\n".join(rows) + "\n")
    text = '[engine]\nfuel_map_csv = "e.csv"\n[motor]\nloss_map_csv = "m.csv"\n'
    (tmp_path / "own.toml").write_text('base = "full"\n' + text)
    own = read_driveline(tmp_path / "own.toml")
    np.testing.assert_allclose(own.motor.loss_map, loss, rtol=1e-9)
    np.testing.assert_allclose(own.engine.fuel_map[:, 1:], fuel[:, 1:], rtol=1e-9)
    line = 2.0 * fuel[:, 1] - fuel[:, 2]  # at 0 N m; the axis has equal steps there
    np.testing.assert_allclose(own.engine.fuel_map[:, 0], line, rtol=1e-9)


def test_json_says_what_the_report_says(bench):
    record = json.loads(engine(bench, "--json").stdout)
    assert record["points"] == record["used"] == 80 and record["unit"] == "g/s"
    assert record["column"] == "fuel_g_per_s" and len(record["speeds_rpm"]) == 20
    assert record["outliers"] == [] and 0.0 < record["extrapolated_share"] < 0.5
    assert all(check["passed"] for check in record["checks"])
    assert record["rms"] < 1e-9 and record["files"] == []


def test_files_that_exist_stay(bench, tmp_path):
    (tmp_path / "map.csv").write_text("mine")
    assert_one_sentence(engine(bench, "--out", tmp_path / "map.csv"), "exists already")
    assert (tmp_path / "map.csv").read_text() == "mine"
    assert engine(bench, "--out", tmp_path / "map.csv", "--overwrite").exit_code == 0


@pytest.mark.parametrize(
    "args, words",
    [
        (("--kind", "engine"), "give it with --displacement-l"),
        (("--kind", "engine", "--displacement-l", 1.6), "needs the heating value"),
        (("--kind", "motor", "--min-speed-rpm", 5), "a motor's grid begins at 0 rpm"),
        (("--kind", "motor"), "column torque_Nm is missing"),
        (("--kind", "pump"), "'pump' is not one of"),
        ((), "Missing option '--kind'"),
    ],
)
def test_refusals(bench, args, words):
    assert_one_sentence(run(bench, *args), words)


def test_one_file_for_both_outputs_is_refused(bench, tmp_path):
    same = tmp_path / "a.csv"
    assert_one_sentence(engine(bench, "--out", same, "--plot", same), "name the same file")
    assert not same.exists()


def test_an_empty_grid_is_refused(bench):
    outcome = engine(bench, "--max-speed-rpm", 500)
    assert_one_sentence(outcome, "the grid from 8", "to 500 rpm", "is empty")
