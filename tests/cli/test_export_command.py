"""`hybridopt export`: every format from every format, refusals, nothing overwritten unasked."""

import shutil
import subprocess

import pytest
from a2l_reader import described
from commands import assert_one_sentence
from commands import run as run_command
from preview_tables import hand_made_preview
from rule_tables import hand_made

from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.tables.files import read_rule_set, write_json

needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")
OUT = {
    "json": "r.json",
    "netcdf": "r.nc",
    "cdf": "r.cdfx",
    "csv": "tables",
    "c": "code",
    "c-int16": "code",
    "a2l": "r.a2l",
    "a2l-int16": "r.a2l",
    "fmu": "r.fmu",
    "fmu3": "r.fmu",
}


@pytest.fixture
def tables(tmp_path):
    write_json(hand_made(), tmp_path / "rules.json")
    return tmp_path / "rules.json"


def run(*args):
    return run_command("export", *args)


@pytest.mark.long
@pytest.mark.parametrize(
    "kind", [k if "fmu" not in k else pytest.param(k, marks=needs_compiler) for k in OUT]
)
def test_every_format_is_written(tables, tmp_path, kind):
    out = tmp_path / OUT[kind]
    outcome = run(tables, "--format", kind, "--out", out)
    assert outcome.exit_code == 0, outcome.output
    *wrote, caution = outcome.stdout.splitlines()
    files = sorted(out.iterdir()) if out.is_dir() else [out]
    assert sorted(wrote) == [f"wrote {path}" for path in files]
    assert caution.startswith("Benchmark result") and TABLES_CAUTION.startswith("Benchmark result")
    assert len(files) == {"csv": 9, "c": 2, "c-int16": 2}.get(kind, 1)
    again = run(tables, "--format", kind, "--out", out)
    assert_one_sentence(again, "exists already")
    before = [path.read_bytes() for path in files]
    assert run(tables, "--format", kind, "--out", out, "--overwrite").exit_code == 0
    assert [path.read_bytes() for path in files] == before, "the same tables, the same files"


def test_a_calibrator_edits_a_cell_and_goes_on(tables, tmp_path):
    folder = tmp_path / "tables"
    assert run(tables, "--format", "csv", "--out", folder).exit_code == 0
    table = folder / "engine_start.csv"
    table.write_text(table.read_text().replace("9.009", "11.5"))
    outcome = run(folder, "--format", "json", "--out", tmp_path / "edited.json")
    assert outcome.exit_code == 0
    assert outcome.stderr == "note: these tables were edited by hand since their training\n"
    after = read_rule_set(tmp_path / "edited.json")
    assert after.origin.edited and after.table.engine_start.values[0, 1] == 11.5e3
    table.write_text(table.read_text().replace("11.5", "much"))
    refused = run(folder, "--format", "json", "--out", tmp_path / "other.json")
    assert_one_sentence(refused, "engine_start.csv: row 10, column C: is 'much'; write a number")
    assert not (tmp_path / "other.json").exists()


def test_a_calibrator_hands_back_a_cdf_file(tables, tmp_path):
    """Two ways: the file alone, which holds all, and its values into the tables with coverage."""
    cdf, out = tmp_path / "r.cdfx", tmp_path / "edited.json"
    assert run(tables, "--format", "cdf", "--out", cdf).exit_code == 0
    cdf.write_text(cdf.read_text().replace("<V>9008.999999999998</V>", "<V>11500.1</V>"))
    for args in ((cdf,), (tables, "--values", cdf)):
        outcome = run(*args, "--format", "json", "--out", out, "--overwrite")
        assert outcome.exit_code == 0
        assert outcome.stderr == "note: these tables were edited by hand since their training\n"
        after = read_rule_set(out)
        assert after.origin.edited and after.table.engine_start.values[0, 1] == 11500.1
        assert bool(after.coverage) == (len(args) > 1)
    cdf.write_text(cdf.read_text().replace("<V>11500.1</V>", "<V>1e15</V>"))
    refused = run(tables, "--values", cdf, "--format", "json", "--out", tmp_path / "other.json")
    assert_one_sentence(refused, "r.cdfx: engine_start[1][2]: is 1e+15; allowed is a number from")
    assert not (tmp_path / "other.json").exists()


@needs_compiler
def test_the_description_takes_its_addresses_from_an_object(tables, tmp_path):
    code, out = tmp_path / "code", tmp_path / "r.a2l"
    assert run(tables, "--format", "c", "--out", code).exit_code == 0
    option = "-DRULES_MADE_BY_HAND_CALIBRATION"
    command = ["cc", "-shared", "-fPIC", option, "rules_made_by_hand.c", "-o", "ecu.elf"]
    subprocess.run(command, cwd=code, check=True)
    outcome = run(tables, "--format", "a2l", "--out", out)
    assert outcome.stderr == "note: all addresses are 0; give the linked object as --elf\n"
    without = described(out.read_text())
    outcome = run(
        *(tables, "--format", "a2l", "--out", out, "--elf", code / "ecu.elf", "--overwrite")
    )
    assert outcome.exit_code == 0 and not outcome.stderr
    found = described(out.read_text())
    assert found.keys() == without.keys() and {of.address for of in without.values()} == {0}
    assert len({of.address for of in found.values()}) == len(found)


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("none.json", "--format", "csv", "--out", "x"), ("none.json: cannot be read",)),
        (("rules.json", "--format", "csv", "--out", "rules.json"), ("is a file; give a folder",)),
        (("rules.json", "--format", "csv", "--out", "a/b"), ("the folder a does not exist",)),
        (("rules.json", "--format", "fmu", "--out", "x.zip"), ("name that ends in .fmu",)),
        (("rules.json", "--format", "json", "--out", "x.txt"), ("name that ends in .json",)),
        (("rules.json", "--format", "json", "--out", "a/b.json"), ("folder a does not exist",)),
        (("rules.json", "--format", "a2l", "--out", "x.c"), ("name that ends in .a2l",)),
        (
            ("rules.json", "--format", "c", "--out", "x", "--elf", "rules.json"),
            ("--elf says nothing with --format c; leave it out",),
        ),
        (
            ("rules.json", "--format", "a2l", "--out", "x.a2l", "--elf", "rules.json"),
            ("rules.json: is no ELF file",),
        ),
        (
            ("rules.json", "--format", "json", "--out", "x.json", "--values", "rules.json"),
            ("rules.json: line 1, column 1: is no valid XML",),
        ),
        (("rules.json", "--format", "pdf", "--out", "x"), ("'pdf' is not one of",)),
        (("rules.json", "--format", "csv"), ("--out",)),
        (("rules.json", "--out", "x"), ("--format",)),
    ],
)
def test_refusals_are_one_sentence_and_write_nothing(tables, tmp_path, monkeypatch, args, words):
    monkeypatch.chdir(tmp_path)
    assert_one_sentence(run(*args), *words)
    assert [path.name for path in tmp_path.iterdir()] == ["rules.json"]


def test_no_compiler_is_exit_code_1(tables, tmp_path, monkeypatch):
    monkeypatch.setenv("CC", "no_such_compiler")
    outcome = run(tables, "--format", "fmu", "--out", tmp_path / "r.fmu")
    assert_one_sentence(outcome, "no C compiler is found (tried no_such_compiler)", code=1)
    assert not (tmp_path / "r.fmu").exists()


def test_help_has_examples():
    assert "hybridopt export rules.json --format csv" in run("--help").stdout


@pytest.fixture
def preview(tmp_path):
    write_json(hand_made_preview(), tmp_path / "preview.json")
    return tmp_path / "preview.json"


@pytest.mark.long
@pytest.mark.parametrize(
    "kind",
    [
        k if "fmu" not in k else pytest.param(k, marks=needs_compiler)
        for k in OUT
        if "int16" not in k
    ],
)
def test_a_predictive_controller_is_written_in_every_format(preview, tmp_path, kind):
    out = tmp_path / OUT[kind]
    outcome = run(preview, "--format", kind, "--out", out)
    assert outcome.exit_code == 0, outcome.output
    files = sorted(out.iterdir()) if out.is_dir() else [out]
    assert len(files) == {"csv": 14, "c": 2}.get(kind, 1)
    if kind in ("json", "netcdf", "cdf", "csv"):
        back = tmp_path / "back.json"
        assert run(out, "--format", "json", "--out", back).exit_code == 0
        assert back.read_bytes() == preview.read_bytes(), "nothing is lost on the way"


def test_int16_is_for_rule_tables(preview, tmp_path):
    outcome = run(preview, "--format", "c-int16", "--out", tmp_path / "code")
    assert_one_sentence(outcome, "is for rule tables, these are preview maps; give c")
