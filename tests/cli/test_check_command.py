"""`hybridopt check`: one line per file, exit code 2 when any is wrong."""

import json
import shutil

import pytest
from click.testing import CliRunner, Result

from hybridopt.base.units import KM_PER_H
from hybridopt.cli.main import main
from hybridopt.inputs.driveline_file import DEMO_FOLDER, read_driveline
from hybridopt.physics.capability import capability

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
    cycle, driveline, *can = outcome.stdout.splitlines()
    assert (outcome.exit_code, outcome.stderr) == (0, "")
    assert cycle == f"ok: {good}: cycle, 15 s in 3 steps, 0.100 km, up to 36.0 km/h"
    assert driveline.startswith(
        f"ok: {DEMO_FOLDER / 'full.toml'}: driveline full, 1700 kg, 8 gears"
    )
    found = capability(read_driveline("full"))
    speeds = [f"{v / KM_PER_H:.0f} km/h" for v in (found.top_speed, found.lasting_speed)]
    assert can[0].startswith(
        f"  can do {speeds[0]}, {speeds[1]} without the battery; 0 to 100 km/h"
    )
    assert can[0].endswith(f"moves off on {100 * found.grade:.0f} %")
    assert can[1] == "  at its best the engine takes 223 g/kWh (37.7 %), at 1750 rpm and 200 Nm"


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


SIX = """
base = "full"
[vehicle]
mass_kg = -5
drag_area = 0.6
[gearbox]
ratios = [4, 3, 2, 1, 0.9, 0.8, "x", 0.6]
[engine]
max_speed_rpm = 700
[motor]
loss_map_csv = "none.csv"
[battery]
soc_start_percent = 90
"""


def test_all_faults_of_a_driveline_are_told_at_once(tmp_path):
    """File, field, value, what is allowed: one sentence each; other commands tell the first."""
    path = tmp_path / "car.toml"
    path.write_text(SIX)
    outcome = check(path)
    assert (outcome.exit_code, outcome.stderr) == (2, "")
    told = outcome.stdout.splitlines()
    assert all(line.startswith(f"error: {path}: [") for line in told)
    assert {line.removeprefix(f"error: {path}: ") for line in told} == {
        "[motor] loss_map_csv: the file 'none.csv' does not exist beside it",
        "[vehicle] drag_area: is not known here; did you mean drag_area_m2?",
        "[vehicle] mass_kg: is -5; allowed is 50 to 100000",
        "[gearbox] ratios[6]: is 'x'; write a finite number",
        "[engine] max_speed_rpm: is 700; it must be above idle_speed_rpm, 850",
        "[battery] soc_start_percent: 90 lies outside the window 40 to 80 %",
    }
    (record,) = json.loads(check("--json", path).stdout)
    assert [f"error: {text}" for text in record["errors"]] == told and not record["ok"]
    solve = CliRunner().invoke(main, ["solve", "ece15", "--driveline", str(path)])
    assert (solve.exit_code, solve.stderr.count("\n")) == (2, 1)
    assert solve.stderr.endswith("(5 more faults); hybridopt check lists all\n")


def test_all_faults_of_a_cycle_are_told_at_once(tmp_path):
    """The first of each kind, with its line."""
    path = tmp_path / "drive.csv"
    rows = ["0,0,0,20", "1,900,0,20", "1,30,60,20", "2,-4,70,400"]
    head = "time_s,speed_km_per_h,grade_percent,oil_temperature_C"
    path.write_text("\n".join([head, *rows]) + "\n")
    outcome = check(path)
    told = [line.removeprefix(f"error: {path}: ") for line in outcome.stdout.splitlines()]
    assert (outcome.exit_code, len(told)) == (2, 4)
    assert told[0].startswith("line 4: time_s is 1; it must exceed the time before it")
    assert told[1].startswith("line 3: speed_km_per_h is 900; allowed is 0 to 500")
    assert told[2].startswith("line 4: grade_percent is 60; allowed is -40 to 40")
    assert told[3].startswith("line 5: oil_temperature_C is 400; allowed is -60 to 200")


def test_an_implausible_driveline_is_used_with_a_warning(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text('base = "full"\n[vehicle]\ndrag_area_m2 = 0\n')
    outcome = check(path, path)
    assert outcome.exit_code == 0 and outcome.stdout.startswith("ok: ")
    assert outcome.stderr.count("\n") == 1  # once a command
    assert outcome.stderr.startswith(
        f"warning: {path}: [vehicle] drag_area_m2: is 0; vehicles have"
    )


def test_what_a_driveline_can_do_is_in_the_record():
    (record,) = json.loads(check("--json", DEMO_FOLDER / "micro.toml").stdout)
    found = capability(read_driveline("micro"))
    assert record["can"]["top_speed_km_per_h"] == pytest.approx(found.top_speed * 3.6)
    assert record["can"]["grade_percent"] == pytest.approx(100 * found.grade)
    assert record["can"]["to_100_km_per_h_s"] == pytest.approx(found.seconds_to_hundred)
    assert record["errors"] == [] and "can" not in json.loads(check("--json", "x.toml").stdout)[0]


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


@pytest.mark.long
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
