"""Options and settings without effect are refused or told, in every command."""

import json

import pytest
from commands import SMALL, assert_one_sentence, run

from hybridopt import InputError, Settings, read_cycle, read_driveline
from hybridopt.problem.idle_settings import idle_settings


@pytest.mark.parametrize(
    ("args", "flag", "because"),
    [
        (("launch", "--pause-s", 4), "--pause-s", "without --repeat"),
        (("check", "full.toml", "--driveline", "mild"), "--driveline", "without a cycle"),
        (("compare", "ece15", "--tune", "none", "--seed", 2), "--seed", "with --tune none"),
        (
            ("compare", "ece15", "--tune", "none", "--evaluations", 9),
            "--evaluations",
            "with --tune none",
        ),
        (
            ("compare", "ece15", "--controller", "a.py:f", "--gears", "best"),
            "--gears",
            "without a named --controller",
        ),
        (
            ("compare", "ece15", "--controller", "a.py:f", "--tune", "each"),
            "--tune",
            "without a named --controller",
        ),
        (
            ("distil", "ece15", "--out", "r.json", "--leave-one-out"),
            "--leave-one-out",
            "with one cycle",
        ),
        (
            ("verify", "r.json", "ece15", "--all-changes", "--change", "mass +10 %"),
            "--change",
            "with --all-changes",
        ),
        (
            ("plot", "r.nc", "--out", "x.png", "--controller", "equivalence"),
            "--controller",
            "with --kind schedule",
        ),
        (
            ("plot", "r.nc", "--out", "x.png", "--kind", "starts", "--evaluations", 9),
            "--evaluations",
            "with --kind starts",
        ),
        (
            ("plot", "r.nc", "--out", "x.png", "--kind", "energy", "--driveline", "full"),
            "--driveline",
            "with --kind energy",
        ),
        (
            ("plot", "r.nc", "--out", "x.png", "--kind", "engine", "--cycle", "udds"),
            "--cycle",
            "with --kind engine",
        ),
        (
            ("plot", "r.json", "--out", "x.png", "--table", "shift_up"),
            "--table",
            "with --kind schedule",
        ),
        (
            ("study", "run", "s.toml", "--dry-run", "--retry-failed"),
            "--retry-failed",
            "with --dry-run",
        ),
        (
            ("study", "run", "s.toml", "--scheduler", "tcp://127.0.0.1:1", "--workers", 2),
            "--workers",
            "with --scheduler",
        ),
        (
            ("study", "table", "s.toml", "--within", 1, "--of", "x", "--limit", 3),
            "--limit",
            "with --within",
        ),
        (
            ("map", "import", "b.csv", "--kind", "motor", "--displacement-l", 2),
            "--displacement-l",
            "of a motor",
        ),
        (("drivelines", "--overwrite"), "--overwrite", "without --copy"),
    ],
)
def test_idle_options_are_refused(args, flag, because):
    """Before anything is read: the files named here do not exist."""
    assert_one_sentence(run(*args), f"{flag} says nothing {because}", "leave it out")


def test_target_without_the_terminal_that_needs_it():
    outcome = run("solve", *SMALL, "--soc-target-percent", 70)
    assert_one_sentence(
        outcome, "soc_target is 70 %", "terminal is 'sustain'", "set it to 'target'"
    )
    outcome = run("solve", *SMALL, "--soc-target-percent", 70, "--terminal", "free")
    assert_one_sentence(outcome, "soc_target is 70 %", "terminal is 'free'")
    outcome = run("solve", *SMALL, "--two-sided", "--terminal", "free")
    assert_one_sentence(outcome, "two_sided says nothing with terminal 'free'")


@pytest.mark.parametrize("terminal", ["sustain", "target", "deplete", "free"])
def test_resolved_settings_can_be_resolved_again(terminal):
    full = read_driveline("full")
    once = Settings(terminal=terminal, **({"soc_target": 0.7} if terminal == "target" else {}))
    assert once.resolved(full).resolved(full) == once.resolved(full)


def test_settings_that_a_cycle_leaves_without_effect_are_told():
    outcome = run("solve", *SMALL, "--stop-oil-temperature-c", 40, "--json")
    assert outcome.exit_code == 0
    (line,) = [text for text in outcome.stderr.splitlines() if text.startswith("warning: ")]
    assert "stop_oil_temperature has no effect on cycle ece15" in line
    assert json.loads(outcome.stdout)["warnings"] == [line.removeprefix("warning: ")]


def test_thermal_limits_that_a_driveline_does_not_have_are_told():
    from makers import plain_driveline

    plain, cycle = plain_driveline(), read_cycle("ece15")
    (text,) = idle_settings(Settings(thermal_limits=True), plain, cycle)
    assert "thermal_limits has no effect on driveline plain" in text
    assert [*idle_settings(Settings(thermal_limits=True), read_driveline("full"), cycle)] == []


def test_warnings_of_a_driveline_are_once_on_stderr_and_in_the_record(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text('base = "full"\n[battery]\ncapacity_Ah = 8000\n')
    for command, others in ((("solve", *SMALL), ["above the proved bound"]), (("launch",), [])):
        outcome = run(*command, "--driveline", path, "--json")
        lines = [text for text in outcome.stderr.splitlines() if text.startswith("warning: ")]
        for line, words in zip(lines, ["1.26 kWh per kg of vehicle", *others], strict=True):
            assert words in line
        told = [line.removeprefix("warning: ") for line in lines]
        assert json.loads(outcome.stdout)["warnings"] == told
    assert json.loads(run("launch", "--json").stdout)["warnings"] == []


def test_maps_beside_a_model_are_refused(tmp_path):
    """They were passed over; a curve that the model does not make counts."""
    text = """base = "full"
[motor]
model = "polynomial"
loss_constant_W = 100
loss_W_per_rpm = 0.05
loss_W_per_Nm2 = 0.06
max_torque_Nm = 150
max_power_kW = 40
"""
    (tmp_path / "curve.csv").write_text("speed_rpm,torque_Nm\n0,40\n6500,30\n")
    path = tmp_path / "car.toml"
    path.write_text(text + 'continuous_torque_csv = "curve.csv"\n')
    assert read_driveline(path).motor.continuous_torque.values.tolist() == [40, 30]
    path.write_text(text + 'peak_torque_csv = "curve.csv"\n')
    with pytest.raises(InputError, match="peak_torque_csv: is given beside model = 'polynomial'"):
        read_driveline(path)
