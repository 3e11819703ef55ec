"""`hybridopt variants`: the table, files, exit codes, and one sentence for every bad input."""

import csv
import json

import pytest
from click.testing import CliRunner

from hybridopt.cli.main import main

SMALL = ("--soc-points", "101", "--splits", "9")
HEAVY = 'base = "micro"\nname = "heavy"\n[vehicle]\nmass_kg = 60000\n'


def run(*args):
    return CliRunner().invoke(main, ["variants", *map(str, args), *SMALL])


def assert_one_sentence(outcome, *words):
    errors = outcome.stderr.splitlines()
    assert outcome.exit_code == 2, outcome.output
    assert len(errors) == 1 and errors[0].startswith("error: "), errors
    assert "Traceback" not in outcome.output and outcome.stdout == ""
    for word in words:
        assert word in errors[0]


@pytest.fixture
def heavy(tmp_path):
    (tmp_path / "heavy.toml").write_text(HEAVY)
    return tmp_path / "heavy.toml"


@pytest.mark.long
def test_table_json_and_files_say_the_same(tmp_path, heavy):
    out = tmp_path / "out"
    args = ("full", "mild", heavy, "--cycle", "ece15", "--cycle", "eudc", "--out", out)
    outcome = run(*args)
    assert outcome.exit_code == 0, outcome.output
    assert f"wrote {out / 'variants.csv'}" in outcome.stdout
    assert (out / "variants.png").read_bytes().startswith(b"\x89PNG")
    record = json.loads(run(*args, "--json", "--overwrite").stdout)
    assert [v["cycle"] for v in record["variants"]] == ["ece15"] * 3 + ["eudc"] * 3
    assert [v["solved"] for v in record["variants"]] == [True, True, False] * 2
    lines = (out / "variants.csv").read_text().splitlines()
    assert lines[0].startswith("#")
    for row, variant in zip(csv.DictReader(lines[1:]), record["variants"], strict=True):
        assert set(row) == set(variant)
        for key in ("fuel_g", "bound_g", "gap_percent", "fuel_percent", "soc_end"):
            told = None if row[key] == "" else float(row[key])
            assert told == variant[key]
        if variant["solved"]:
            assert variant["cost_g"] >= variant["bound_g"] * (1 - 1e-9)
            assert f"{variant['fuel_l_per_100km']:.3f}" in outcome.stdout
        else:
            assert variant["reason"] in outcome.stdout


def test_exit_code_is_1_only_if_none_can_be_solved(heavy):
    assert run(heavy, "full", "--cycle", "ece15", "--no-bound").exit_code == 0
    outcome = run(heavy, "--cycle", "ece15")
    assert outcome.exit_code == 1 and "cannot be solved: " in outcome.stdout
    assert outcome.stderr == ""


def test_files_that_share_a_name_are_told_apart_by_their_files(tmp_path):
    for name, mass in (("light", 1500), ("laden", 2100)):
        (tmp_path / f"{name}.toml").write_text(f'base = "full"\n[vehicle]\nmass_kg = {mass}\n')
    files = [tmp_path / "light.toml", tmp_path / "laden.toml"]
    record = json.loads(run(*files, "--cycle", "ece15", "--no-bound", "--json").stdout)
    assert record["drivelines"] == ["light", "laden"]
    light, laden = record["variants"]
    assert laden["fuel_g"] > light["fuel_g"] and laden["bound_g"] is None


def test_files_that_exist_stay(tmp_path):
    (tmp_path / "variants.csv").write_text("mine")
    assert_one_sentence(run("full", "--cycle", "ece15", "--out", tmp_path), "exists already")
    assert (tmp_path / "variants.csv").read_text() == "mine"


@pytest.mark.parametrize(
    "args, words",
    [
        (("fool",), "'fool' is neither a file nor a demo driveline"),
        (("full", "full"), "driveline 'full' is given twice; keep one"),
        (("full", "--cycle", "ece51"), "'ece51'"),
        (("full", "--cycle", "ece15", "--cycle", "ece15"), "cycle ece15 is given 2 times"),
        ((), "Missing argument 'DRIVELINE...'"),
        (("full", "--out", "missing/folder"), "does not exist"),
    ],
)
def test_refusals(args, words):
    assert_one_sentence(run(*args), words)
