"""Emissions from the command line: totals, prices, limits, the heating phase, comparison."""

import csv
import json

import pytest
from commands import SMALL, assert_one_sentence, run

from hybridopt import read_driveline

CLEAN = (*SMALL, "--driveline", "clean")


def record(*args):
    outcome = run("solve", *CLEAN, "--json", *args)
    assert outcome.exit_code == 0, outcome.output
    return json.loads(outcome.stdout)


@pytest.mark.long
def test_totals_prices_and_files(tmp_path):
    free = record()
    dear = record("--nox-price-g-per-g", 30, "--out", tmp_path)
    assert {"nox_g", "hc_g", "co_tailpipe_g", "catalyst_lit_s"} <= free.keys()
    assert dear["nox_g"] < free["nox_g"] and dear["fuel_g"] > free["fuel_g"]
    assert dear["emission_cost_g"] == pytest.approx(30 * dear["nox_g"])
    assert dear["settings"]["nox_price"] == 30.0
    lines = (tmp_path / "ece15_clean.csv").read_text().splitlines()
    table = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert sum(float(row["nox_rate_g_per_s"]) * float(row["dt_s"]) for row in table) == (
        pytest.approx(dear["nox_g"], rel=1e-9)
    )


@pytest.mark.long
def test_summary_of_a_limit_with_a_heating_phase():
    args = ("--nox-limit-g-per-km", 0.03, "--heating-start-s", 20)
    outcome = run("solve", *CLEAN, *args)
    assert outcome.exit_code == 0, outcome.output
    for words in ("(fuel, emissions, and", "Engine emits        NOx ", "after 50 s", "Within lim"):
        assert words in outcome.stdout
    assert all(len(line) <= 80 for line in outcome.stdout.splitlines())


@pytest.mark.long
def test_comparison_lists_grams():
    args = ("ece15", "--driveline", "clean", "--controller", "equivalence", "--tune", "none")
    settings = ("--soc-points", 101, "--splits", 9, "--hc-price-g-per-g", 2)
    outcome = run("compare", *args, *settings)
    assert outcome.exit_code == 0, outcome.output
    assert "emitted, g" in outcome.stdout and "shifts, emissions are charged" in outcome.stdout
    assert all(len(line) <= 80 for line in outcome.stdout.splitlines())
    scores = json.loads(run("compare", *args, *settings, "--json").stdout)["scores"]
    assert all(score["hc_g"] >= score["hc_tailpipe_g"] > 0.0 for score in scores)
    assert all(score["gap_percent"] >= 0.0 for score in scores)


@pytest.mark.long
def test_what_is_out_of_reach_or_missing_is_one_sentence():
    assert_one_sentence(run("solve", *CLEAN, "--co-limit-g-per-km", 0.001), "co_limit: 0.001 g/km")
    assert_one_sentence(run("solve", *SMALL, "--nox-price-g-per-g", 1), "add nox_csv")


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("800,0,1\n800,240,1\n6200,0,1\n6200,240,-2\n", "6200, torque_Nm 240: nox_g_per_h is -2"),
        ("800,0,1\n800,200,1\n6200,0,1\n6200,200,1\n", "[engine] nox: reaches 200 Nm"),
        ("800,20,1\n800,240,1\n6200,20,1\n6200,240,1\n", "[engine] nox: begins at 20 Nm"),
        ("1000,0,1\n1000,240,1\n6200,0,1\n6200,240,1\n", "[engine] nox: covers 1000 to 6200 rpm"),
    ],
)
def test_bad_maps(tmp_path, rows, words):
    (tmp_path / "nox.csv").write_text(f"speed_rpm,torque_Nm,nox_g_per_h\n{rows}")
    (tmp_path / "car.toml").write_text('base = "full"\n[engine]\nnox_csv = "nox.csv"\n')
    assert_one_sentence(run("solve", *SMALL, "--driveline", tmp_path / "car.toml"), words)


def test_units_of_maps(tmp_path):
    """36 g/h are 10 mg/s; g/kWh times power; at 0 N m on the line through the next two points."""
    rows = "".join(f"{n},{t},{{}}\n" for n in (600, 6600) for t in (0, 120, 240))
    for column, value, low in (
        ("hc_g_per_h", 36, 0.01),
        ("hc_mg_per_s", 10, 0.01),
        ("hc_g_per_s", 0.01, 0.01),
        ("hc_g_per_kWh", 3, 0.0),
    ):
        text = f"speed_rpm,torque_Nm,{column}\n{rows.replace('{}', str(value))}"
        (tmp_path / "hc.csv").write_text(text)
        (tmp_path / "car.toml").write_text('base = "full"\n[engine]\nhc_csv = "hc.csv"\n')
        found = read_driveline(tmp_path / "car.toml").engine.emissions["hc"]
        assert found.values[0, 0] == pytest.approx(low)
    power = 240 * found["speed"].values[0] / 3.6e6  # kWh in a second
    assert found.values[0, 2] == pytest.approx(3 * power)
