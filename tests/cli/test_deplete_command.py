"""`hybridopt deplete`: screen, files, JSON, and one sentence for what has no sense."""

import json

import pytest
from commands import SMALL, assert_one_sentence, run

CYCLE, *COARSE = SMALL
ARGS = (CYCLE, "--driveline", "full", *COARSE, "--soc-start-percent", 50, "--quiet")


@pytest.mark.long
def test_screen_and_files_tell_the_same(tmp_path):
    outcome = run("deplete", *ARGS, "--out", tmp_path, "--charger-efficiency", 0.8)
    assert outcome.exit_code == 0, outcome.output
    assert outcome.stdout.startswith("full over ece15, 1.018 km a run")
    assert "not a type approval" in outcome.stdout and "efficiency of 80 %" in outcome.stdout
    lines = [line for line in outcome.stdout.splitlines() if not line.startswith("wrote ")]
    assert max(map(len, lines)) <= 92
    assert (tmp_path / "ece15_full_trip.png").read_bytes().startswith(b"\x89PNG")
    lines = (tmp_path / "ece15_full_trip.csv").read_text().splitlines()
    record = json.loads(run("deplete", *ARGS, "--json", "--charger-efficiency", 0.8).stdout)
    assert len(lines) == 2 + len(record["runs"])
    assert record["trip_blended_g"] <= record["trip_depleted_first_g"] * 1.01
    weights = [row["weight"] for row in record["runs"][:-1]]
    assert sum(weights) == pytest.approx(1.0)


def test_nothing_to_deplete_is_one_sentence():
    full = (*ARGS[:-3], "--soc-start-percent", 79, "--quiet")
    assert_one_sentence(run("deplete", *full), "nothing to deplete", "--soc-start-percent")
