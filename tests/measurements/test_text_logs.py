"""Text logs in every usual shape give the same drive; what is no log is refused."""

import tracemalloc
from datetime import UTC, datetime, timedelta, timezone

import pytest
from log_makers import LENGTH, assert_the_drive, rows, speed_at, stamps, text

from hybridopt.base.errors import InputError
from hybridopt.measurements import log_files as log_module
from hybridopt.measurements import text_lines, text_log
from hybridopt.measurements.channels import ColumnRequest
from hybridopt.measurements.drive import import_drive
from hybridopt.measurements.log import Journal
from hybridopt.measurements.log_files import open_log


def names(drive):
    return {one.name: one.count for one in drive.done}


@pytest.mark.long
@pytest.mark.parametrize("rate", [1, 5, 10, 50])
@pytest.mark.parametrize(
    ("delimiter", "comma"),
    [
        (",", False),
        (";", False),
        (";", True),
        ("\t", False),
        ("\t", True),
        ("|", False),
        (" ", False),
        ("   ", True),
    ],
)
def test_delimiter_and_decimal_sign_are_found(imported, rate, delimiter, comma):
    head = ("time_s", "speed_km_per_h")
    drive = imported(text(rows(stamps(rate)), head, delimiter, comma))
    assert_the_drive(drive)
    assert f"decimal {'comma' if comma else 'point'}" in drive.log.kind


@pytest.mark.parametrize(
    ("encoding", "word"),
    [
        ("utf-8", "utf-8 "),
        ("utf-8-sig", "utf-8-sig"),
        ("utf-16", "utf-16 "),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("utf-32", "utf-32"),
        ("latin-1", "latin-1"),
    ],
)
def test_encoding_is_found_and_said(imported, encoding, word):
    content = text(rows(stamps()), ("time [s]", "speed [km/h]"))
    content = "# Höhe über Grün\n" + content
    drive = imported(content, encoding=encoding)
    assert_the_drive(drive)
    assert drive.log.kind.startswith(word)


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_line_ends(imported, ends):
    assert_the_drive(imported(text(rows(stamps())).replace("\n", ends)))


def test_two_columns_under_header_lines_as_emission_agencies_publish_them(imported):
    """Layout of the US EPA's drive schedules: title, names with units, tabs, mph."""
    cells = [[f"{t:.0f}", f"{speed_at(t) * 3600 / 1609.344:.3f}"] for t in stamps(1)]
    body = text(cells, ("Test Time, secs", "Target Speed, mph"), "\t")
    drive = imported("Made Up Driving Schedule (MUDS)\n\n" + body)
    assert_the_drive(drive)
    assert drive.choices["speed"].unit.sign == "mph"


def test_units_in_a_row_of_their_own_and_other_columns(imported):
    cells = [[t, "D", v, ""] for t, v in rows(stamps())]
    head = "comment;by hand\nt;gear;Vehicle Speed;note\n[s];[-];[km/h];[]\n"
    drive = imported(head + text(cells, (), ";", True))
    assert_the_drive(drive)
    assert drive.choices["speed"].column.name == "Vehicle Speed"


def test_no_header_needs_names(write, imported):
    path = write(text(rows(stamps()), ()))
    with pytest.raises(InputError, match="--channel time=NAME; columns: column 1, column 2"):
        import_drive(path)
    channels = {"time": ColumnRequest("column 1", "s"), "speed": ColumnRequest("column 2", "km/h")}
    assert_the_drive(imported(text(rows(stamps()), ()), channels))


def iso(zone, form):
    begin = datetime(2024, 3, 31, 1, 58, tzinfo=UTC)  # two minutes before a change of summer time
    moments = [(begin + timedelta(seconds=float(t))).astimezone(zone) for t in stamps()]
    return [[form(moment), cells[1]] for moment, cells in zip(moments, rows(stamps()), strict=True)]


@pytest.mark.parametrize(
    "form",
    [
        lambda m: m.isoformat(),
        lambda m: m.isoformat(" ", "milliseconds"),
        lambda m: m.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        lambda m: m.replace(tzinfo=None).isoformat(),
        lambda m: m.strftime("%H:%M:%S.%f"),
    ],
)
def test_dates_and_clock_times(imported, form):
    drive = imported(text(iso(timezone(timedelta(hours=1)), form), ("time", "speed [km/h]")))
    assert_the_drive(drive)


def test_clock_passes_midnight(imported):
    seconds = (stamps() + 86_400 - 100) % 86_400
    cells = [
        [f"{int(s // 3600):02}:{int(s // 60) % 60:02}:{s % 60:06.3f}", row[1]]
        for s, row in zip(seconds, rows(stamps()), strict=True)
    ]
    drive = imported(text(cells, ("time", "speed [km/h]")))
    assert_the_drive(drive)
    assert "midnight passed 1 times" in drive.done[0].text


@pytest.mark.parametrize(
    ("factor", "unit"), [(1e3, "ms"), (1e6, "us"), (1 / 60, "min"), (1 / 3600, "h")]
)
def test_units_of_time(imported, factor, unit):
    cells = [
        [repr(float(t * factor)), row[1]] for t, row in zip(stamps(), rows(stamps()), strict=True)
    ]
    assert_the_drive(imported(text(cells, (f"time [{unit}]", "speed [km/h]"))))
    channels = {"time": ColumnRequest("time", unit)}
    assert_the_drive(imported(text(cells, ("time", "speed [km/h]")), channels))


def test_milliseconds_since_1970_need_no_unit(imported):
    cells = [
        [f"{1.7e12 + 1e3 * t:.0f}", row[1]] for t, row in zip(stamps(), rows(stamps()), strict=True)
    ]
    drive = imported(text(cells, ("timestamp", "speed [km/h]")))
    assert_the_drive(drive)
    assert "taken as ms since 1970" in drive.done[0].text


@pytest.mark.long
@pytest.mark.parametrize("rate", [10, 1000])
def test_a_bare_time_that_cannot_be_seconds_is_refused(imported, rate):
    cells = [
        [f"{1000 * t:.0f}", row[1]] for t, row in zip(stamps(rate), rows(stamps(rate)), strict=True)
    ]
    with pytest.raises(InputError, match="unit"):
        imported(text(cells, ("time", "speed [km/h]")))


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("km/h", 3.6), ("kph", 3.6), ("m/s", 1), ("mph", 3600 / 1609.344), ("knots", 3600 / 1852)],
)
def test_units_of_speed(imported, unit, factor):
    """Mile 1609.344 m and nautical mile 1852 m by definition."""
    cells = [[f"{t:.1f}", f"{speed_at(t) * factor:.4f}"] for t in stamps()]
    assert_the_drive(imported(text(cells, ("time [s]", f"speed [{unit}]"))))


def test_blank_cells_of_mixed_rasters(imported):
    """Speed at 10 Hz, altitude at 1 Hz, each with blanks where the other is logged."""
    cells = [[t, v, "" if i % 10 else "120.0"] for i, (t, v) in enumerate(rows(stamps()))]
    between = [[f"{t + 0.05:.3f}", "", "120.0"] for t in stamps(1)[:-1]]
    cells = sorted(cells + between, key=lambda row: float(row[0]))
    drive = imported(text(cells, ("time [s]", "speed [km/h]", "altitude [m]")))
    assert_the_drive(drive)
    assert names(drive)["speed_blank"] == 240
    assert not drive.cycle.grade.any()


def test_unreadable_cells_are_dropped_and_told(imported):
    cells = rows(stamps())
    cells[500][1], cells[900][1] = "ERROR", "1e"
    drive = imported(text(cells))
    assert_the_drive(drive)
    assert names(drive)["speed_unreadable"] == 2
    assert any("first 'ERROR' in line 502" in one.text for one in drive.done)


def test_repeated_header_in_the_middle(imported):
    cells = rows(stamps())
    cells.insert(1000, ["time [s]", "speed [km/h]"])
    assert_the_drive(imported(text(cells)))


def test_quoted_cells(imported):
    cells = [[f'"{t}"', f'"{v.replace(".", ",")}"'] for t, v in rows(stamps(1), 0)]
    drive = imported(text(cells))
    assert drive.cycle.distance == pytest.approx(LENGTH, rel=5e-3)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"\n\n \n", "is empty"),
        (b"hello world\nthis is no log\n", "holds no table of numbers"),
        (bytes(range(256)) * 40, "is neither text nor MDF"),
        (b"\x89PNG\r\n\x1a\n" + b"\0\1\2\3" * 500, "is neither text nor MDF"),
        (b"PK\3\4" + b"\x93\x01\x02" * 500, "is neither text nor MDF"),
        (b"\x1f\x8b\x08\0" + b"\x93\x01\x02" * 500, "is neither text nor MDF"),
        ("t [s],v\n0,0\n1,1\n2,2\n", "has no unit"),
        ("t [s],v [bar]\n0,0\n1,1\n2,2\n", "has the unit 'bar', which is none of speed"),
        ("t [s],rpm\n0,0\n1,1\n2,2\n", "no column is called vehicle speed or speed or v"),
        ("t [s],v [m/s],v [m/s]\n0,0,0\n1,1,2\n2,2,2\n", "2 columns may be the speed"),
        ("t [s],v [m/s]\n0,0\n1,1\n2,2\n", "no stretch of 5 s or more"),
        ("t [s],v [m/s]\n" + "".join(f"{t},-9\n" for t in range(9)), "the sign or the channel"),
        ("t,v [m/s]\n" + "2024-01-01T00:00:00,0\n2024-01-01T00:00:01Z,1\n" * 5, "mixes"),
        ("t [s],v [m/s]\n0,0\n1,x\n2,y\n3,z\n4,w\n5,3\n", "are no numbers"),
        ("t [s],v [m/s]\n" + "1,2" * 100_000, "is longer than 200000 characters"),
        ("t [s],v [m/s]\n" + "".join(f"{t},0\n" for t in range(9)), ""),
    ],
)
def test_refusals_are_one_sentence_with_the_file(write, content, words):
    path = write(content)
    if not words:
        assert import_drive(path).cycle.distance == 0.0  # at rest throughout is a drive
        return
    with pytest.raises(InputError, match=words) as caught:
        import_drive(path)
    assert str(caught.value).startswith(str(path)) and "\n" not in str(caught.value)


def test_absent_file_folder_and_device_are_refused(tmp_path):
    for path in (tmp_path, tmp_path / "none.csv", tmp_path / ("x" * 5000)):
        with pytest.raises(InputError, match="is a folder|cannot be read"):
            open_log(path)


def test_limits_of_size(write, monkeypatch):
    path = write(text(rows(stamps())))
    monkeypatch.setattr(log_module, "MAX_BYTES", 1000)
    with pytest.raises(InputError, match="at most 0.001 MB is read"):
        import_drive(path)
    monkeypatch.undo()
    monkeypatch.setattr(text_log, "MAX_ROWS", 100)
    with pytest.raises(InputError, match="has more than 100 rows"):
        import_drive(path)


def test_a_huge_log_is_read_as_a_stream(write, monkeypatch):
    """Lines are asked for one by one; never the whole text."""
    held = []
    usual = text_lines.read_lines

    def counted(path, encoding):
        for line in usual(path, encoding):
            held.append(len(line))
            yield line

    monkeypatch.setattr(text_log, "read_lines", counted)
    path = write(
        text(
            [["0", "0", "x" * 1000]] + [[t, v, "x" * 1000] for t, v in rows(stamps())],
            ("time [s]", "speed [km/h]", "x"),
        )
    )
    assert_the_drive(import_drive(path))
    assert max(held) < 1100


def test_reading_a_log_takes_no_memory_for_its_text(write):
    """24 MB of text are read in 2 MB: the peak of the read alone."""
    filler = "x" * 10_000
    path = write(
        text([[str(t), "36", filler] for t in range(2400)], ("time [s]", "speed [km/h]", "x"))
    )
    log = open_log(path)
    tracemalloc.start()
    log.read(dict(zip(("time", "speed"), log.columns, strict=False)), "", Journal())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 2e6 < path.stat().st_size / 10


def test_one_faulty_stamp_among_many_blank_ones_is_dropped(write):
    """Rows without a stamp are dropped; a trailing END is one fault in 121 stamps, not in none."""
    cells = [[str(t), "36", ""] for t in range(60)] + [["", "36", ""]] * 60 + [["END", "", ""]]
    samples, done = read_all(write(text(cells, ("time [s]", "speed [km/h]", "x"))))
    assert samples["speed"].time.size == 60
    assert {step.name: step.count for step in done}["rows_without_time"] == 61


def test_a_wrong_unit_of_time_is_one_sentence(write):
    cells = [[f"{t}e10", "36", ""] for t in range(60)]
    with pytest.raises(InputError, match="state the unit of time"):
        import_drive(write(text(cells, ("time [s]", "speed [km/h]", "x"))))


def read_all(path):
    log = open_log(path)
    done = Journal()
    return log.read(dict(zip(("time", "speed"), log.columns, strict=False)), "", done), done


def test_names_with_control_characters_are_shown_without(imported):
    cells = [[t, v, "1"] for t, v in rows(stamps())]
    with pytest.raises(InputError) as caught:
        imported(text(cells, ("time [s]", "\x1b]0;xrot", "=cmd()")))
    assert "\x1b" not in str(caught.value) and "=cmd()" in str(caught.value)
