"""Names, units, options and mapping files."""

import pytest
from log_makers import assert_the_drive, rows, stamps, text

from hybridopt.base.errors import InputError
from hybridopt.measurements.channels import ColumnRequest, map_text, read_map, read_option
from hybridopt.measurements.drive import import_drive
from hybridopt.measurements.log import printable
from hybridopt.measurements.units import UNITS, find_unit, split_unit

HEAD = ("time [s]", "speed [km/h]")


@pytest.mark.parametrize(
    ("name", "words", "unit"),
    [
        ("speed", "speed", ""),
        ("Speed [km/h]", "speed", "km/h"),
        ("vehicle speed (mph)", "vehicle speed", "mph"),
        ("VehicleSpeed{m/s}", "vehicle speed", "m/s"),
        ("Target Speed, mph", "target speed", "mph"),
        ("Test Time, secs", "test time", "secs"),
        ("speed_km_per_h", "speed", "km per h"),
        ("v_mps", "v", "mps"),
        ("time_ms", "time", "ms"),
        ("GPS_Altitude_m", "gps altitude", "m"),
        ("grade_percent", "grade", "percent"),
        ("km/h", "km/h", ""),
        ("", "", ""),
        ("[]", "", ""),
    ],
)
def test_units_in_names(name, words, unit):
    assert split_unit(name) == (words, unit)


def test_one_of_each_unit_by_definition():
    """Mile, foot and nautical mile by definition; the others by their names."""
    figures = {
        "speed": {"km/h": 1 / 3.6, "m/s": 1, "mph": 0.44704, "kn": 1852 / 3600},
        "time": {"s": 1, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60, "h": 3600, "d": 86400},
        "altitude": {"m": 1, "ft": 0.3048, "km": 1000},
        "grade": {"%": 0.01, "1": 1, "deg": 0.017455064928, "rad": 1.557407724655},
    }
    for signal, table in figures.items():
        assert {unit.sign for unit in UNITS[signal].values()} == set(table)
        for sign, si in table.items():
            assert find_unit(signal, sign).to_si(1.0) == pytest.approx(si)


@pytest.mark.parametrize(
    ("option", "answer"),
    [
        ("speed=v", ("speed", ColumnRequest("v"))),
        ("speed=v:km/h", ("speed", ColumnRequest("v", "km/h"))),
        ("speed=a:b", ("speed", ColumnRequest("a:b"))),
        ("speed=a:b:mph", ("speed", ColumnRequest("a:b", "mph"))),
        ("time=x=y:ms", ("time", ColumnRequest("x=y", "ms"))),
    ],
)
def test_option(option, answer):
    assert read_option(option) == answer


@pytest.mark.parametrize("option", ["", "v", "speed", "speed=", "torque=x", "=x", "\x1b[31m=x"])
def test_option_that_is_none(option):
    with pytest.raises(InputError, match="write SIGNAL=NAME") as caught:
        read_option(option)
    assert "\x1b" not in str(caught.value)


def test_map_makes_the_same_choices_again(write, imported):
    content = text(rows(stamps()), ('the "clock" \\ x [s]', "v_ref"))
    path = write(content)
    channels = {
        "time": ColumnRequest('the "clock" \\ x [s]'),
        "speed": ColumnRequest("v_ref", "km/h"),
    }
    drive = import_drive(path, {signal: (one, "option") for signal, one in channels.items()})
    saved = write(map_text(drive.choices), "map.toml")
    again = import_drive(path, {signal: (one, "map") for signal, one in read_map(saved).items()})
    assert_the_drive(again)
    assert again.cycle.sha256 == drive.cycle.sha256
    assert [choice.by for choice in again.choices.values()] == ["map", "map"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("[speed]\n", "give name and, if wanted, unit"),
        ("[speed]\nname = 3\n", "both as text"),
        ("[speed]\nname = 'v'\nfactor = 3.6\n", "give name and, if wanted, unit"),
        ("speed = 'v'\n", "give name and, if wanted, unit"),
        ("[torque]\nname = 'x'\n", "is no signal; known are time, speed, altitude, grade"),
        ("[speed\n", "is not valid TOML"),
        ("x = " + "[" * 5000, "is nested too deeply"),
        ("x = " + "9" * 5000, "thousands of digits"),
        ("#" * 200_000, "at most 0.1 MB is read"),
        ("a" + ".a" * 40_000 + " = 1", "key of more than 16 parts"),
        ("x = {" + '"a" . ' * 20 + "b = 1}", "key of more than 16 parts"),
    ],
)
def test_bad_map(write, content, words):
    path = write(content, "map.toml")
    with pytest.raises(InputError, match=words) as caught:
        read_map(path)
    assert str(caught.value).startswith(str(path)) and "\n" not in str(caught.value)


def test_absent_column_names_its_neighbours(imported):
    with pytest.raises(InputError, match="there is no column 'sped'; near to it: speed"):
        imported(
            text(rows(stamps()), ("time [s]", "speed")), {"speed": ColumnRequest("sped", "km/h")}
        )


def test_suggestion_takes_the_most_telling_name(imported):
    cells = [[t, "7", v, "9"] for t, v in rows(stamps())]
    head = ("time [s]", "engine speed [rpm]", "vehicle speed [km/h]", "speed [km/h]")
    drive = imported(text(cells, head))
    assert_the_drive(drive)
    assert drive.choices["speed"].column.name == "vehicle speed [km/h]"
    assert drive.choices["speed"].by == "usual name"


def test_twins_are_told_apart(imported):
    cells = [[t, v, "9"] for t, v in rows(stamps())]
    head = ("time [s]", "speed [km/h]", "speed [km/h]")
    with pytest.raises(InputError, match="2 columns may be the speed: speed .km/h.#1, "):
        imported(text(cells, head))
    assert_the_drive(imported(text(cells, head), {"speed": ColumnRequest("speed [km/h]#1")}))


@pytest.mark.long
def test_a_log_of_very_many_columns_is_refused_at_once(imported):
    """Asked of each column whether the log is a scanner's, it would take minutes."""
    names = ("speed", "gps speed") * 10_000
    with pytest.raises(InputError, match="column speed#1 has no unit; say it with"):
        imported(text([["1"] * 20_001] * 5, ("time [s]", *names)))


def test_names_are_made_printable():
    assert printable("a\x1b[31m\nb\tc\0") == "a [31m b c"
    assert len(printable("x" * 10_000)) == 120
