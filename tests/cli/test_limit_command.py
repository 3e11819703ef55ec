"""`hybridopt limit`: text, JSON and CSV say the same; what says nothing is refused."""

import csv
import json

import pytest
from commands import run

QUICK = ("ece15", "--drives", 2, "--length-s", 30, "--soc-points", 51, "--splits", 5)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    folder = tmp_path_factory.mktemp("limit")
    result = run("limit", *QUICK, "--controller", "equivalence", "--json", "--out", folder)
    assert result.exit_code == 0, result.stderr
    return folder, json.loads(result.stdout)


@pytest.mark.long
def test_costs_of_the_file_give_the_shares_of_the_record(found):
    """Shares by hand: mean excess over mean cost with hindsight."""
    folder, record = found
    lines = (folder / "limit_full.csv").read_text().splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == record["drives"] == 2
    costs = {name: sum(float(row[name]) for row in rows) for name in rows[0]}
    base = costs["hindsight, g"]
    for name, percent in (
        ("proved limit", record["proved"]["percent"]),
        ("equivalence", record["controllers"]["equivalence"]["above_hindsight"]["percent"]),
    ):
        assert percent == pytest.approx(100.0 * (costs[f"{name}, g"] / base - 1.0))
    low, high = record["mean_cost_g_per_s"]
    assert low <= high <= low * (1.0 + 1e-5)


def test_what_says_nothing_is_refused():
    refused = run("limit", *QUICK, "--evaluations", 10)
    assert refused.exit_code == 2
    assert "--evaluations says nothing without --retrain" in refused.stderr
