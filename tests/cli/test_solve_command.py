"""`hybridopt solve`: output, files, settings, and one clear sentence for every bad input."""

import dataclasses
import json
import re
import shutil
import sys
from pathlib import Path

import click
import pytest
from commands import SMALL, assert_one_sentence, run

from hybridopt.base.nomenclature import TOTALS
from hybridopt.cli import solve as solve_module
from hybridopt.inputs.driveline_file import DEMO_FOLDER
from hybridopt.optimum.result import Result as Schedule
from hybridopt.problem.settings import SETTINGS, Settings
from hybridopt.text.summary import summary

INHIBITORS = (
    *("--min-on-time-s", 3, "--min-off-time-s", 4, "--min-gear-time-s", 2),
    *("--stop-speed-max-km-per-h", 72, "--stop-soc-min-percent", 45),
    *("--stop-oil-temperature-c", 40, "--brake-shift-speed-km-per-h", 18, "--skip-shifts", "down"),
)
GOOD_CYCLE = "time_s,speed_km_per_h\n0,0\n10,30\n20,30\n30,0\n40,0\n"


def solve(*args):
    return run("solve", *SMALL, *args)


# the answer


def test_summary_goes_to_stdout_and_the_note_to_stderr():
    outcome = solve()
    assert outcome.exit_code == 0
    assert outcome.stdout.startswith("Cycle      ece15")
    assert re.fullmatch(
        r"solving ece15 with full: 195 steps.*8 gears.* MB of memory\n", outcome.stderr
    )


def test_quiet_keeps_stderr_empty():
    assert solve("--quiet").stderr == ""


def test_json_is_one_object_with_totals_settings_and_no_note():
    outcome = solve("--json")
    record = json.loads(outcome.stdout)
    assert outcome.stdout.count("\n") == 1 and outcome.stderr == ""
    needed = {"cycle", "driveline", *TOTALS, "solve_s", "settings", "caution", "driveline_sha256"}
    assert needed <= record.keys()
    assert (record["cycle"], record["driveline"], record["files"]) == ("ece15", "full", [])
    assert record["settings"]["soc_points"] == 101


def test_json_carries_the_bound_once_the_result_has_one(monkeypatch):
    add_attrs(monkeypatch, bound_g=20.0, gap_percent=0.5)
    record = json.loads(solve("--json").stdout)
    assert (record["bound_g"], record["gap_percent"]) == (20.0, 0.5)


@pytest.mark.long
def test_charge_factor_is_fitted_beside_the_multiplier(tmp_path):
    outcome = solve("--soc-points", 4001, "--charge-factor", "--json", "--out", tmp_path)
    record = json.loads(outcome.stdout)
    multiplier = record["fuel_per_kWh_g"]
    assert record["charge_factor_g_per_kWh"] == pytest.approx(multiplier, rel=0.05)
    assert record["charge_balance_percent"] < record["charge_limit_percent"] == 1.0
    (path,) = tmp_path.glob("*.nc")
    screen = summary(Schedule.read(path))
    assert "within the limit of 1 %" in screen and "g/kWh by least squares" in screen
    assert_one_sentence(solve("--charge-factor", "--no-bound"), "drop --no-bound")


@pytest.mark.long
@pytest.mark.parametrize(("gap", "told"), [(9.9, 0), (99.99, 1)])
def test_a_wide_gap_is_told_with_its_figure(monkeypatch, gap, told):
    add_attrs(monkeypatch, bound_g=20.0, gap_percent=gap)
    assert solve().stderr.count(f"the cost lies {gap:.4g} % above the proved bound") == told
    assert len(json.loads(solve("--json").stdout)["warnings"]) == told


def test_json_has_null_for_what_is_no_number(monkeypatch):
    add_attrs(monkeypatch, fuel_l_per_100km=float("nan"))
    assert json.loads(solve("--json").stdout)["fuel_l_per_100km"] is None


def add_attrs(monkeypatch, **attrs: float) -> None:
    usual = solve_module._result

    def changed(*args):
        return Schedule(usual(*args).dataset.assign_attrs(attrs))

    monkeypatch.setattr(solve_module, "_result", changed)


# files


@pytest.mark.long
def test_out_makes_the_folder_and_writes_three_files(tmp_path):
    folder = tmp_path / "results"
    outcome = solve("--out", folder)
    names = {"ece15_full.nc", "ece15_full.csv", "ece15_full.png"}
    assert outcome.exit_code == 0
    assert {path.name for path in folder.iterdir()} == names
    assert all(f"wrote {folder / name}\n" in outcome.stdout for name in names)
    assert Schedule.read(folder / "ece15_full.nc").dataset.attrs["cycle"] == "ece15"


@pytest.mark.parametrize("suffix", [".nc", ".csv", ".png"])
def test_an_existing_file_stays_and_nothing_is_solved(tmp_path, suffix, monkeypatch):
    monkeypatch.setattr(solve_module, "_solve", lambda *_: pytest.fail("solved"))
    mine = tmp_path / f"ece15_full{suffix}"
    mine.write_text("mine")
    assert_one_sentence(solve("--out", tmp_path), mine.name, "exists already")
    assert [path.name for path in tmp_path.iterdir()] == [mine.name]
    assert mine.read_text() == "mine"


@pytest.mark.long
def test_overwrite_replaces_and_json_lists_the_files(tmp_path):
    (tmp_path / "ece15_full.csv").write_text("mine")
    outcome = solve("--out", tmp_path, "--overwrite", "--json")
    files = json.loads(outcome.stdout)["files"]
    assert [Path(name).suffix for name in files] == [".nc", ".csv", ".png"]
    assert (tmp_path / "ece15_full.csv").read_text().startswith("# ")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs /proc")
def test_out_that_cannot_be_written_to_is_found_before_the_work(monkeypatch):
    monkeypatch.setattr("hybridopt.pipeline.find_optimum", None)  # not to be reached
    assert_one_sentence(solve("--out", "/proc/results"), "/proc: no file can be written there")


def test_out_needs_a_folder_with_a_parent(tmp_path):
    assert_one_sentence(solve("--out", tmp_path / "a" / "b"), "does not exist", "make it first")
    (tmp_path / "file").write_text("mine")
    assert_one_sentence(solve("--out", tmp_path / "file"), "is a file", "give a folder")


@pytest.mark.long
def test_a_name_cannot_lead_out_of_the_folder(tmp_path):
    source = tmp_path / "odd.toml"
    source.write_text('base = "full"\nname = "../../up and away"\n')
    folder = tmp_path / "results"
    assert solve("--driveline", source, "--out", folder).exit_code == 0
    names = {path.name for path in folder.iterdir()}
    assert len(names) == 3 and all(re.fullmatch(r"ece15_\w+-[0-9a-f]{6}\.\w+", n) for n in names)
    assert {path.name for path in tmp_path.iterdir()} == {"odd.toml", "results"}


# settings


def test_every_setting_has_an_option_with_its_default_in_the_help():
    parameters = {option.name: option for option in solve_module.solve.params}
    for field in dataclasses.fields(Settings):
        option = parameters[field.name]
        assert isinstance(option, click.Option) and option.help
        shown = re.search(r"\(default ([^)]+)\)", option.help)
        if shown is None:
            assert field.default is None or field.default is False
        elif isinstance(field.default, str):
            assert shown[1] == field.default
        else:
            assert SETTINGS[field.name].from_given(float(shown[1])) == field.default


def test_help_names_every_inhibitor_with_its_unit():
    text = run("solve", "--help").stdout
    for flag in INHIBITORS[::2]:
        assert re.search(rf"^  {flag}\b", text, re.MULTILINE), flag


def test_options_arrive_as_settings_in_si():
    given = (
        *("--soc-min-percent", 35, "--soc-max-percent", 75, "--soc-start-percent", 55),
        *("--terminal", "target", "--soc-target-percent", 57, "--two-sided"),
        *("--start-cost-g", 0.5, "--shift-cost-g", 0.1, "--gear-start", 2, "--engine-on-start"),
        *("--penalty-factor", 8, "--memory-limit-gb", 2, "--corridor"),
    )
    wanted = Settings(
        **dict(soc_points=101, splits=9, soc_min=0.35, soc_max=0.75, soc_start=0.55),
        **dict(terminal="target", soc_target=0.57, two_sided=True, start_cost=0.5, shift_cost=0.1),
        **dict(gear_start=2, engine_on_start=True, penalty_factor=8.0, memory_limit=2e9),
        **dict(corridor=True, min_on_time=3.0, min_off_time=4.0, min_gear_time=2.0),
        **dict(stop_speed_max=20.0, stop_soc_min=0.45, stop_oil_temperature=40.0),
        **dict(brake_shift_speed=5.0, skip_shifts="down"),
    )
    settings = json.loads(solve(*given, *INHIBITORS, "--json").stdout)["settings"]
    assert settings == pytest.approx(dataclasses.asdict(wanted))


# bad input


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("time_s\n0\n1\n", ("column speed_km_per_h is missing",)),
        ("time_s,speed_km_per_h\n0,0\n1,nan\n", ("line 3", "speed_km_per_h", "nan")),
        ("time_s,speed_km_per_h\n0,0\n2,1\n1,2\n", ("line 4", "time_s", "exceed")),
        ("", ("is empty",)),
    ],
)
def test_a_bad_cycle_is_one_sentence(tmp_path, rows, words):
    path = tmp_path / "drive.csv"
    path.write_text(rows)
    outcome = run("solve", path, "--out", tmp_path / "results")
    assert_one_sentence(outcome, str(path), *words)
    assert [entry.name for entry in tmp_path.iterdir()] == ["drive.csv"]


def test_a_slip_of_units_is_warned_once_and_solved(tmp_path):
    path = tmp_path / "drive.csv"
    metres = [0, 2, 4, 6, 8, 8, 8, 8, 8, 6, 4, 2, 0, 0, 0]  # m/s under a km/h name
    path.write_text(
        "time_s,speed_km_per_h\n"
        + "".join(f"{2 * t + k},{v}\n" for t, v in enumerate(metres * 3) for k in (0, 1))
    )
    outcome = run("solve", path, *SMALL[1:])
    warned = [line for line in outcome.stderr.splitlines() if "warning" in line.lower()]
    assert outcome.exit_code == 0
    assert len(warned) == 1 and warned[0].startswith(f"warning: {path}: speed_km_per_h")
    assert "m/s" in warned[0]


def test_a_map_that_does_not_cover_the_speeds_is_one_sentence(tmp_path):
    folder = tmp_path / "car"
    shutil.copytree(DEMO_FOLDER, folder)
    fuel_map = folder / "petrol_1600_full_load.csv"
    lines = fuel_map.read_text().splitlines()
    fuel_map.write_text("\n".join(lines[:-3]) + "\n")
    outcome = solve("--driveline", folder / "full.toml", "--out", tmp_path / "results")
    assert_one_sentence(outcome, "full.toml", "full_load", "rpm", "extend it")
    assert not (tmp_path / "results").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--soc-min-percent", 70, "--soc-max-percent", 60), ("soc_min", "empty")),
        (("--soc-min-percent", 140), ("--soc-min-percent", "140")),
        (("--soc-start-percent", 90), ("soc_start", "90 %", "40 to 80 %")),
        (("--terminal", "target"), ("soc_target", "missing")),
        (("--terminal", "sometime"), ("--terminal", "sustain")),
        (("--min-on-time-s", -1), ("min_on_time", "-1", "0 to 3600 s")),
        (("--min-gear-time-s", 3000), ("make", "states of engine and gear", "shorter")),
        (("--stop-speed-max-km-per-h", 400), ("stop_speed_max", "0 to 360 km/h")),
        (("--stop-soc-min-percent", 101), ("--stop-soc-min-percent", "101")),
        (("--stop-oil-temperature-c", 300), ("stop_oil_temperature", "-60 to 200 degC")),
        (("--skip-shifts", "some"), ("--skip-shifts", "both")),
        (("--driveline", "fool"), ("'fool'", "demo drivelines: clean, clean_mild, full, ")),
        (("--memory-limit-gb", 0.001), ("GB", "memory_limit")),
        (("--soc-points", "many"), ("--soc-points", "many")),
        (("--start-cost-g", "nan"), ("start_cost", "nan")),
        (("--gear-start", 12), ("gear_start", "gears 1 to 8")),
        (("--sock-points", 5), ("--sock-points", "hybridopt solve --help")),
    ],
)
def test_a_bad_setting_is_one_sentence(tmp_path, options, words):
    assert_one_sentence(solve("--out", tmp_path / "results", *options), *words)
    assert not (tmp_path / "results").exists()


def test_a_target_out_of_reach_is_one_sentence(tmp_path):
    path = tmp_path / "drive.csv"
    path.write_text(GOOD_CYCLE)
    options = ("--soc-start-percent", 41, "--terminal", "target", "--soc-target-percent", 80)
    outcome = run("solve", path, *SMALL[1:], *options, "--out", tmp_path / "results")
    assert_one_sentence(outcome, "80 %", "out of reach", "best reachable is")
    assert not (tmp_path / "results").exists()
