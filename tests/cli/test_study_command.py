"""`hybridopt study`: what the screens say, files, and one sentence for every bad input."""

import csv
import json
import sys
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner

from hybridopt.cli.main import main
from hybridopt.study import estimate, front
from hybridopt.study.run import RunProgress
from hybridopt.study.store import StudyStore
from hybridopt.study.tasks import TaskOutcome
from hybridopt.study.values import value_row
from hybridopt.text.pace import duration_text, pace_text

sys.path.append(str(Path(__file__).parents[1] / "study"))
from study_makers import FEW, HEAD, do_here, write_study  # noqa: E402

STUDY = """
[parameters]
"battery.capacity_Ah" = [4, 6.4]
"clutches.electric_oil_pump" = [true]
"settings.start_cost_g" = [0, 0.3]
"vehicle.mass_kg" = [1700, 90000]
"""


def run(*args):
    return CliRunner().invoke(main, ["study", *map(str, args)])


def assert_one_sentence(outcome, *words, code=2):
    errors = outcome.stderr.splitlines()
    assert outcome.exit_code == code, outcome.output
    assert len(errors) == 1 and errors[0].startswith("error: "), errors
    assert outcome.stdout == ""
    for word in words:
        assert word in errors[0]


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    path = write_study(tmp_path_factory.mktemp("study"), STUDY)
    do_here(path)
    return path


@pytest.mark.long
def test_dry_run_counts_and_estimates_and_writes_nothing(tmp_path):
    path = write_study(tmp_path, STUDY)
    record = json.loads(run("run", path, "--dry-run", "--workers", "2", "--json").stdout)
    assert (record["total"], record["waiting"], record["shared"]) == (8, 8, 2)
    assert record["workers"] == 2 and record["task_bytes"] > 1e6
    assert record["run_seconds"] == pytest.approx(8 * record["task_seconds"] / 2)
    text = run("run", path, "--dry-run").stdout
    assert "8 tasks, 8 of them to do, with 2 sets of operating points" in text
    assert [p.name for p in tmp_path.iterdir()] == ["small.toml"]


@pytest.mark.long
def test_dry_run_of_a_finished_study_has_nothing_to_do(done):
    assert "nothing is left to do" in run("run", done, "--dry-run").stdout


def test_status_tells_counts_and_reasons(done):
    text = run("status", done).stdout
    assert "8 tasks: 4 done, 4 failed, 0 waiting" in text
    assert "failed 4: " in text and "cannot be driven" in text
    record = json.loads(run("status", done, "--json").stdout)
    assert record["digest"].startswith(text.split()[-1])


def test_status_before_any_run(tmp_path):
    path = write_study(tmp_path, STUDY)
    assert "8 tasks: 0 done, 0 failed, 8 waiting" in run("status", path).stdout


def test_running_a_finished_study_does_nothing(done):
    outcome = run("run", done)
    assert outcome.exit_code == 0 and outcome.stderr == ""
    assert outcome.stdout == run("status", done).stdout


def test_table_lists_the_best_first(done):
    record = json.loads(run("table", done, "--json", "--goal", "cost_g").stdout)
    costs = [task["cost_g"] for task in record["tasks"]]
    assert len(costs) == 4 and costs == sorted(costs)
    text = run("table", done, "--goal", "cost_g", "--limit", "2").stdout
    assert f"{costs[0]:.4f}" in text and f"{costs[2]:.4f}" not in text
    assert "the best 2 of 4 tasks" in text
    assert "Benchmark result, not a released calibration" in text.splitlines()[-1]
    assert max(map(len, text.splitlines())) <= 100


def test_table_answers_which_size_is_nearly_the_best(done):
    args = ("--within", "50", "--of", "battery.capacity_Ah")
    record = json.loads(run("table", done, *args, "--json").stdout)
    assert [size["value"] for size in record["groups"][0]["sizes"]] == [4, 6.4]
    assert record["smallest_for_all"] == 4 and not record["one_try_each"]
    assert "smallest within 50 % of the best: 4\n" in run("table", done, *args).stdout


def test_csv_has_all_tasks(done, tmp_path):
    file = tmp_path / "all.csv"
    assert f"wrote {file}" in run("table", done, "--csv", file).stdout
    lines = file.read_text().splitlines()
    rows = list(csv.DictReader(lines[1:]))
    assert lines[0].startswith("# Benchmark result") and len(rows) == 8
    assert [row["status"] for row in rows].count("failed") == 4
    assert all((row["reason"] == "") == (row["status"] == "done") for row in rows)
    assert_one_sentence(run("table", done, "--csv", file), "exists already")


def test_plot_writes_two_pictures(done, tmp_path):
    out = tmp_path / "new"
    outcome = run("plot", done, "--out", out, "--against", "starts")
    assert outcome.exit_code == 0, outcome.output
    assert sorted(p.name for p in out.iterdir()) == ["small_effects.png", "small_pareto.png"]
    assert all(p.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n" for p in out.iterdir())
    assert_one_sentence(run("plot", done, "--out", out), "exists already")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("table", "--goal", "colour"), ("--goal colour", "fuel_g")),
        (("table", "--within", "1"), ("--within and --of",)),
        (("table", "--within", "1", "--of", "mass"), ("mass", "battery.capacity_Ah")),
        (("table", "--within", "1", "--of", "clutches.electric_oil_pump"), ("no numbers",)),
        (("plot", "--against", "mass"), ("--against mass",)),
        (("run", "--workers", "0"), ("--workers",)),
        (("run", "--dry-run", "--workers", "9999"), ("--workers", "GB each")),
    ],
)
def test_bad_option_gets_one_sentence(done, args, words):
    assert_one_sentence(run(args[0], done, *args[1:]), *words)


def test_no_results_yet_gets_one_sentence(tmp_path):
    path = write_study(tmp_path, STUDY)
    assert_one_sentence(run("table", path), "run it first")
    assert_one_sentence(run("plot", path), "run it first")


def test_absent_study_gets_one_sentence(tmp_path):
    assert_one_sentence(run("run", tmp_path / "none.toml"), "none.toml", "cannot be read")


def test_a_missing_package_gets_one_sentence(done, monkeypatch):
    from hybridopt.study import front

    monkeypatch.setattr(front, "NEEDED", ("no_such_package",))
    assert_one_sentence(run("status", done), "no_such_package", 'install "hybridopt[cluster]"')


def test_pace_in_words():
    assert pace_text(RunProgress(5, 1, 20, 2.0, 7.5)) == (
        "5 of 20 tasks done (1 failed), 2.00 per s, 7.5 s left"
    )
    assert pace_text(RunProgress(20, 0, 20, 4.0, 0.0)) == "20 of 20 tasks done, 4.00 per s"
    spans = (0.5, 45.0, 600.0, 7200.0, 1e6)
    assert [duration_text(s) for s in spans] == ["0.5 s", "45 s", "10 min", "2.0 h", "11.6 days"]


@pytest.mark.long
def test_cycles_are_not_ranked_in_one_list(tmp_path):
    """EUDC takes more fuel than ECE-15 whatever the battery; each cycle has its own best."""
    head = HEAD.replace('["ece15"]', '["ece15", "eudc"]').replace("201", "101")
    path = write_study(tmp_path, FEW, head=head)
    do_here(path)
    record = json.loads(run("table", path, "--json", "--goal", "fuel_g", "--limit", "1").stdout)
    assert record["cycles"] == ["ece15", "eudc"]
    assert [task["cycle"] for task in record["tasks"]] == ["ece15", "eudc"]
    text = run("table", path, "--goal", "fuel_g").stdout
    first, second = text.split("Cycle ")[1:]
    assert first.startswith("ece15\n") and second.startswith("eudc\n")
    assert "the best 2 of 4" in run("table", path, "--goal", "fuel_g", "--limit", "1").stdout


@pytest.mark.parametrize(("name", "head"), [("s.png", b"\x89PNG"), ("s.svg", b"<?xml")])
def test_plot_writes_the_file_named(done, tmp_path, name, head):
    out = tmp_path / name
    outcome = run("plot", done, "--out", out, "--against", "starts", "--json")
    assert outcome.exit_code == 0 and json.loads(outcome.stdout) == {"files": [str(out)]}
    assert out.read_bytes().startswith(head) and [*tmp_path.iterdir()] == [out]
    assert_one_sentence(run("plot", done, "--out", out), "exists already")
    assert run("plot", done, "--out", out, "--kind", "effects", "--overwrite").exit_code == 0


def test_a_kind_of_picture_needs_a_file(done, tmp_path):
    outcome = run("plot", done, "--out", tmp_path / "folder", "--kind", "effects")
    assert_one_sentence(outcome, "--kind effects", "effects.png")


def test_help_is_there_without_the_extra(monkeypatch):
    """And a command says what is missing."""
    monkeypatch.setattr(front, "NEEDED", ("no_such_package",))
    for command in ((), ("run",), ("table",), ("plot",), ("status",)):
        assert run(*command, "--help").exit_code == 0
    assert_one_sentence(run("status", "a.toml"), "no_such_package", "[cluster]")


def test_the_estimate_leaves_out_what_happens_once(tmp_path, monkeypatch):
    """The first task of a run compiles and loads kernels: 100 s here, and 0.5 s ever after."""
    seen = set()

    class Solver:
        def outcome(self, task):
            seconds = 0.5 if task.run in seen else 100.0
            seen.add(task.run)
            return TaskOutcome(task.digest, value_row({"seconds": seconds}), "", {})

    monkeypatch.setattr(estimate, "TaskSolver", Solver)
    monkeypatch.setattr(estimate, "warm_kernels", lambda: None)
    path = write_study(tmp_path, FEW, top='runs = ["optimum", "equivalence"]\n')
    record = json.loads(run("run", path, "--dry-run", "--workers", "1", "--json").stdout)
    assert record["task_seconds"] == pytest.approx(0.5) and record["measured"] == 4
    assert record["run_seconds"] == pytest.approx(2.0)


def test_a_run_reads_each_piece_to_see_what_waits_and_to_show_it(done, monkeypatch):
    """With traces a piece takes some 2 ms to read; that of a large study is noticed."""
    usual, read = StudyStore._read, Counter()

    def counted(store, digest):
        read[digest] += 1
        return usual(store, digest)

    monkeypatch.setattr(StudyStore, "_read", counted)
    assert run("run", done, "--json").exit_code == 0
    assert read and set(read.values()) == {2}
