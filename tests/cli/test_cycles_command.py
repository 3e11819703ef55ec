"""`hybridopt cycles`, `hybridopt drivelines`, and the tables they print."""

import json

import pytest
from click.testing import CliRunner
from commands import assert_one_sentence, run

from hybridopt.cli.main import main
from hybridopt.inputs.cycle import cycle_names, read_cycle
from hybridopt.inputs.driveline_file import driveline_names, read_driveline
from hybridopt.text.table import table


def output(*args: str, **env: str) -> str:
    outcome = CliRunner(env=env).invoke(main, list(args))
    assert outcome.exit_code == 0 and outcome.stderr == ""
    return outcome.stdout


def test_cycles_table_has_a_line_per_cycle_when_not_on_a_terminal():
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
        "kind": "schedule",
        "duration_s": cycle.duration,
        "distance_km": pytest.approx(cycle.distance / 1000.0),
        "max_speed_km_per_h": pytest.approx(cycle.max_speed * 3.6),
        "source": cycle.source,
    }
    assert {records[name]["kind"] for name in cycle_names("drive")} == {"drive"}


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


def test_copy_of_a_demo_driveline_stands_alone(tmp_path):
    """The same vehicle, with nothing read from the package, changed by an edit of its base."""
    folder = tmp_path / "my_car"
    told = output("drivelines", "--copy", "mild_crank", str(folder)).splitlines()
    assert told == [f"wrote {path}" for path in map(folder.joinpath, names_of(told))]
    assert {path.name for path in folder.iterdir()} == set(names_of(told))
    copied, demo = read_driveline(folder / "mild_crank.toml"), read_driveline("mild_crank")
    for part in ("vehicle", "gearbox", "clutches", "fuel", "auxiliary", "functions"):
        assert vars(getattr(copied, part)) == vars(getattr(demo, part))
    assert copied.motor.loss_map.identical(demo.motor.loss_map)
    assert copied.engine.fuel_map.identical(demo.engine.fuel_map)
    assert copied.battery.table.identical(demo.battery.table)
    base = folder / "full.toml"
    base.write_text(base.read_text().replace("wheel_radius_m = 0.322", "wheel_radius_m = 0.4"))
    assert read_driveline(folder / "mild_crank.toml").vehicle.wheel_radius == 0.4


def names_of(told):
    return [line.rpartition("/")[2] for line in told]


@pytest.mark.parametrize("name", driveline_names())
def test_every_demo_driveline_can_be_copied(tmp_path, name):
    output("drivelines", "--copy", name, str(tmp_path))
    assert read_driveline(tmp_path / f"{name}.toml").title == read_driveline(name).title


def test_copy_keeps_what_is_there(tmp_path):
    assert_one_sentence(run("drivelines", "--copy", "ful", tmp_path), "'ful'", "full_awd")
    assert_one_sentence(run("drivelines", "--copy", "full", tmp_path / "a" / "b"), "folder")
    (tmp_path / "full.toml").write_text("mine")
    assert_one_sentence(run("drivelines", "--copy", "full", tmp_path), "exists already")
    assert [path.name for path in tmp_path.iterdir()] == ["full.toml"]
    assert (tmp_path / "full.toml").read_text() == "mine"
    output("drivelines", "--copy", "full", str(tmp_path), "--overwrite")
    assert read_driveline(tmp_path / "full.toml").name == "full"


def test_keys_of_a_driveline_are_listed():
    """All that the guide has, which is held to the code elsewhere."""
    records = json.loads(output("drivelines", "--keys", "--json"))
    found = {(record["table"], record["key"]): record for record in records}
    assert len(found) == len(records) > 80
    assert found["[vehicle]", "mass_kg"] == {
        "table": "[vehicle]",
        "key": "mass_kg",
        "range": "50 to 100000",
        "if_left_out": "required",
        "meaning": "mass without the trailer",
    }
    text = output("drivelines", "--keys")
    assert all(record["key"] in text for record in records)
    assert max(map(len, output("drivelines", "--keys", COLUMNS="130").splitlines())) <= 130
    assert_one_sentence(run("drivelines", "--keys", "--copy", "full", "x"), "two questions")
