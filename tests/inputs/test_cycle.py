"""Reading, checking and cutting cycles."""

import dataclasses
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import hybridopt.inputs
from hybridopt.base.errors import InputError
from hybridopt.files import csv_table
from hybridopt.inputs.catalogue import cycles_folder, recipes
from hybridopt.inputs.cycle import Cycle, InputWarning, cycle_names, read_cycle, read_cycle_csv

HEADER = "time_s,speed_km_per_h\n"
SCHEDULES = {
    *("wltc_class3b", "wltc_class3b_low", "wltc_class3b_medium", "wltc_class3b_high"),
    *("wltc_class3b_extra_high", "wltc_class2", "udds", "hwfet", "ftp75", "nedc", "ece15", "eudc"),
    *("artemis_urban", "artemis_rural", "artemis_motorway130", "artemis_motorway150"),
}
DRIVES = {"real_city", "real_suburb", "real_mixed", "real_motorway", "real_stop_and_go"}


@pytest.fixture
def write(tmp_path):
    """Return a function that writes a file and returns its path."""

    def write(content, name="drive.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def csv_of(cycle, factor=3.6):
    """Return the CSV text of a cycle, speeds in m/s times `factor`."""
    rows = zip(cycle.time, cycle.speed * factor, cycle.grade * 100, strict=True)
    lines = [f"{float(t)!r},{float(v)!r},{float(g)!r}\n" for t, v, g in rows]
    return "time_s,speed_km_per_h,grade_percent\n" + "".join(lines)


# --- the object ---


def ramp(**changes):
    """Return a small cycle with unequal steps."""
    fields = {"name": "ramp", "time": [0, 2, 3], "speed": [0, 4, 10], "grade": [0, 0.1, 0.2]}
    return Cycle(**(fields | changes))


def test_properties_by_hand():
    cycle = ramp()
    assert cycle.dt.tolist() == [2, 1]
    assert cycle.mean_speed.tolist() == [2, 7]
    assert cycle.acceleration.tolist() == [2, 6]
    assert cycle.mean_grade == pytest.approx([0.05, 0.15])
    assert (cycle.duration, cycle.distance, cycle.max_speed) == (3, 11, 10)


def test_grade_is_zero_or_one_number_for_all():
    assert Cycle("flat", [0, 1], [0, 1]).grade.tolist() == [0, 0]
    assert ramp(grade=0.05).grade.tolist() == [0.05] * 3


def test_arrays_are_copied_contiguous_and_read_only():
    speed = np.arange(6.0)[::2]
    cycle = ramp(speed=speed)
    speed[0] = 9
    assert cycle.speed[0] == 0 and cycle.speed.flags.c_contiguous
    for array in (cycle.time, cycle.speed, cycle.grade):
        assert array.dtype == np.float64
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1
    with pytest.raises(dataclasses.FrozenInstanceError):
        cycle.name = "other"


def test_hash_covers_the_points_only():
    assert ramp().sha256 == ramp(name="other", title="x").sha256
    for change in ({"time": [0, 2, 4]}, {"speed": [0, 4, 9]}, {"grade": [0, 0, 0]}):
        assert ramp(**change).sha256 != ramp().sha256


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"time": [0]}, r"cycle ramp: time has shape \(1,\); give one axis of 2 points or more"),
        ({"time": [[0, 1, 2]]}, r"time has shape \(1, 3\)"),
        ({"speed": [0, 1]}, r"speed has shape \(2,\) but time \(3,\); give one value per point"),
        ({"grade": [0, 0]}, r"grade has shape \(2,\) but time \(3,\)"),
        ({"speed": ["a", 1, 2]}, "cycle ramp: speed is not an array of numbers"),
        ({"speed": None}, "speed"),
        ({"time": [0, 1, np.nan]}, r"point 2: time \(s\) is nan; allowed"),
        ({"time": [0, 2, 2]}, r"point 2: time \(s\) is 2; it must exceed the time before it"),
        ({"speed": [0, -1, 2]}, r"point 1: speed \(m/s\) is -1; allowed is 0 to 138.9"),
        ({"speed": [0, np.inf, 2]}, r"point 1: speed \(m/s\) is inf"),
        ({"speed": [0, 140, 2]}, r"point 1: speed \(m/s\) is 140"),
        ({"grade": [0, 0, 5]}, r"point 2: grade \(rise over run\) is 5; allowed is -0.4 to 0.4"),
    ],
)
def test_wrong_points_are_refused(changes, message):
    with pytest.raises(InputError, match=message):
        ramp(**changes)


def test_cut_starts_at_zero_and_interpolates_its_ends():
    piece = ramp().cut(1, 2.5)
    assert piece.time.tolist() == [0, 1, 1.5]
    assert piece.speed.tolist() == [2, 4, 7]
    assert piece.grade == pytest.approx([0.05, 0.1, 0.15])
    assert piece.name == "ramp_1_2.5"


@given(st.floats(0.01, 2.99))
@settings(deadline=None)
def test_two_cuts_make_the_whole(at):
    cycle = ramp()
    parts = cycle.cut(0, at).distance + cycle.cut(at, 3).distance
    assert parts == pytest.approx(cycle.distance, rel=1e-12)


@pytest.mark.parametrize("limits", [(2, 1), (1, 1), (-1, 2), (0, 4), (0, np.nan)])
def test_cut_outside_is_refused(limits):
    with pytest.raises(InputError, match=r"cycle ramp: cut from .* give 0 <= start < stop <= 3"):
        ramp().cut(*limits)


# --- the catalogue ---


def test_catalogue_is_complete():
    assert set(cycle_names("schedule")) == SCHEDULES and set(cycle_names("drive")) == DRIVES
    assert cycle_names() == (*cycle_names("schedule"), *cycle_names("drive"))
    used = {recipe.get("file", recipe.get("operations")) for recipe in recipes().values()}
    assert used - {None} == {path.name for path in cycles_folder().glob("*.csv")}
    table = (cycles_folder() / "SOURCES.md").read_text()
    assert all(f"| `{name}` |" in table for name in cycle_names())


def test_kind_of_cycle_is_one_of_two():
    with pytest.raises(InputError, match="kind of cycle 'log': is unknown; give schedule or drive"):
        cycle_names("log")


@pytest.mark.parametrize("name", cycle_names())
def test_shipped_cycles_start_at_zero_and_last_whole_seconds(name):
    cycle = read_cycle(name)
    assert (cycle.name, cycle.time[0]) == (name, 0)
    assert cycle.title and cycle.source
    assert np.all(cycle.dt == 1)


@pytest.mark.parametrize("name", sorted(SCHEDULES))
def test_schedules_are_level_and_rest_at_both_ends(name):
    cycle = read_cycle(name)
    assert cycle.speed[0] == cycle.speed[-1] == 0 and not cycle.grade.any()


def test_drives_carry_the_licence_of_their_source():
    """The notice asks to be in all copies: beside the files, and named with each of them."""
    notice = (cycles_folder() / "LICENSE_real_drives.txt").read_text()
    assert "Copyright (c) 2024 Marie Hardt" in notice and "Permission is hereby granted" in notice
    assert "LICENSE_real_drives.txt" in (cycles_folder() / "SOURCES.md").read_text()
    assert all("(MIT)" in read_cycle(name).source for name in DRIVES)


def test_joined_cycles_hold_their_parts():
    nedc, udds, ftp = read_cycle("nedc"), read_cycle("udds"), read_cycle("ftp75")
    assert np.array_equal(nedc.speed[585:781], read_cycle("ece15").speed)
    assert np.array_equal(nedc.speed[780:], read_cycle("eudc").speed)
    assert np.array_equal(ftp.speed[:1373], udds.speed)
    assert np.array_equal(ftp.speed[1372:], udds.speed[:506])


@pytest.mark.parametrize("name", ["wltc", "ude", "", "\0", "x" * 5000, "no/such.csv"])
def test_unknown_name_lists_names(name):
    with pytest.raises(InputError, match="is neither a shipped cycle nor a file; .*names are"):
        read_cycle(name)


def test_close_names_are_offered():
    with pytest.raises(InputError, match="close names are wltc_class3b"):
        read_cycle("wltc_clas3b")


def test_import_is_light():
    """The modules alone, without what the packages above them import."""
    bare = "import sys, types\n"
    for package in (hybridopt, hybridopt.inputs):
        name, path = package.__name__, list(package.__path__)
        bare += f"m = sys.modules[{name!r}] = types.ModuleType({name!r}); m.__path__ = {path!r}\n"
    code = bare + "import hybridopt.inputs.cycle; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = done.stdout.split()
    assert "numpy" in loaded and not {"pandas", "scipy", "xarray", "numba"} & set(loaded)


# --- reading files ---


@pytest.mark.parametrize("name", ["artemis_urban", "nedc"])
def test_round_trip(write, name):
    cycle = read_cycle(name)
    cycle = dataclasses.replace(cycle, grade=np.linspace(-0.1, 0.1, cycle.time.size))
    again = read_cycle(write(csv_of(cycle)))
    assert (again.name, again.source) == ("drive", "drive.csv")
    assert np.array_equal(again.time, cycle.time)
    np.testing.assert_allclose(again.speed, cycle.speed, rtol=1e-15)
    np.testing.assert_allclose(again.grade, cycle.grade, rtol=1e-15)


def test_file_in_every_allowed_dress(write):
    text = (
        "\ufeff# my drive; 3 points\r\n\r\nspeed_km_per_h , time_s,grade_percent\r\n"
        "0,-2.5, 1\r\n# a pause\r\n 36,0.25,-2,\r\n\r\n72,5,0\r\n\r\n,,\r\n"
    )
    cycle = read_cycle(write(text))
    assert cycle.time.tolist() == [-2.5, 0.25, 5]
    assert cycle.speed == pytest.approx([0, 10, 20])
    assert cycle.grade == pytest.approx([0.01, -0.02, 0])


def test_shipped_name_wins_over_a_file(write, monkeypatch):
    path = write(HEADER + "0,0\n5,5\n", "udds")
    monkeypatch.chdir(path.parent)
    assert read_cycle("udds").duration == 1372
    assert read_cycle("./udds").duration == 5


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "empty"),
        ("\n\n", "empty"),
        (HEADER, "has 0 rows of numbers; a cycle needs at least 2"),
        (HEADER + "0,0\n", "has 1 rows of numbers"),
        ("time_s,power\n0,1\n", "column speed_km_per_h is missing; the first line names 'time_s, "),
        ("speed_km_per_h\n0\n", "column time_s is missing; .* add it or rename"),
        ("time_s,speed_mps\n0,0\n", "speed_mps may be meant: multiply it by 3.6 and rename it to"),
        ("time_s,speed_m_per_s\n0,0\n", "speed_m_per_s may be meant: multiply it by 3.6"),
        ("time_s,speed_kmh\n0,0\n", "speed_kmh may be meant: if it is in km/h, rename it to speed"),
        ("Time,speed_km_per_h\n", "Time may be meant: if it is in seconds, rename it to time_s"),
        (
            "time_s speed_km_per_h\n0 0\n",
            "'time_s speed_km_per_h'; add it .* hybridopt cycle import",
        ),
        ("time_s,speed_km_per_h,time_s\n", "column time_s is there 2 times; keep one"),
        (HEADER + "0,0\n0,5,10,2\n", "line 3: has 4 cells but the header names 2; write decimals"),
        (HEADER + "0,0\n1\n", "line 3: speed_km_per_h is blank; write a finite number"),
        (HEADER + "0,0\n1,\n2,0\n", "line 3: speed_km_per_h is blank"),
        (HEADER + "# x\n0,0\n1,fast\n", "line 4: speed_km_per_h is 'fast'; write a finite number"),
        (HEADER + "0,0\nnan,1\n", "line 3: time_s is 'nan'; write a finite number"),
        (HEADER + "0,0\n1,inf\n", "line 3: speed_km_per_h is 'inf'"),
        (HEADER + "0,0\n2,1\n1,0\n", "line 4: time_s is 1; it must exceed the time before it"),
        (HEADER + "0,0\n0,1\n", "line 3: time_s is 0; it must exceed the time before it"),
        (HEADER + "0,0\n1e300,1\n", "line 3: time_s is 1e.300; allowed is -1e.09 to 1e.09 s"),
        (HEADER + "0,0\n\n1,-2\n", "line 4: speed_km_per_h is -2; allowed is 0 to 500, so"),
        (HEADER + "0,0\n1,501\n", "line 3: speed_km_per_h is 501; allowed is 0 to 500, so"),
        (
            "time_s,speed_km_per_h,grade_percent\n0,0,0\n1,1,41\n",
            "line 3: grade_percent is 41; all",
        ),
        ("time_s,speed_km_per_h,grade_percent\n0,0,-41\n1,1,0\n", "allowed is -40 to 40, so"),
        (b"\xff\xfe\x00t\x00i", "UTF-8"),
        (b"time_s\0,speed_km_per_h\n", "text"),
    ],
)
def test_wrong_files_are_refused(write, content, message):
    path = write(content)
    with pytest.raises(InputError, match=message) as caught:
        read_cycle(path)
    assert str(caught.value).startswith(f"{path}: ") and "\n" not in str(caught.value)


def test_folder_and_absent_file_are_refused(tmp_path):
    for path in (tmp_path, tmp_path / "none.csv"):
        with pytest.raises(InputError, match="is not a file; give the path of a CSV file"):
            read_cycle_csv(path)


def test_too_large_file_is_refused(write, monkeypatch):
    monkeypatch.setattr(csv_table, "MAX_BYTES", 20)
    with pytest.raises(InputError, match="MB"):
        read_cycle(write(HEADER + "0,0\n1,1\n"))
    assert csv_table.MAX_BYTES == 20


@given(st.binary(max_size=300), st.sampled_from([b"", HEADER.encode(), HEADER.encode() + b"0,0\n"]))
@settings(deadline=None, max_examples=300)
def test_random_bytes_raise_only_input_errors(tmp_path_factory, content, head):
    path = tmp_path_factory.getbasetemp() / "random.csv"
    path.write_bytes(head + content)
    accept_or_refuse(path)


@given(st.text("0123456789.,-+eEn_ \r\n\t\"'#;aif\u2028\x1c", max_size=80))
@settings(deadline=None, max_examples=300)
def test_random_rows_raise_only_input_errors(tmp_path_factory, rows):
    path = tmp_path_factory.getbasetemp() / "rows.csv"
    path.write_bytes((HEADER + "0,0\n1,0\n" + rows).encode())
    accept_or_refuse(path)


def accept_or_refuse(path: Path):
    """Read a file: a cycle, an InputError or an InputWarning may come of it, nothing else."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", InputWarning)
        try:
            assert isinstance(read_cycle(path), Cycle)
        except InputError as error:
            assert str(error)


# --- warnings ---


def test_columns_not_read_are_named(write):
    path = write("time_s,speed_km_per_h,slope,rpm\n0,0,0,0\n1,1,1,1\n")
    with pytest.warns(InputWarning, match="columns not read: 'slope, rpm'; read are time_s") as got:
        read_cycle_csv(path)
    assert got[0].filename == __file__


@pytest.mark.parametrize("name", sorted(SCHEDULES))
def test_m_per_s_under_km_per_h_is_noticed_on_every_schedule(write, name):
    cycle = read_cycle(name)
    assert read_cycle_csv(write(csv_of(cycle))).distance == pytest.approx(cycle.distance)
    with pytest.warns(InputWarning, match="if the values are in m/s, multiply them by 3.6") as got:
        read_cycle_csv(write(csv_of(cycle, 1.0)))
    assert got[0].filename == __file__


@pytest.mark.parametrize("name", sorted(DRIVES))
def test_m_per_s_under_km_per_h_is_noticed_on_every_drive(write, name):
    cycle = read_cycle(name)
    assert read_cycle_csv(write(csv_of(cycle))).distance == pytest.approx(cycle.distance)
    with pytest.warns(InputWarning, match="in m/s, (multiply them )?by 3.6"):
        read_cycle_csv(write(csv_of(cycle, 1.0)))


@pytest.mark.parametrize(
    ("name", "start", "stop"),
    [
        *(("wltc_class3b", 11, 99), ("udds", 510, 680), ("ece15", 0, 96)),
        *(("artemis_urban", 577, 988), ("artemis_urban", 704, 824)),
    ],
)
def test_slow_town_trips_are_not_suspected(write, name, start, stop):
    trip = read_cycle(name).cut(start, stop)
    assert trip.max_speed * 3.6 < 45
    read_cycle_csv(write(csv_of(trip)))


@pytest.mark.parametrize(
    "rows",
    [
        "0,30\n100,30\n",  # steady, no rest in it
        "0,0\n5,20\n",  # short
        "".join(f"{5 * i},{30 * (i % 2)}\n" for i in range(30)),  # coarse
        "".join(f"{i},0\n" for i in range(100)),  # at rest
    ],
)
def test_too_little_evidence_gives_no_warning(write, rows, recwarn):
    cycle = read_cycle_csv(write(HEADER + rows))
    assert cycle.time.size == rows.count("\n") and not recwarn.list


@pytest.mark.parametrize("name", ["wltc_class3b", "udds", "hwfet", "nedc", "artemis_rural"])
def test_double_conversion_is_noticed(write, name):
    with pytest.warns(InputWarning, match="reaches .* km/h and changes by up to .* m/s2; check"):
        read_cycle_csv(write(csv_of(read_cycle(name), 3.6 * 3.6)))


def test_jump_in_the_recording_is_noticed(write):
    with pytest.warns(InputWarning, match="reaches 90 km/h and changes by up to 25.0 m/s2"):
        read_cycle_csv(write(HEADER + "0,90\n1,0\n2,90\n"))


def test_semicolons_tabs_and_decimal_commas(write):
    """As spreadsheets of half of Europe save a table."""
    text = "time_s;speed_km_per_h;grade_percent;\n0;0;1,5\n2,5;9,0;-0,5;\n"
    for delimiter in ";\t":
        cycle = read_cycle_csv(write(text.replace(";", delimiter)))
        assert cycle.time.tolist() == [0, 2.5] and cycle.speed == pytest.approx([0, 2.5])
        assert cycle.grade == pytest.approx([0.015, -0.005])


# --- slips that pass for physics ---

WHOLE = ("wltc_class3b", "udds", "hwfet", "nedc", "artemis_urban", "artemis_rural")


def slipped(name, **factors):
    """Return the CSV text of a schedule on hills of 6 %, its columns in other units."""
    cycle = read_cycle(name)
    waves = 0.06 * np.sin(np.linspace(0, 40, cycle.time.size))
    columns = {"time": cycle.time, "speed": cycle.speed * 3.6, "grade": waves * 100}
    rows = zip(*(columns[key] * factors.get(key, 1.0) for key in columns), strict=True)
    lines = [f"{t:.9g},{v:.9g},{g:.9g}\n" for t, v, g in rows]
    return HEADER[:-1] + ",grade_percent\n" + "".join(lines)


@pytest.mark.parametrize("name", [*WHOLE, "artemis_motorway150", "wltc_class2", "ftp75"])
def test_a_cycle_without_slips_is_read_without_a_word(write, name):
    read_cycle_csv(write(slipped(name)))


@pytest.mark.parametrize("name", WHOLE)
@pytest.mark.parametrize(
    ("factors", "words"),
    [
        (
            {"time": 1000.0},
            r"steps longer than 5 s in which speed changes: \d+, the longest 1000 s",
        ),
        ({"time": 3600.0}, "the longest 3600 s"),
        ({"grade": 0.01}, "every grade lies within 0.06 %; if the values are rise over run, multi"),
    ],
)
def test_slips_of_time_and_grade_are_said_with_the_figure(write, name, factors, words):
    with pytest.warns(InputWarning, match=words):
        read_cycle_csv(write(slipped(name, **factors)))


@pytest.mark.parametrize("name", [*WHOLE[:4], "artemis_rural", "artemis_motorway130"])
def test_mph_under_km_h_is_said(write, name):
    """A mile is 1.609344 km. The limit is of Regulation (EU) 2016/646, see its function; the town
    drives artemis_urban stay above it even in mph.
    """
    with pytest.warns(InputWarning, match="real drives at this speed have 0.* in mph, multiply"):
        read_cycle_csv(write(slipped(name, speed=1 / 1.609344)))


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("0,0\n1,30\n2,60\n", "changes by up to 8.3 m/s2"),
        ("0,90\n1,45\n2,0\n", "changes by up to 12.5 m/s2"),
        ("".join(f"{i},{10 * i}\n" for i in range(27)), "reaches 260 km/h"),
    ],
)
def test_what_nobody_drives_is_said(write, rows, words):
    with pytest.warns(InputWarning, match=words):
        read_cycle_csv(write(HEADER + rows))


def test_what_sports_cars_drive_is_not(write):
    """20 km/h a second, and 240 km/h: 5.6 m/s2."""
    read_cycle_csv(write(HEADER + "".join(f"{i},{20 * i}\n" for i in range(13))))
