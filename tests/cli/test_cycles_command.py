"""`hybridopt cycles`, `hybridopt drivelines`, and the tables they print."""

import json

import pytest
from click.testing import CliRunner

from hybridopt.cli.main import main
from hybridopt.inputs.cycle import cycle_names, read_cycle
from hybridopt.inputs.driveline_file import driveline_names, read_driveline
from hybridopt.text.table import table


def output(*args: str, **env: str) -> str:
    outcome = CliRunner(env=env).invoke(main, list(args))
    assert outcome.exit_code == 0 and outcome.stderr == ""
    return outcome.stdout


def test_cycles_table_has_a_line_per_schedule_when_not_on_a_terminal():
    head, *lines = output("cycles").splitlines()
    assert head.split("  ")[0] == "name" and head.endswith("source")
    assert [line.split()[0] for line in lines] == list(cycle_names())
    wltc = next(line for line in lines if line.startswith("wltc_class3b "))
    assert wltc.split()[1:4] == ["1800", "23.262", "131.3"]  # published: tests/published
    assert read_cycle("wltc_class3b").source in wltc


@pytest.mark.parametrize("command", ["cycles", "drivelines"])
@pytest.mark.parametrize("width", [80, 100, 120])
def test_tables_fit_the_terminal(command, width):
    lines = output(command, COLUMNS=str(width)).splitlines()
    assert max(map(len, lines)) <= width


def test_cycles_json_is_in_the_units_it_names():
    records = {record["name"]: record for record in json.loads(output("cycles", "--json"))}
    cycle = read_cycle("udds")
    assert tuple(records) == cycle_names()
    assert records["udds"] == {
        "name": "udds",
        "title": cycle.title,
        "duration_s": cycle.duration,
        "distance_km": pytest.approx(cycle.distance / 1000.0),
        "max_speed_km_per_h": pytest.approx(cycle.max_speed * 3.6),
        "source": cycle.source,
    }


def test_drivelines_are_listed_with_their_titles():
    text = " ".join(output("drivelines", COLUMNS="80").split())
    records = json.loads(output("drivelines", "--json"))
    assert [record["name"] for record in records] == list(driveline_names())
    for record in records:
        assert record["title"] == read_driveline(record["name"]).title
        assert f"{record['name']} {record['title']}" in text


def test_table_puts_figures_right_and_wraps_the_last_column():
    text = table(("a", "n", "note"), [["x", "1.5", "one two three four"], ["yy", "10", ""]], 18)
    assert text.splitlines() == ["a     n  note", "x   1.5  one two three four", "yy   10"]
    text = table(("a", "note"), [["x", "word " * 8]], 30)
    assert text.splitlines()[1:] == ["x  word word word word word", "   word word word"]


def test_table_without_rows_is_its_header():
    assert table(("a", "b"), [], 40) == "a  b"
