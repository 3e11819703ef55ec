"""Time stamps to seconds: numbers, dates (against the standard library), clock times, units."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from hybridopt.base.errors import InputError
from hybridopt.measurements.time_stamps import StampReader, number, to_seconds

NEW_YEAR = datetime(2024, 1, 1, tzinfo=UTC).timestamp()


def read(*cells, decimal=".", stated=""):
    reader = StampReader(decimal)
    stamps = np.array([reader.seconds(cell) for cell in cells])
    return to_seconds(Path("x.csv"), "t", stamps, reader, stated)


@pytest.mark.parametrize(
    ("cell", "second", "kind"),
    [
        ("12.5", 12.5, "number"),
        ("-1e3", -1000.0, "number"),
        ("2024-01-01T00:00:00Z", NEW_YEAR, "zoned"),
        ("2024-01-01T01:00:00.250+01:00", NEW_YEAR + 0.25, "zoned"),
        ("2024-01-01 00:00:00.000001", NEW_YEAR + 1e-6, "local"),
        ("2024-01-01", NEW_YEAR, "local"),
        ("1969-12-31T23:59:59Z", -1.0, "zoned"),
        ("1:02:03", 3723.0, "clock"),
        ("23:59:59,75", 86_399.75, "clock"),
    ],
)
def test_cell(cell, second, kind):
    reader = StampReader(".")
    assert reader.seconds(cell) == pytest.approx(second, abs=1e-7)
    assert reader.kinds == {kind}


@pytest.mark.parametrize(
    "cell", ["", "x", "nan", "inf", "1_000", "24-01-01", "2024-13-01", "1:2:3", "2024-01-01T25:00"]
)
def test_cell_that_is_no_stamp(cell):
    with pytest.raises(ValueError):
        StampReader(".").seconds(cell)


def test_decimal_comma():
    assert number("1,5", ",") == 1.5
    for cell, decimal in (("1.5", ","), ("1,5", ".")):
        with pytest.raises(ValueError):
            number(cell, decimal)


def test_days_are_counted_where_the_clock_passes_midnight():
    seconds, text = read("23:59:59", "00:00:01", "12:00:00", "11:59:59", "23:00:00", "0:00:00")
    assert np.diff(seconds).tolist() == [2.0, 43_199.0, -1.0, 39_601.0, 3600.0]
    assert text == "clock time -> s, midnight passed 2 times"


@pytest.mark.parametrize(
    ("cells", "stated", "seconds", "text"),
    [
        (("0", "100"), "ms", [0.0, 0.1], "ms -> s"),
        (("1", "2"), "min", [60.0, 120.0], "min -> s"),
        (("0", "0.5", "1"), "", [0.0, 0.5, 1.0], "no unit stated; taken as s"),
        (("1.7e12", "1.7e12"), "", [1.7e9, 1.7e9], "no unit stated; taken as ms since 1970 -> s"),
        (("0:00:01", "0:00:02"), "ms", [1.0, 2.0], "clock time -> s"),
    ],
)
def test_units(cells, stated, seconds, text):
    found, said = read(*cells, stated=stated)
    assert found.tolist() == pytest.approx(seconds) and said == text


@pytest.mark.parametrize(
    ("cells", "stated", "words"),
    [
        (("1", "2024-01-01"), "", "mixes ISO dates without zone and numbers"),
        (("2024-01-01", "2024-01-01T00:00Z"), "", "mixes ISO dates with zone and ISO dates with"),
        (("0", "10", "20"), "", "states no unit and usually steps by 10; give it"),
        (("0", "1"), "km/h", "has the unit 'km/h', which is none of time"),
    ],
)
def test_refusals(cells, stated, words):
    with pytest.raises(InputError, match=words):
        read(*cells, stated=stated)
