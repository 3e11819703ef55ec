"""`hybridopt distil` and `hybridopt verify` as a user types them."""

import json
import re
import signal
import subprocess
import sys
import urllib.error
import urllib.request

import pytest
from commands import run

from hybridopt.distillation import distil

QUICK = ("--soc-points", 101, "--splits", 9)


@pytest.fixture(scope="module")
def rules(tmp_path_factory):
    path = tmp_path_factory.mktemp("rules") / "rules.json"
    result = run("distil", "ece15", "--out", path, "--evaluations", 20, *QUICK)
    assert result.exit_code == 0, result.output
    assert "Training cycles, as given" in result.output and f"wrote {path}" in result.output
    assert "without" in result.output and "all limits" in result.output
    assert max(len(line) for line in result.output.splitlines() if "wrote" not in line) <= 80
    return path


def test_without_cycles_the_shipped_training_is_taken(tmp_path, monkeypatch):
    """By a name of it that is no cycle's, which ends the command before it works."""
    monkeypatch.setattr(distil, "training_names", lambda: ("a shipped one",))
    result = run("distil", "--out", tmp_path / "rules.json", *QUICK)
    assert result.exit_code == 2 and "a shipped one" in result.stderr


@pytest.mark.long
def test_tables_verify_on_an_unseen_cycle(rules, tmp_path):
    result = run("verify", rules, "ece15", "eudc", "--out", tmp_path / "out", *QUICK)
    assert result.exit_code == 0, result.output
    assert "Unseen cycles, as given" in result.output
    assert "They keep all limits on shape they were made for." in result.output
    written = (tmp_path / "out" / "verify_rules.csv").read_text()
    assert written.count("\n") == 4 and "gap_percent" in written


def test_json_is_one_object(rules):
    result = run("verify", rules, "eudc", "--json", *QUICK)
    record = json.loads(result.output)
    assert record["checks"][0]["cycle"] == "eudc" and record["checks"][0]["seen"] is False
    assert record["checks"][0]["gap_percent"] >= 0.0


@pytest.mark.long
def test_worth_of_cells_is_listed_and_written(rules, tmp_path):
    result = run("worth", rules, "ece15", "--most", 5, "--out", tmp_path / "out", *QUICK)
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert max(len(line) for line in lines if "wrote" not in line) <= 80
    head = next(i for i, line in enumerate(lines) if line.startswith("the cells that save most"))
    assert lines[head + 6] == "" and lines[head + 1].startswith(("engine_", "shift_", "motor_"))
    written = (tmp_path / "out" / "worth_rules.csv").read_text()
    assert written.splitlines()[1].startswith("table,index,cell,value,unit,step,read_s")
    assert (tmp_path / "out" / "worth_rules.png").read_bytes().startswith(b"\x89PNG")
    wrong = run("worth", rules, "ece15", "--step-kw", 0)
    assert wrong.exit_code == 2 and "--step-kw" in wrong.output


@pytest.mark.long
def test_the_page_is_served_until_it_is_interrupted(rules):
    command = [sys.executable, "-u", "-m", "hybridopt", "edit", str(rules), "ece15", "--quiet"]
    command += [str(word) for word in QUICK]
    piped = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, **piped) as done:
        try:
            line = done.stdout.readline()
            (address,) = re.findall(r"^(http://127\.0\.0\.1:\d+/\?token=\S{32}) edits ", line)
            with urllib.request.urlopen(address, timeout=60) as answer:
                assert answer.status == 200 and b'role="grid"' in answer.read()
            with pytest.raises(urllib.error.HTTPError, match="403"):
                urllib.request.urlopen(address.partition("?")[0], timeout=60)
            done.send_signal(signal.SIGINT)
            assert done.wait(20) == 0
            assert done.stderr.read() == "ended\n"
        finally:
            done.kill()  # or a failure waits for it for ever
    wrong = run("edit", rules, "ece15", "ece15", *QUICK)
    assert wrong.exit_code == 2 and "the cycle ece15 is there twice" in wrong.output
    wrong = run("edit", rules, "ece15", "--save-in", rules / "nowhere")
    assert wrong.exit_code == 2 and "is no folder" in wrong.output


@pytest.mark.long
def test_an_edited_table_shows_its_effect(rules, tmp_path):
    """The engine is told to start at any power: many more seconds with the engine on."""
    content = json.loads(rules.read_text())
    text = json.dumps(content)
    before = json.loads(run("verify", rules, "eudc", "--json", *QUICK).output)["checks"][0]
    table = content["tables"]["engine_start"]
    stop = content["tables"]["engine_stop"]
    for one in (table, stop):
        one["values"] = [[-1e6] * len(row) for row in one["values"]]
    edited = tmp_path / "edited.json"
    edited.write_text(json.dumps(content))
    assert edited.read_text() != text
    shown = run("verify", edited, "eudc", *QUICK)
    assert "edited by hand" in shown.output
    assert "values break limits on shape they were made for" in shown.output
    after = json.loads(run("verify", edited, "eudc", "--json", *QUICK).output)["checks"][0]
    assert after["cost_above_optimum_percent"] > before["cost_above_optimum_percent"] + 5.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("distil", "ece15", "--out", "rules.txt"), "ends in .json or .nc"),
        (("verify", "nothing.json", "ece15"), "nothing.json"),
    ],
)
def test_wrong_use_is_one_line_and_exit_code_2(arguments, words):
    result = run(*arguments)
    assert result.exit_code == 2 and words in result.output
    assert len(result.output.strip().splitlines()) == 1


def test_nothing_is_overwritten_unasked(rules):
    result = run("distil", "ece15", "--out", rules, "--evaluations", 1, *QUICK)
    assert result.exit_code == 2 and "exists already" in result.output


@pytest.mark.long
def test_a_cycle_that_cannot_be_driven_is_said_plainly(rules, tmp_path):
    """Left out of mean and worst by name, and the exit code is 1; slower it can be driven."""
    steep = tmp_path / "steep.csv"
    steep.write_text("time_s,speed_km_per_h,grade_percent\n0,0,39\n1,60,39\n2,120,39\n")
    result = run("verify", rules, "eudc", steep, *QUICK)
    assert result.exit_code == 1
    assert "steep is left out of mean and worst: 2 of 2 steps cannot be driven" in result.output
    assert "that is on 1 of 2 cycles" in result.output
    assert run("verify", rules, steep, "--achievable", "--terminal", "free", *QUICK).exit_code == 0


@pytest.mark.long
def test_lacking_power_is_said_plainly(rules, tmp_path):
    """31 to 49 km/h in a second: only an engine that runs already can do that."""
    speeds = (30, 31, 30, 30, 31, 49, 50, 48, 40, 30, 20, 10, 0)
    burst = tmp_path / "burst.csv"
    rows = [f"{t},{v},-5" for t, v in enumerate(speeds)]
    burst.write_text("\n".join(("time_s,speed_km_per_h,grade_percent", *rows)) + "\n")
    result = run("verify", rules, burst, "--terminal", "free", *QUICK)
    assert result.exit_code == 0, result.output
    assert "burst: lacked power for 1 s from 4 s on" in result.output
    checks = json.loads(run("verify", rules, burst, "--json", "--terminal", "free", *QUICK).stdout)
    assert checks["checks"][0]["lacking_s"] == 1.0


@pytest.fixture(scope="module")
def preview(tmp_path_factory):
    path = tmp_path_factory.mktemp("preview") / "preview.nc"
    result = run(
        "distil", "ece15", "--kind", "preview", "--preview-horizon-s", 3, "--out", path, *QUICK
    )
    assert result.exit_code == 0, result.output
    assert "Looks 3 s ahead in steps of 1 s" in result.output and f"wrote {path}" in result.output
    assert max(len(line) for line in result.output.splitlines() if "wrote" not in line) <= 80
    return path


@pytest.mark.long
def test_preview_verifies_on_an_unseen_cycle_and_is_compared(preview):
    """Its file is taken where one of rule tables is; what it reaches is the same in both."""
    result = run("verify", preview, "eudc", "--json", *QUICK)
    assert result.exit_code == 0, result.output
    (check,) = json.loads(result.output)["checks"]
    assert check["cycle"] == "eudc" and check["seen"] is False and check["gap_percent"] >= 0.0
    result = run("compare", "eudc", "--controller", preview, "--json", *QUICK)
    assert result.exit_code == 0, result.output
    assert f"{check['fuel_g']:.6f}"[:8] in result.output


@pytest.mark.long
def test_preview_that_is_wrong_is_a_change_of_preview_alone(preview, rules):
    wrong = ("--change", "wrong preview", "--json", *QUICK)
    result = run("verify", preview, "eudc", *wrong)
    assert result.exit_code == 0, result.output
    right, changed = (check["cost_g"] for check in json.loads(result.stdout)["checks"])
    assert right != changed
    refused = run("verify", rules, "eudc", *wrong)
    assert refused.exit_code == 2 and "change 'wrong preview' is unknown" in refused.stderr


def test_preview_options_are_for_preview(tmp_path):
    out = tmp_path / "r.json"
    for options, words in (
        (("--preview-horizon-s", 5), "--preview-horizon-s says nothing without --kind preview"),
        (("--kind", "preview", "--seed", 2), "--seed says nothing with --kind preview"),
    ):
        result = run("distil", "ece15", "--out", out, *options)
        assert result.exit_code == 2 and words in result.stderr, result.output
