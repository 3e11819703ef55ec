"""`hybridopt compare`: the table, files, users' code, and one sentence for every bad input."""

import csv
import dataclasses
import json
import re

import pytest
from commands import assert_one_sentence
from commands import run as run_command

from hybridopt import Command, Result, Settings, read_cycle, read_driveline
from hybridopt.base.nomenclature import EQUAL_TOTALS
from hybridopt.evaluation.compare import compare as compare_drives
from hybridopt.evaluation.regret import CAUSES
from hybridopt.files.table_csv import table_writer
from hybridopt.physics.modes import Mode
from hybridopt.report.words import key_values, repeat_command
from hybridopt.text.comparison import comparison_text
from hybridopt.text.summary import summary

COARSE = ("--soc-points", "101", "--splits", "9")
SMALL = (*COARSE, "--evaluations", "5")
NAMES = ("power_thresholds", "electric_power", "equivalence", "adaptive_equivalence", "preview")
RULE = """
from hybridopt.controllers.controller import Command
def rule(seen):
    return Command(seen.wheel_power > 5e3, 1, None)
"""


def run(*args):
    return run_command("compare", *args)


def compare(*args):
    return run("ece15", *SMALL, *args)


@pytest.fixture
def rule(tmp_path):
    path = tmp_path / "own.py"
    path.write_text(RULE)
    return f"{path}:rule"


# the answer


@pytest.mark.long
def test_table_has_all_named_controllers_in_80_columns():
    outcome = compare("--moments")
    assert outcome.exit_code == 0, outcome.output
    lines = outcome.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("Cycle ece15: proved bound ")
    for name in ("optimum", *NAMES):
        assert sum(line.startswith(f"{name} ") for line in lines) == 3, "fuel, modes, causes"
    assert sum(line.startswith("Costliest moments of") for line in lines) == len(NAMES)
    assert "Benchmark result, not a released calibration" in lines[-1]
    assert outcome.stderr == ""


@pytest.mark.long
def test_rows_of_the_table_say_what_json_says():
    record = json.loads(compare("--json", "--controller", "equivalence").stdout)
    lines = compare("--controller", "equivalence").stdout.splitlines()
    for score in record["scores"]:
        row = next(line.split() for line in lines if line.startswith(score["controller"]))
        assert row[1].rstrip("*") == f"{100 * score['soc_end']:.2f}"
        assert row[2:4] == [f"{score['fuel_g']:.1f}", f"{score['fuel_equal_g']:.1f}"]
        above = ("fuel_above_optimum_percent", "cost_above_optimum_percent", "gap_percent")
        assert row[4:10:2] == [f"{score[name]:.2f}" for name in above]
        assert [int(cell) for cell in row[10:12]] == [score["starts"], score["shifts"]]
        assert score["cost_equal_g"] >= score["bound_g"] * (1 - 1e-9)
        assert set(score["regret_g"]) == set(CAUSES)
        assert sum(score["shares"].values()) == pytest.approx(1.0)
    assert len(record["tuned"]) == 1 and record["tuned"][0]["parameters"]["factor"] > 1.5
    assert all(len(score["moments"]) <= 10 for score in record["scores"])


@pytest.mark.long
def test_off_balance_is_flagged(rule):
    """A rule that hardly charges ends low."""
    record = json.loads(compare("--json", "--controller", rule).stdout)
    own = record["scores"][1]
    text = compare("--controller", rule).stdout
    flagged = own["balance_percent"] > 1.0
    assert flagged and own["off_balance"] and "energy off balance" in text


@pytest.mark.long
def test_users_code_is_announced_and_clippings_are_shown(rule):
    outcome = compare("--controller", rule)
    assert outcome.exit_code == 0
    assert re.fullmatch(r"note: running the code of .*own\.py with your rights\n", outcome.stderr)
    assert re.search(r"own\.py:rule: clipped in \d+ steps \(.*torque \d+.*\)", outcome.stdout)
    assert compare("--controller", rule, "--quiet").stderr == ""


@pytest.mark.long
def test_cycles_may_be_more_than_one_and_gears_followed():
    outcome = run(
        "ece15",
        "eudc",
        *SMALL,
        "--controller",
        "power_thresholds",
        "--gears",
        "follow",
        "--tune",
        "each",
    )
    assert outcome.exit_code == 0, outcome.output
    assert outcome.stdout.count("proved bound") == 2
    assert "power_thresholds on eudc" in outcome.stdout


def test_without_tuning_nothing_is_tuned():
    options = (*COARSE, "--tune", "none", "--controller", "equivalence", "--json")
    assert json.loads(run("ece15", *options).stdout)["tuned"] == []


# files


@pytest.mark.long
def test_out_writes_table_moments_and_plot(tmp_path):
    outcome = compare("--out", tmp_path / "new")
    assert outcome.exit_code == 0
    files = {path.name: path for path in (tmp_path / "new").iterdir()}
    assert set(files) == {"compare_full.csv", "compare_full_moments.csv", "compare_full.png"}
    for name, count in (("compare_full.csv", 1 + len(NAMES)), ("compare_full_moments.csv", None)):
        text = files[name].read_text().splitlines()
        assert text[0].startswith("# Benchmark result")
        rows = list(csv.DictReader(text[1:]))
        assert len(rows) == count if count else len(rows) > 10
        assert {row["cycle"] for row in rows} == {"ece15"}
    assert files["compare_full.png"].read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


@pytest.mark.long
def test_an_existing_file_stays_unless_asked(tmp_path):
    paths = [tmp_path / f"compare_full{end}" for end in (".csv", "_moments.csv", ".png")]
    for path in paths:
        path.write_text("mine")
        assert_one_sentence(compare("--out", tmp_path), path.name, "exists already")
        assert [*tmp_path.iterdir()] == [path] and path.read_text() == "mine"
        path.unlink()
    for path in paths:
        path.write_text("mine")
    assert compare("--out", tmp_path, "--overwrite", "--controller", "equivalence").exit_code == 0
    assert all(path.read_bytes() != b"mine" for path in paths)


# refusals


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("ece15", "ece15"), ("ece15 is given twice",)),
        (("ece16",), ("ece16",)),
        (("ece15", "--controller", "equivalense"), ("did you mean equivalence",)),
        (("ece15", "--controller", "none.py:f"), ("none.py does not exist",)),
        (("ece15", "--controller", "power_thresholds", "--gears", "best"), ("use 'lines'",)),
        (("ece15", "--tune", "some"), ("--tune",)),
        (("ece15", "--evaluations", "0"), ("--evaluations",)),
        (("ece15", "--driveline", "none"), ("none",)),
        ((), ("CYCLE",)),
    ],
)
def test_bad_input_gets_one_sentence(args, words):
    assert_one_sentence(run(*SMALL, *args), *words)


@pytest.mark.long
def test_a_failing_controller_gets_one_sentence(tmp_path):
    path = tmp_path / "own.py"
    path.write_text("def rule(seen):\n    return 1 / (seen.time < 3), 2, None\n")
    outcome = compare("--controller", f"{path}:rule")
    assert outcome.exit_code == 2 and outcome.stdout.startswith("Cycle ece15: proved bound ")
    failed = " ".join(outcome.stdout.split("Not compared\n")[1].split())
    for words in ("ece15 own.py:rule: ", "at 3 s", "own.py, line 2", "ZeroDivisionError"):
        assert words in failed
    record = json.loads(compare("--controller", f"{path}:rule", "--json").stdout)
    assert [f["controller"] for f in record["failures"]] == ["own.py:rule"]
    assert [s["controller"] for s in record["scores"]] == ["optimum"]


@pytest.fixture
def burst(tmp_path):
    """31 to 49 km/h in a second: only an engine that runs already can do that."""
    speeds = (30, 31, 30, 30, 31, 49, 50, 48, 40, 30, 20, 10, 0)
    rows = [f"{t},{v},-5" for t, v in enumerate(speeds)]
    path = tmp_path / "burst.csv"
    path.write_text("\n".join(("time_s,speed_km_per_h,grade_percent", *rows)) + "\n")
    return path


@pytest.mark.long
def test_lacking_power_is_shown_and_a_moving_start_is_noted(burst):
    args = (burst, *COARSE, "--tune", "none", "--terminal", "free", "--controller", "equivalence")
    outcome = run(*args)
    assert outcome.exit_code == 0, outcome.output
    assert outcome.stderr.startswith("burst begins at 30.0 km/h, so the engine runs at its start")
    lacked = (
        r"equivalence: lacked power for 1 s from 4 s on, up to \d+ Nm at the wheels and \d\.\d "
    )
    assert re.search(lacked, " ".join(outcome.stdout.split()))
    assert "They are compared with the optimum of the speed they drove." in outcome.stdout
    assert max(map(len, outcome.stdout.splitlines())) <= 80
    row = json.loads(run(*args, "--json").stdout)["scores"][1]
    assert row["lacking_s"] == 1.0 and row["missing_torque_Nm"] > 100.0
    assert 0.0 < row["missing_m"] < 2.0 < row["missing_km_per_h"] * 3
    assert run(*args, "--no-engine-on-start").stderr == ""


@pytest.mark.long
def test_a_cycle_that_cannot_be_driven_is_named_and_the_others_are_compared(tmp_path):
    steep = tmp_path / "steep.csv"
    steep.write_text("time_s,speed_km_per_h,grade_percent\n0,0,39\n1,60,39\n2,120,39\n")
    args = (steep, "ece15", *COARSE, "--tune", "none", "--controller", "equivalence")
    out = tmp_path / "out"
    outcome = run(*args, "--out", out, "--traces")
    assert outcome.exit_code == 1 and "Cycle ece15: proved bound" in outcome.stdout
    assert "steep optimum: 2 of 2 steps cannot be driven" in outcome.stdout
    names = {path.name for path in out.glob("*.nc")}
    assert names == {"ece15_full_optimum.nc", "ece15_full_equivalence.nc"}
    assert_one_sentence(
        run(steep, *SMALL, "--controller", "equivalence"), "steep optimum: ", code=1
    )
    slower = run(*args, "--achievable", "--terminal", "free")
    assert slower.exit_code == 0, slower.output
    assert "steep cannot be followed within" in slower.stderr
    assert "Cycle steep_achievable: proved bound" in slower.stdout


@pytest.mark.long
def test_tuned_on_training_cycles(tmp_path):
    outcome = compare("--controller", "equivalence", "--train", "eudc")
    assert outcome.exit_code == 0, outcome.output
    assert "Parameters tuned on the training cycles eudc (SI)" in outcome.stdout
    assert_one_sentence(compare("--train", "eudc", "--tune", "each"), "leave one of the two out")


def test_two_files_of_one_name_are_told_apart(tmp_path):
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "own.py").write_text(RULE)
    sources = [arg for f in "ab" for arg in ("--controller", f"{tmp_path / f / 'own.py'}:rule")]
    record = json.loads(compare("--json", *sources).stdout)
    assert len({score["controller"] for score in record["scores"]}) == 3


@pytest.mark.long
def test_traces_are_results_that_say_who_drove(tmp_path):
    """Each drive becomes a result file; the optimum's says nothing of a controller."""
    out = tmp_path / "out"
    quick = ("--tune", "none", "--soc-points", 101, "--splits", 11)
    done = run("ece15", "--controller", "equivalence", *quick, "--out", out, "--traces")
    assert done.exit_code == 0, done.output
    rule, best = (Result.read(out / f"ece15_full_{n}.nc") for n in ("equivalence", "optimum"))
    assert rule.dataset.attrs["controller"] == "equivalence"
    assert "controller" not in best.dataset.attrs
    assert rule.cost_equal_g >= rule.bound_g and best.cost_g >= best.bound_g
    assert rule.heading == "ece15, driveline full, driven by equivalence"
    assert "compare ece15 --controller equivalence" in repeat_command(rule)
    assert repeat_command(best).startswith("hybridopt solve ece15")


def test_traces_need_a_folder():
    done = run("ece15", "--traces")
    assert done.exit_code == 2 and "--out" in done.output


@pytest.mark.long
def test_traces_of_controllers_of_one_name_have_a_file_each(tmp_path):
    """In long folders: names of files are cut, and told apart by digits of their hash."""
    folder = tmp_path / ("long_" * 12)
    sources = []
    for name in "ab":
        (folder / name).mkdir(parents=True)
        (folder / name / "own.py").write_text(RULE)
        sources += ["--controller", f"{folder / name / 'own.py'}:rule"]
    (folder / "c").mkdir()
    (folder / "c" / "own.py").write_text(RULE)
    sources += ["--controller", f"{folder / 'c' / 'own.py'}:rule"]
    out = tmp_path / "out"
    done = run("ece15", *sources, "--out", out, "--traces")
    assert done.exit_code == 0
    assert len(list(out.glob("ece15_full_*.nc"))) == 4  # the optimum and three rules


def test_no_cell_of_a_table_is_a_formula(tmp_path):
    """Names of users' files reach the table; a spreadsheet must not run them."""
    table_writer(["a", "b"], [["=1+1", 2.5], ["@x", float("nan")]])(tmp_path / "t.csv")
    lines = (tmp_path / "t.csv").read_text().splitlines()
    assert lines[1:] == ["a,b", "'=1+1,2.5", "'@x,"]


# one figure for one drive


def test_fuel_and_cost_are_apart_and_each_percentage_can_be_worked_out_again():
    """Starts and shifts are charged, so the cost lies further above the optimum than the fuel."""
    dear = ("--start-cost-g", "0.5", "--shift-cost-g", "0.05")
    record = json.loads(compare(*dear, "--controller", "power_thresholds", "--json").stdout)
    optimum, rule = record["scores"]
    for what in ("fuel", "cost"):
        expected = 100.0 * (rule[f"{what}_equal_g"] / optimum[f"{what}_g"] - 1.0)
        assert rule[f"{what}_above_optimum_percent"] == pytest.approx(expected, abs=1e-9)
    apart = rule["cost_above_optimum_percent"] - rule["fuel_above_optimum_percent"]
    assert abs(apart) > 0.1
    expected = 100.0 * (rule["cost_equal_g"] / rule["bound_g"] - 1.0)
    assert rule["gap_percent"] == pytest.approx(expected, abs=1e-9)


@pytest.mark.long
def test_a_drive_has_the_same_figures_in_comparison_summary_and_report(tmp_path):
    """Off balance or not: everything is said at equal SoC, against the same references."""
    out = tmp_path / "out"
    options = ("ece15", *COARSE, "--tune", "none", "--controller", "electric_power")
    (score,) = json.loads(run(*options, "--json").stdout)["scores"][1:]
    assert abs(score["fuel_equal_g"] / score["fuel_g"] - 1.0) > 0.01, "ends elsewhere"
    assert run(*options, "--out", out, "--traces").exit_code == 0
    result = Result.read(out / "ece15_full_electric_power.nc")
    told = dict(key_values(result))
    assert told["Cost above the bound"] == f"{score['gap_percent']:.3f} %"
    assert told["Fuel at equal SoC"] == f"{score['fuel_equal_g']:.1f} g"
    assert told["Fuel above the optimum"] == f"{score['fuel_above_optimum_percent']:.2f} %"
    assert f"gap {score['gap_percent']:.3f} %" in summary(result)
    assert f"cost {score['cost_above_optimum_percent']:.2f} %" in summary(result)
    for name in (*EQUAL_TOTALS, "bound_g", "gap_percent"):
        assert getattr(result, name) == pytest.approx(score[name], rel=1e-9), name


# columns


def test_columns_keep_apart_at_large_numbers():
    """A bad rule is 100 % and more above: each cell keeps its blank, numbers lose digits."""
    record = compare_cases(["ece15"], {"bad": lambda seen: Command(True, 1)})
    bad = dataclasses.replace(
        record.scores[1],
        fuel_g=12345.6,
        fuel_equal_g=12345.6,
        fuel_above_optimum_percent=123.456,
        cost_above_optimum_percent=12345.6,
        gap_percent=1234.56,
        shares={mode: 1.0 for mode in Mode},
    )
    text = comparison_text(dataclasses.replace(record, scores=[record.scores[0], bad]))
    rows = [line.split() for line in text.splitlines() if line.startswith("bad ")]
    assert rows[0][2:10] == ["12346", "12346", "123.5", "%", "12346", "%", "1235", "%"]
    assert rows[1][1:] == ["100.0"] * 8
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.long
def test_heads_are_told_apart_and_have_units():
    text = compare("--moments", "--controller", "electric_power").stdout
    heads = [line.split() for line in text.splitlines() if line.startswith(("controller", "share"))]
    assert heads[0].count("shifts") == 1 and not {"shift", "start"} & set(heads[0])
    assert "shift" not in heads[1]
    (moments,) = [line for line in text.splitlines() if line.lstrip().startswith("from s")]
    assert "lost g" in moments and moments.count("motor N m") == 2


def compare_cases(cycles, controllers):
    """Return a small comparison."""
    settings = Settings(soc_points=101, splits=9)
    return compare_drives(
        [read_cycle(name) for name in cycles], read_driveline("full"), controllers, settings
    )


# --- what a user's code does to the command ---

PROGRAMS = {
    "exit": "import sys\ndef rule(seen):\n    sys.exit(0)\n",
    "gear": "def rule(seen):\n    return True, 2.9\n",
    "text": "def rule(seen):\n    return '123'\n",
}


@pytest.mark.long
@pytest.mark.parametrize("program", PROGRAMS)
def test_a_command_names_it_with_one_sentence_and_goes_on(program, tmp_path):
    path = tmp_path / "mine.py"
    path.write_text(PROGRAMS[program])
    outcome = compare("--controller", f"{path}:rule", "--json")
    (failure,) = json.loads(outcome.stdout)["failures"]
    assert outcome.exit_code == 2 and failure["controller"] == "mine.py:rule"
    assert failure["reason"].startswith("controller mine.py:rule, step at 0 s: ")


def test_work_that_failed_counts_before_input_that_is_wrong(tmp_path):
    steep, path = tmp_path / "steep.csv", tmp_path / "mine.py"
    steep.write_text("time_s,speed_km_per_h,grade_percent\n0,0,39\n1,60,39\n2,120,39\n")
    path.write_text(PROGRAMS["gear"])
    outcome = run("ece15", steep, *COARSE, "--controller", f"{path}:rule", "--json")
    record = json.loads(outcome.stdout)
    assert outcome.exit_code == 1 and [s["controller"] for s in record["scores"]] == ["optimum"]
    assert [f["of_input"] for f in record["failures"]] == [False, True]


def test_prints_stay_out_of_json(tmp_path):
    path = tmp_path / "mine.py"
    path.write_text("print('read')\ndef rule(seen):\n    print('asked')\n    return True, 2\n")
    outcome = compare("--controller", f"{path}:rule", "--json")
    assert outcome.exit_code == 0 and json.loads(outcome.stdout)["scores"]
    assert "read\n" in outcome.stderr and "asked\n" in outcome.stderr


# preview


@pytest.mark.long
def test_preview_is_tuned_by_nothing_and_foresees_as_far_as_asked():
    near, far = (
        run("ece15", *COARSE, "--controller", "preview", "--preview-horizon-s", seconds, "--json")
        for seconds in ("0", "30")
    )
    costs = [json.loads(outcome.stdout)["scores"][1]["cost_equal_g"] for outcome in (near, far)]
    assert costs[0] > costs[1]
    shown = run("ece15", *COARSE, "--controller", "preview").stdout
    assert "nothing to tune" in shown


@pytest.mark.parametrize(
    "arguments",
    [
        ("--controller", "equivalence", "--preview-horizon-s", "3"),
        ("--controller", "equivalence", "--preview-destination"),
        ("--controller", "preview", "--gears", "best"),
        ("--controller", "preview", "--evaluations", "9"),
        ("--controller", "preview", "--preview-horizon-s", "700"),
    ],
)
def test_options_that_say_nothing_for_preview_or_without_it_are_refused(arguments):
    assert_one_sentence(run("ece15", *COARSE, *arguments))
