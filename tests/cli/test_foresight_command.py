"""`hybridopt foresight`: tables, files, and one sentence for every bad input."""

import csv
import json

import pytest
from commands import assert_one_sentence, run

from hybridopt.evaluation.foresight_worth import PRICE_HELD
from hybridopt.foresight.predictions import PREDICTIONS

SMALL = ("ece15", "--train", "ece15", "--soc-points", "101", "--splits", "9")
SHORT = ("--horizon-s", 2, "--horizon-s", 0)


def foresight(*args):
    return run("foresight", *SMALL, *args)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("foresight")
    outcome = foresight(*SHORT, "--preview", "all", "--json", "--out", folder)
    assert outcome.exit_code == 0, outcome.output
    return json.loads(outcome.stdout), folder


@pytest.mark.long
def test_tables_of_80_columns_say_training_and_preview():
    outcome = foresight("--preview", "exact", "--preview", "wrong", "--error-km-per-h", 3)
    assert outcome.exit_code == 0, outcome.output
    lines = outcome.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert "* it has seen this cycle in training." in " ".join(lines)
    heads = [line.split() for line in lines if line.startswith("seconds seen")]
    assert heads == [["seconds", "seen", *"0 1 2 3 5 10 20 60".split()]] * 3
    assert sum(line.startswith("ece15 *") for line in lines) == 3
    assert any("error of speed of 3 km/h in 10 s, seed 1" in line for line in lines)
    assert outcome.stderr == ""


@pytest.mark.long
def test_json_and_csv_have_the_same_rows(made):
    record, folder = made
    assert record["horizons_s"] == [0.0, 2.0] and record["training"] == ["ece15"]
    kinds = [*PREDICTIONS, PRICE_HELD]
    assert set(record["mean_cost_above_optimum_percent"]) == set(kinds)
    with (folder / "foresight_full.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert len(rows) == len(record["rows"]) == 2 * len(kinds)
    for row, known in zip(rows, record["rows"], strict=True):
        assert list(row) == list(known)
        assert (row["cycle"], row["preview"]) == (known["cycle"], known["preview"])
        assert float(row["horizon_s"]) == known["horizon_s"]
        loss = known["cost_above_optimum_percent"]
        assert float(row["cost_above_optimum_percent"]) == pytest.approx(loss, rel=1e-6)
    assert (folder / "foresight_full.png").read_bytes()[:4] == b"\x89PNG"


def test_files_are_not_overwritten_unasked(made):
    assert_one_sentence(foresight("--out", made[1]), "foresight_full.csv: exists already")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--horizon-s", 0.5), "horizon is 0.5 s"),
        (("--horizon-s", -1), "horizon is -1 s"),
        (("--preview", "radar"), "radar"),
        (("--seed", 3), "--seed says nothing without --preview wrong"),
        (("--error-km-per-h", 3), "--error-km-per-h says nothing without --preview wrong"),
        (("--preview", "wrong", "--error-km-per-h", -3), "--error-km-per-h"),
        (("ece15",), "cycle ece15 is given twice"),
        (("--train", "nowhere"), "nowhere"),
    ],
)
def test_wrong_input_ends_in_one_sentence(args, words):
    assert_one_sentence(foresight(*args), words)


@pytest.mark.long
def test_what_cannot_be_driven_is_named_and_the_others_are_shown(tmp_path):
    fast = tmp_path / "fast.csv"
    fast.write_text("time_s,speed_km_per_h\n" + "".join(f"{t},{11 * t}\n" for t in range(30)))
    outcome = foresight(fast, *SHORT)
    assert outcome.exit_code == 1
    assert "Not driven\nfast (optimum): " in outcome.stdout
    assert "\nece15 *" in outcome.stdout
    alone = run("foresight", fast, *SMALL[1:], *SHORT)
    assert_one_sentence(alone, "fast (optimum): ", code=1)
