"""`hybridopt plot`: every kind of picture, and one clear sentence for every bad input."""

import pytest
from commands import assert_one_sentence, run, solved
from rule_tables import hand_made

from hybridopt.cli.plot import KINDS, OF_RULES, TABLES
from hybridopt.optimum.result import Result
from hybridopt.tables.files import write_json
from hybridopt.tables.rule_table import LAYOUT

HEADS = {".png": b"\x89PNG", ".pdf": b"%PDF", ".svg": b"<?xml"}
TWINS = (
    "shifts",
    "soc",
    "best-modes",
    "motor",
    "gears",
    "hc",
    "co",
    "particulates",
    "starts",
    "nox",
)  # like another kind, so run seldom
DRIVEN = ("soc", "regret")


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return solved(tmp_path_factory.mktemp("solved"), "--driveline", "clean")


@pytest.fixture(scope="module")
def rules(tmp_path_factory):
    made = tmp_path_factory.mktemp("rules") / "rules.json"
    write_json(hand_made(), made)
    return made


@pytest.mark.long
@pytest.mark.parametrize(
    "kind", [pytest.param(k, marks=pytest.mark.long) if k in TWINS else k for k in KINDS]
)
def test_every_kind_makes_a_picture(path, rules, tmp_path, kind):
    suffix = list(HEADS)[list(KINDS).index(kind) % 3]
    out = tmp_path / f"x{suffix}"
    source = rules if kind in OF_RULES else path
    more = ["--driveline", "full"] if kind == "rule-modes" else []
    more += ["--controller", "equivalence", "--evaluations", "2"] if kind in DRIVEN else []
    outcome = run("plot", source, "--kind", kind, "--out", out, *more)
    assert outcome.exit_code == 0, outcome.output
    assert outcome.stdout == f"wrote {out}\n"
    content = out.read_bytes()
    assert content.startswith(HEADS[suffix]) and len(content) > 8_000
    assert [p.name for p in tmp_path.iterdir()] == [out.name]


def test_one_table_alone(rules, tmp_path):
    assert TABLES == tuple(LAYOUT)
    out = tmp_path / "x.svg"
    run("plot", rules, "--kind", "tables", "--table", "motor_torque", "--out", out)
    assert out.read_bytes().startswith(b"<?xml")


def test_files_stay_unless_overwriting_is_allowed(path, tmp_path):
    out = tmp_path / "x.png"
    out.write_text("mine")
    assert_one_sentence(run("plot", path, "--out", out), "exists already")
    assert out.read_text() == "mine"
    assert run("plot", path, "--out", out, "--overwrite").exit_code == 0
    assert out.read_bytes().startswith(b"\x89PNG")


@pytest.mark.long
@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--out", "x.gif"), ("x.gif", ".png, .pdf or .svg")),
        (("--out", "no/x.png"), ("the folder", "does not exist")),
        (("--kind", "pie", "--out", "x.png"), ("--kind", "schedule")),
        (("--kind", "engine", "--driveline", "mild", "--out", "x.png"), ("mild", "other SHA-256")),
        (("--kind", "value", "--cycle", "udds", "--out", "x.png"), ("udds", "other SHA-256")),
        (("--kind", "tables", "--out", "x.png"), ()),
        (("--kind", "soc", "--controller", "magic", "--out", "x.png"), ("magic", "is unknown")),
    ],
)
def test_bad_options(path, tmp_path, monkeypatch, args, words):
    monkeypatch.chdir(tmp_path)
    assert_one_sentence(run("plot", path, *args), *words)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_result(tmp_path):
    wrong = tmp_path / "wrong.nc"
    wrong.write_text("no")
    assert_one_sentence(run("plot", wrong, "--out", tmp_path / "x.png"), "wrong.nc")
    assert_one_sentence(run("plot", tmp_path / "absent.nc", "--out", tmp_path / "x.png"), "absent")


@pytest.mark.long
def test_inputs_that_are_files_must_be_named(path, tmp_path):
    result = Result.read(path)
    renamed = Result(result.dataset.assign_attrs(driveline="mine", cycle="drive"))
    renamed.to_netcdf(tmp_path / "mine.nc")
    out = ("--kind", "value", "--out", tmp_path / "x.png")
    assert_one_sentence(run("plot", tmp_path / "mine.nc", *out), "--driveline FILE")
    named = (*out, "--driveline", "clean")
    assert_one_sentence(run("plot", tmp_path / "mine.nc", *named), "--cycle FILE")
    assert run("plot", tmp_path / "mine.nc", *named, "--cycle", "ece15").exit_code == 0
