"""`hybridopt launch`: figures, verdicts, the picture, and bad input."""

import json

import pytest
from commands import assert_one_sentence, run

from hybridopt import read_driveline
from hybridopt.physics.launch_series import repeat_launch, verdict
from hybridopt.physics.launches import launch

STEEP = ("launch", "--grade-percent", 20, "--acceleration", 0.8)


def told(*args):
    outcome = run(*args)
    assert outcome.exit_code == 0, outcome.output
    return outcome.stdout


def test_full_load_launch_says_yes_with_figures():
    text = told("launch", "--grade-percent", 12)
    done = launch(read_driveline("full"), 0.12)
    assert f"{done.torque.max():.1f} Nm at the clutch; capacity 550 Nm" in text
    assert f"{done.slip_energy / 1e3:.2f} kJ, up to {done.loss.max() / 1e3:.1f} kW" in text
    assert "90 C -> " in text and "limit 200 C" in text
    assert text.splitlines()[-1].split(maxsplit=1) == ["Verdict", verdict(done)]


def test_json_holds_the_same_figures():
    record = json.loads(told(*STEEP, "--repeat", 20, "--pause-s", 4, "--json"))
    done = launch(read_driveline("full"), 0.2, 0.8)
    series = repeat_launch(done, 20, 4.0)
    assert record["slip_kJ"] == pytest.approx(done.slip_energy / 1e3)
    assert record["peaks_C"] == pytest.approx(series.peaks.tolist())
    assert record["first_launch_over"] == series.first_over == 17
    assert record["suffices"] is False and record["verdict"] == verdict(done, series)
    assert record["wanted_m_per_s2"] == 0.8 and record["grade_percent"] == pytest.approx(20)
    once = json.loads(told("launch", "--json"))
    assert once["suffices"] is True and once["wanted_m_per_s2"] is None
    assert "peaks_C" not in once


def test_repeated_launches_are_told():
    text = told(*STEEP, "--repeat", 20, "--pause-s", 4)
    assert "20 times, 4 s apart: 203.5 C" in text  # regression only
    assert "no: launch 17 is the first to pass 200 C" in text


def test_heat_that_is_not_looked_at(monkeypatch, tmp_path):
    import dataclasses

    from hybridopt.inputs import driveline_file as files

    full = read_driveline("full")
    blind = dataclasses.replace(full.clutches, heat_capacity=None)
    bare = dataclasses.replace(full, clutches=blind)
    monkeypatch.setattr(files, "read_driveline", lambda name: bare)
    picture = tmp_path / "bare.png"
    text = told("launch", "--plot", picture)
    assert "not looked at; [clutches] heat_capacity_kJ_per_K is not given" in text
    assert picture.stat().st_size > 10_000
    assert json.loads(told("launch", "--json"))["temperature_C"] is None
    assert_one_sentence(run("launch", "--repeat", 2), "heat_capacity_kJ_per_K", "is missing")


@pytest.mark.long
@pytest.mark.parametrize("more", [(), ("--repeat", 8)])
def test_picture_is_written_and_kept(tmp_path, more):
    path = tmp_path / "launch.png"
    assert f"wrote {path}" in told(*STEEP, *more, "--plot", path)
    first = path.read_bytes()
    assert first.startswith(b"\x89PNG") and len(first) > 10_000
    assert_one_sentence(run(*STEEP, "--plot", path), str(path), "exists already")
    told(*STEEP, *more, "--plot", path, "--overwrite")
    assert path.read_bytes() == first


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--grade-percent", 101), ("--grade-percent", "101")),
        (("--acceleration", -1), ("acceleration is -1 m/s2",)),
        (("--acceleration", "nan"), ("acceleration is nan m/s2",)),
        (("--repeat", 0), ("repeat is 0", "1 to 10000")),
        (("--repeat", 2, "--pause-s", -3), ("pause is -3 s",)),
        (("--plot", "launch.gif"), ("launch.gif", ".png")),
        (("--plot", "nowhere/launch.png"), ("nowhere", "does not exist")),
        (("--driveline", "none"), ("none", "demo drivelines")),
    ],
)
def test_bad_input_is_one_sentence(args, words):
    assert_one_sentence(run("launch", *args), *words)


def test_a_launch_that_goes_nowhere_is_one_sentence(tmp_path):
    source = tmp_path / "laden.toml"
    source.write_text('base = "full"\n[vehicle]\nmass_kg = 20000\n')
    outcome = run("launch", "--driveline", source, "--grade-percent", 20)
    assert_one_sentence(outcome, "does not move off on 20 %", "clutch carries 550 Nm")
