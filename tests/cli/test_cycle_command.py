"""`hybridopt cycle import` and `trips`: report, files, mapping, refusals, interrupts."""

import dataclasses
import json
import os
import re
import signal
import subprocess
import sys
import time

import click
import numpy as np
import pytest
from click.testing import CliRunner

from hybridopt import read_cycle
from hybridopt.cli import cycle as module
from hybridopt.cli.cycle import FACTORS
from hybridopt.cli.main import main
from hybridopt.measurements.drive import Cleaning

TIME = np.arange(0.0, 120.05, 0.1)
SPEED = 60.0 * np.sin(np.pi * TIME / 60.0) ** 2  # km/h
LENGTH = 1.0  # km, 30 km/h in the mean for 120 s
HEAD = "time [s],vehicle speed [km/h],altitude [m]\n"
LOG = HEAD + "".join(
    f"{t:.1f},{v:.3f},{100 + t / 10:.2f}\n" for t, v in zip(TIME, SPEED, strict=True)
)


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "drive.csv"
    path.write_text(LOG)
    return path


def run(*args):
    return CliRunner().invoke(main, ["cycle", *map(str, args)])


def assert_one_sentence(outcome, *words, code=2):
    assert outcome.exit_code == code, outcome.output
    assert outcome.stdout == "" and outcome.stderr.startswith("error: ")
    assert outcome.stderr.count("\n") == 1
    for word in words:
        assert word in outcome.stderr


def test_report_and_files(log, tmp_path):
    out, plot, saved = (tmp_path / name for name in ("cycle.csv", "drive.png", "car.toml"))
    outcome = run("import", log, "--out", out, "--plot", plot, "--save-map", saved)
    assert outcome.exit_code == 0, outcome.output
    lines = outcome.stdout.splitlines()
    assert lines[0] == "Log       'drive.csv', utf-8 text, comma-separated, decimal point"
    assert lines[1:4] == [
        "Time      time [s] (by usual name)",
        "Speed     vehicle speed [km/h] (by usual name), km/h -> m/s",
        "Altitude  altitude [m] (by usual name), m -> m",
    ]
    assert any(re.search(r"distance 999\.\d -> 999\.\d m", line) for line in lines)
    assert lines[-3:] == [f"wrote {path}" for path in (out, plot, saved)]
    assert plot.read_bytes().startswith(b"\x89PNG")
    cycle = read_cycle(out)
    assert cycle.distance == pytest.approx(1000.0, rel=1e-3)
    assert np.abs(cycle.speed * 3.6 - np.interp(cycle.time, TIME, SPEED)).max() < 0.7
    assert out.read_text().splitlines()[0] == f"# {lines[0]}"


def test_without_out_nothing_is_written(log, tmp_path):
    assert run("import", log).exit_code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["drive.csv"]


def test_json_is_one_object(log, tmp_path):
    record = json.loads(run("import", log, "--out", tmp_path / "c.csv", "--json").stdout)
    assert record["channels"]["speed"] == {
        "column": "vehicle speed [km/h]",
        "unit": "km/h",
        "by": "usual name",
    }
    assert record["distance_km"] == pytest.approx(LENGTH, rel=1e-3)
    assert record["steps"] == 120 and record["files"] == [str(tmp_path / "c.csv")]
    counts = {one["name"]: one["count"] for one in record["done"]}
    assert counts["resampled"] == 121 and counts["low_pass"] == 1


def test_map_and_channel(log, tmp_path):
    """The mapping file is overruled by an option; units by either."""
    log.write_text(LOG.replace("vehicle speed [km/h]", "x").replace("altitude [m]", "y"))
    mapping = tmp_path / "car.toml"
    mapping.write_text('[speed]\nname = "x"\nunit = "mph"\n')
    record = json.loads(run("import", log, "--map", mapping, "--json").stdout)
    assert record["distance_km"] == pytest.approx(1.609344, rel=1e-3)
    assert record["channels"]["speed"]["by"] == "map"
    more = ("--channel", "speed=x:km/h", "--channel", "altitude=y:m")
    record = json.loads(run("import", log, "--map", mapping, *more, "--json").stdout)
    assert record["distance_km"] == pytest.approx(1.0, rel=1e-3)
    assert set(record["channels"]) == {"time", "speed", "altitude"}


def test_every_cleaning_figure_has_its_option():
    options = {p.name: p for p in module.import_log.params if isinstance(p, click.Option)}
    for field in dataclasses.fields(Cleaning):
        told = re.search(r"\(?default ([\d.]+)\)", options[field.name].help or "")
        if field.name == "part":
            assert told is None
        else:
            assert told and float(told[1]) * FACTORS.get(field.name, 1.0) == field.default


def test_options_reach_the_cleaning(log, monkeypatch):
    from hybridopt.measurements import drive

    seen = []
    monkeypatch.setattr(drive, "import_drive", lambda *args: seen.append(args[2]) or 1 / 0)
    options = "--step 0.5 --bandwidth 0.2 --bridge 4 --jitter 1 --max-acceleration 5 --part longest"
    run(
        "import",
        log,
        *options.split(),
        *"--max-braking 9 --standstill 1.8 --grade-length 50".split(),
    )
    speeds = {"gain_max": 5, "loss_max": 9, "standstill": 0.5}
    times = {"step": 0.5, "bandwidth": 0.2, "bridge": 4, "jitter": 1}
    assert seen == [Cleaning(**times, **speeds, grade_length=50, part="longest")]


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--channel", "v"), ("write SIGNAL=NAME",)),
        (("--channel", "speed=v", "--channel", "speed=w"), ("speed is given 2 times",)),
        (("--map", "none.toml"), ("none.toml", "cannot be read")),
        (("--out", "none/c.csv"), ("folder none does not exist",)),
        (("--step", "0"), ("step is 0.0; allowed is 0.01 to 60",)),
        (("--bandwidth", "nan"), ("bandwidth is nan",)),
        (("--part", "7"), ("part '7': there is none such; give 1",)),
        (("--out", "c.csv", "--plot", "./c.csv"), ("name the same file",)),
    ],
)
def test_refusals_are_one_sentence_and_write_nothing(log, tmp_path, monkeypatch, args, words):
    monkeypatch.chdir(tmp_path)
    assert_one_sentence(run("import", log, *args), *words)
    assert [path.name for path in tmp_path.iterdir()] == ["drive.csv"]


def test_existing_files_and_links_stay(log, tmp_path):
    mine, link = tmp_path / "c.csv", tmp_path / "l.csv"
    mine.write_text("mine")
    link.symlink_to(mine)
    assert_one_sentence(run("import", log, "--out", mine), "exists already")
    assert_one_sentence(run("import", log, "--out", link, "--overwrite"), "is a link to")
    assert mine.read_text() == "mine"
    assert run("import", log, "--out", mine, "--overwrite").exit_code == 0


def test_names_in_the_log_make_no_formula(log, tmp_path):
    log.write_text(LOG.replace("vehicle speed [km/h]", '"x,=1+1"'))
    out = tmp_path / "c.csv"
    outcome = run("import", log, "--out", out, "--channel", "speed=x,=1+1:km/h")
    assert outcome.exit_code == 0, outcome.output
    head = [line for line in out.read_text().splitlines() if "=1+1" in line]
    assert head and all(line.startswith('"# ') and line.endswith('"') for line in head)
    assert read_cycle(out).distance == pytest.approx(1000.0, rel=1e-3)


def test_long_gaps_are_listed_and_chosen(log):
    rows = LOG.splitlines()
    log.write_text("\n".join(rows[:600] + rows[700:]) + "\n")
    assert_one_sentence(run("import", log), "falls into 2 parts: 1: 0 to 59.8 s", "--part longest")
    outcome = run("import", log, "--part", "1")
    assert outcome.exit_code == 0 and "part 1 of 2 taken" in outcome.stdout


def test_trips_table_choice_and_files(tmp_path):
    folder = tmp_path / "trips"
    outcome = run("trips", "udds", "--choose", 3, "--out", folder)
    assert outcome.exit_code == 0, outcome.output
    lines = outcome.stdout.splitlines()
    assert lines[0].split()[:3] == ["trip", "start", "s"]
    assert sum("% of time" in line for line in lines) == 4  # three trips, and the foot
    files = sorted(folder.iterdir())
    assert len(files) == 3 and all(f"wrote {path}" in outcome.stdout for path in files)
    for path in files:
        trip = read_cycle(path)
        assert trip.speed[0] == trip.speed[-1] == 0.0 and trip.time[0] == 0.0
    assert_one_sentence(run("trips", "udds", "--choose", 3, "--out", folder), "exists already")


def test_trips_json():
    record = json.loads(run("trips", "wltc_class3b", "--choose", 2, "--json").stdout)
    assert len(record["trips"]) == 8 and len(record["chosen"]) == 2
    shares = [trip["share_of_time"] for trip in record["trips"]]
    assert sum(share for share in shares if share is not None) == pytest.approx(1.0)
    assert record["whole"]["distance_km"] == pytest.approx(23.262, abs=1e-3)


def test_trips_refusals(tmp_path):
    assert_one_sentence(run("trips", "no_such"), "neither a shipped cycle nor a file")
    assert_one_sentence(run("trips", "wltc_class3b", "--choose", 50), "only 8 of 8")
    assert_one_sentence(
        run("trips", "udds", "--out", tmp_path / "a" / "b"), "give a folder, in a folder"
    )


@pytest.mark.parametrize("part", [(), ("import",), ("trips",)])
def test_help_has_an_example(part):
    outcome = run(*part, "--help")
    assert outcome.exit_code == 0
    assert re.search(r"Examples?:\n +hybridopt cycle", outcome.stdout)


# --- a process of its own ---


@pytest.mark.long
@pytest.mark.parametrize("after", [0.6, 1.2])
def test_an_interrupt_leaves_the_old_file(tmp_path, after):
    """A log of some hours, so that the signal comes in the middle."""
    log, out = tmp_path / "big.csv", tmp_path / "c.csv"
    out.write_text("old")
    piece = list(zip(TIME[:-1], SPEED, strict=False))
    with log.open("w") as file:
        file.write(HEAD)
        for n in range(400):
            file.writelines(f"{120.0 * n + t:.1f},{v:.3f},100\n" for t, v in piece)
    command = [sys.executable, "-m", "hybridopt", "cycle", "import", str(log), "--out", str(out)]
    with subprocess.Popen(
        [*command, "--overwrite"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as job:
        time.sleep(after)
        job.send_signal(signal.SIGINT)
        text = job.stderr.read()
    assert job.returncode == 130, "the machine was faster than the signal"
    assert text.split() == ["error:", "interrupted"]
    assert out.read_text() == "old"
    assert sorted(os.listdir(tmp_path)) == ["big.csv", "c.csv"]


@pytest.mark.long
@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_full_disk_at_standard_output_is_one_sentence(log):
    with open("/dev/full", "w") as full:
        command = [sys.executable, "-m", "hybridopt", "cycle", "import", str(log)]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 1
    assert done.stderr == "error: reading or writing failed (No space left on device)\n"
