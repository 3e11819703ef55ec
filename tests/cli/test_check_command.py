"""`hybridopt check`: one line per file, exit code 2 when any is wrong."""

import json
import shutil

import pytest
from click.testing import CliRunner, Result

from hybridopt.cli.main import main
from hybridopt.inputs.driveline_file import DEMO_FOLDER

GOOD = "time_s,speed_km_per_h\n0,0\n5,36\n10,36\n15,0\n"
BACKWARDS = "time_s,speed_km_per_h\n0,0\n2,1\n1,2\n"


def check(*args: object) -> Result:
    return CliRunner().invoke(main, ["check", *map(str, args)])


@pytest.fixture
def good(tmp_path):
    path = tmp_path / "good.csv"
    path.write_text(GOOD)
    return path


@pytest.fixture
def bad(tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text(BACKWARDS)
    return path


def test_good_files_are_told_with_figures(good):
    outcome = check(good, DEMO_FOLDER / "full.toml")
    cycle, driveline = outcome.stdout.splitlines()
    assert (outcome.exit_code, outcome.stderr) == (0, "")
    assert cycle == f"ok: {good}: cycle, 15 s in 3 steps, 0.100 km, up to 36.0 km/h"
    assert driveline.startswith(
        f"ok: {DEMO_FOLDER / 'full.toml'}: driveline full, 1700 kg, 8 gears"
    )


@pytest.mark.parametrize("name", ["full", "mild", "micro"])
def test_the_demo_drivelines_pass(name):
    assert check(DEMO_FOLDER / f"{name}.toml").exit_code == 0


def test_one_bad_file_makes_the_exit_code_2_and_the_others_are_still_checked(good, bad):
    outcome = check(bad, good)
    first, second = outcome.stdout.splitlines()
    assert outcome.exit_code == 2
    assert first.startswith(f"error: {bad}: line 4: time_s is 1;")
    assert second.startswith("ok: ")


def test_json_lists_a_verdict_per_file(good, bad):
    outcome = check("--json", good, bad)
    records = json.loads(outcome.stdout)
    assert outcome.exit_code == 2
    assert [record["ok"] for record in records] == [True, False]
    assert [record["file"] for record in records] == [str(good), str(bad)]
    assert "line 4" in records[1]["message"]


def test_a_damaged_driveline_is_named(tmp_path):
    folder = tmp_path / "car"
    shutil.copytree(DEMO_FOLDER, folder)
    path = folder / "full.toml"
    path.write_text(path.read_text().replace("mass_kg = 1700", "mass_kg = -1700"))
    outcome = check(path)
    assert outcome.exit_code == 2
    assert "full.toml" in outcome.stdout and "mass_kg" in outcome.stdout
    assert outcome.stdout.count("\n") == 1


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("absent.csv", "absent.csv"),
        ("absent.toml", "absent.toml"),
        ("notes.txt", "neither .toml (driveline) nor .csv (cycle)"),
    ],
)
def test_what_cannot_be_checked_is_an_error(tmp_path, name, words):
    outcome = check(tmp_path / name)
    assert outcome.exit_code == 2
    assert outcome.stdout.startswith("error: ") and words in outcome.stdout
    assert outcome.stdout.count("\n") == 1 and outcome.stderr == ""


def test_warnings_are_told_but_the_file_is_ok(tmp_path):
    path = tmp_path / "drive.csv"
    path.write_text("time_s,speed_km_per_h,altitude_m\n0,0,1\n5,36,2\n")
    outcome = check(path)
    assert outcome.exit_code == 0
    assert outcome.stdout.startswith("ok: ")
    assert outcome.stderr.startswith(f"warning: {path}: columns not read: 'altitude_m'")
    assert outcome.stderr.count("\n") == 1
    record = json.loads(check("--json", path).stdout)[0]
    assert record["ok"] and len(record["warnings"]) == 1


def test_slips_are_told_once(tmp_path):
    """By `check` and by `solve`, which both read the file."""
    path = tmp_path / "drive.csv"
    rows = [f"{1000 * i},{v},0.06" for i, v in enumerate((0, 10, 20, 20, 10, 0))]
    path.write_text("\n".join(["time_s,speed_km_per_h,grade_percent", *rows]) + "\n")
    told = check(path, "--driveline", "full").stderr
    solved = CliRunner().invoke(main, ["solve", str(path), "--achievable", "--no-bound"]).stderr
    for text in (told, solved):
        assert text.count("warning: ") == 2
        assert text.count("the longest 1000 s at 0 s") == text.count("lies within 0.06 %") == 1
