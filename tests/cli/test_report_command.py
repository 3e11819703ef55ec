"""`hybridopt report`: page and PDF, size, and one clear sentence for every bad input."""

import json

import pytest
from commands import assert_one_sentence, run, solved
from rule_tables import hand_made

from hybridopt.tables.files import write_json


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return solved(tmp_path_factory.mktemp("solved"))


@pytest.mark.long
def test_page_with_everything(path, tmp_path):
    write_json(hand_made(), tmp_path / "rules.json")
    compared = run(
        "compare",
        "ece15",
        "--controller",
        "electric_power",
        "--evaluations",
        "1",
        "--soc-points",
        "101",
        "--splits",
        "9",
        "--json",
    )
    (tmp_path / "compare.json").write_text(compared.stdout)
    out = tmp_path / "r.html"
    outcome = run(
        "report",
        path,
        "--comparison",
        tmp_path / "compare.json",
        "--tables",
        tmp_path / "rules.json",
        "--out",
        out,
    )
    assert outcome.exit_code == 0, outcome.output
    text = out.read_text(encoding="utf-8")
    assert outcome.stdout.startswith(f"wrote {out} (")
    score = json.loads(compared.stdout)["scores"][1]
    assert f"<td>{score['gap_percent']:.2f}</td>" in text and "electric_power" in text
    assert "made by hand" in text and text.startswith("<!DOCTYPE html>")


@pytest.mark.long
def test_pdf(path, tmp_path):
    assert run("report", path, "--out", tmp_path / "r.pdf").exit_code == 0
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")


def test_files_stay_unless_overwriting_is_allowed(path, tmp_path):
    out = tmp_path / "r.html"
    out.write_text("mine")
    assert_one_sentence(run("report", path, "--out", out), "exists already")
    assert out.read_text() == "mine"


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--out", "r.docx"), ("r.docx", ".html or .pdf")),
        (("--comparison", "absent.json", "--out", "r.html"), ("absent.json",)),
        (("--tables", "absent.json", "--out", "r.html"), ("absent.json",)),
        (("--driveline", "mild", "--out", "r.html"), ("mild", "other SHA-256")),
    ],
)
def test_bad_options(path, tmp_path, monkeypatch, args, words):
    monkeypatch.chdir(tmp_path)
    assert_one_sentence(run("report", path, *args), *words)
    assert list(tmp_path.iterdir()) == []


def test_no_result_at_all():
    assert_one_sentence(run("report", "--out", "r.html"), "RESULT")


@pytest.mark.long
def test_five_cycles_are_small(tmp_path):
    """At most 10 MB."""
    names = ("wltc_class3b", "udds", "nedc", "hwfet", "ftp75")
    for name in names:
        solve = ("solve", name, "--quiet", "--no-bound", "--out", tmp_path)
        assert run(*solve, "--soc-points", "201", "--splits", "9").exit_code == 0
    outcome = run("report", *sorted(tmp_path.glob("*.nc")), "--out", tmp_path / "five.html")
    assert outcome.exit_code == 0, outcome.output
    assert (tmp_path / "five.html").stat().st_size < 10e6
