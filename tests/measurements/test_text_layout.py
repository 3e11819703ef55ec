"""Delimiter, decimal sign, header and units of a text log, each found from its first lines."""

import pytest

from hybridopt.base.errors import InputError
from hybridopt.measurements.text_layout import find_layout
from hybridopt.measurements.text_lines import split_line


@pytest.mark.parametrize(
    ("content", "delimiter", "decimal", "names", "units", "first"),
    [
        ("a,b\n0.5,1\n1.5,2\n", ",", ".", ("a", "b"), ("", ""), 1),
        ("a;b\n0,5;1\n1,5;2\n", ";", ",", ("a", "b"), ("", ""), 1),
        ("a\tb\n0,5\t1\n1,5\t2\n", "\t", ",", ("a", "b"), ("", ""), 1),
        ("0.5|1\n1.5|2\n", "|", ".", ("", ""), ("", ""), 0),
        ("a b\n 0,5   1\n1,5 2\n", " ", ",", ("a", "b"), ("", ""), 1),
        ("a,b\n[s],[km/h]\n0,1\n1,2\n", ",", ".", ("a", "b"), ("s", "km/h"), 2),
        ("a,b\ns,km/h\n0,1\n1,2\n", ",", ".", ("a", "b"), ("s", "km/h"), 2),
        ("by hand\n\na,b\n0,1\n1,2\n", ",", ".", ("a", "b"), ("", ""), 3),
        ("a;b\n0 1\n1 2\n", " ", ".", ("a", "b"), ("", ""), 1),
        ("a,b,c\n0,D,1\n1,D,2\n", ",", ".", ("a", "b", "c"), ("", "", ""), 1),
        ("a;b\n12:00:01,5;1\n12:00:02,5;2\n", ";", ".", ("a", "b"), ("", ""), 1),
        (
            "a,b\n2024-01-01T00:00:00Z,1\n2024-01-01T00:00:01Z,2\n",
            ",",
            ".",
            ("a", "b"),
            ("", ""),
            1,
        ),
        ('a,b\n"0,5","1,5"\n"1,5","2,5"\n', ",", ",", ("a", "b"), ("", ""), 1),
    ],
)
def test_layout(write, content, delimiter, decimal, names, units, first):
    layout = find_layout(write(content))
    assert (layout.delimiter, layout.decimal, layout.first) == (delimiter, decimal, first)
    assert (layout.names, layout.units) == (names, units)


def test_rows_of_words_make_no_table(write):
    with pytest.raises(InputError, match="holds no table of numbers in its first 3 lines"):
        find_layout(write("a,b\nred,blue\n1,2\n"))


@pytest.mark.parametrize(
    ("line", "delimiter", "cells"),
    [
        (" 1 ; 2,5;\n", ";", ["1", "2,5", ""]),
        ("  1   2 \n", " ", ["1", "2"]),
        ('"a,b","say ""x""",3\n', ",", ["a,b", 'say "x"', "3"]),
    ],
)
def test_cells_of_a_line(line, delimiter, cells):
    assert split_line(line, delimiter) == cells
