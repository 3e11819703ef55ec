"""How a text log is laid out: delimiter, decimal sign, header and units."""

import re
from collections import Counter
from dataclasses import dataclass
from itertools import islice, product
from pathlib import Path

from ..base.errors import InputError
from .dates import is_stamp
from .text_lines import find_encoding, read_lines, split_line
from .units import is_unit

SAMPLE_LINES = 400
OTHER_UNITS = frozenset(
    "rpm 1/min min-1 /min rad/s °c degc deg c °f k kpa pa bar mbar hpa v mv a ma ah kw w nm n g/s "
    "kg/h utc iso g/h l/h g km mi hz l % deg ° m/s2 m/s^2 g/km bool enum count counts".split()
)
"""Units of what else loggers write, in lower case: they tell units from names in a row."""
TYPES = frozenset(
    "float float32 float64 double single int int8 int16 int32 int64 uint8 uint16 uint32 uint64 "
    "integer long short byte real number numeric string text bool boolean enum datetime".split()
)
"""Words of a row that tells how values are stored."""
DELIMITERS = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "blank"}
_NUMBER = {
    sign: re.compile(rf"[+-]?(\d+({re.escape(sign)}\d*)?|{re.escape(sign)}\d+)([eE][+-]?\d+)?")
    for sign in (".", ",")
}


@dataclass(frozen=True)
class TextLayout:
    """Layout of a text log.

    Attributes
    ----------
    encoding, delimiter, decimal
        As found; a delimiter of one blank stands for any run of blanks.
    names, units
        One per column, "" where there is none.
    first
        Number of lines before the first row of numbers.
    traits
        Of each column: whether the lines looked at hold no value of it, and whether they hold whole
        numbers up to 255 only.
    """

    encoding: str
    delimiter: str
    decimal: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    first: int
    traits: tuple[tuple[bool, bool], ...]

    @property
    def text(self) -> str:
        """The layout in words."""
        sign = "comma" if self.decimal == "," else "point"
        head = "" if any(self.names) else ", no header"
        return f"{self.encoding} text, {DELIMITERS[self.delimiter]}-separated, decimal {sign}{head}"


def find_layout(path: Path) -> TextLayout:
    """Find the layout of a text log from its first lines.

    Raises
    ------
    InputError
        The file is not text, or holds no table of at least two columns of numbers.
    """
    encoding = find_encoding(path)
    lines = list(islice(read_lines(path, encoding), SAMPLE_LINES))
    if not any(line.strip() for line in lines):
        raise InputError(f"{path}: is empty; give a log with columns of numbers")
    best, chosen = (0, 0, 0), None
    for delimiter, decimal in product(DELIMITERS, ".,"):
        rows = [split_line(line, delimiter) for line in lines]
        values = [_count_values(cells, decimal) for cells in rows]
        widths = Counter(len(cells) for cells, n in zip(rows, values, strict=True) if n >= 2)
        width = max(widths, key=lambda w: (widths[w], w), default=0)
        fit = [n if len(c) == width else 0 for c, n in zip(rows, values, strict=True)]
        words = sum(sum(map(bool, c)) - n for c, n in zip(rows, fit, strict=True) if n)
        score = (sum(n >= 2 for n in fit), -words, sum(fit))
        if score > best:
            best, chosen = score, (delimiter, decimal, rows, width, fit)
    if chosen is None or best[0] < 2:
        raise InputError(
            f"{path}: holds no table of numbers in its first {len(lines)} lines; a log needs a "
            "column of time and one of speed, separated by tab, semicolon, bar, comma or blanks"
        )
    delimiter, decimal, rows, width, fit = chosen
    first = next(i for i, n in enumerate(fit) if n >= 2)
    above = [cells for cells in rows[:first] if any(cells) and not _is_types_row(cells)]
    names, units = _header(above, width)
    table = [cells for cells, n in zip(rows, fit, strict=True) if n]
    traits = tuple(_traits([cells[i] for cells in table], decimal) for i in range(width))
    return TextLayout(encoding, delimiter, decimal, names, units, first, traits)


def _count_values(cells: list[str], decimal: str) -> int:
    """Return how many cells are numbers or time stamps, 0 when words outnumber them."""
    filled = [cell for cell in cells if cell]
    values = sum(_is_value(cell, decimal) for cell in filled)
    return values if 2 * values >= len(filled) else 0


def _is_value(cell: str, decimal: str) -> bool:
    return bool(_NUMBER[decimal].fullmatch(cell)) or is_stamp(cell)


def _traits(column: list[str], decimal: str) -> tuple[bool, bool]:
    """Return whether a column holds no value, and whether only whole numbers from 0 to 255."""
    values = [cell for cell in column if _is_value(cell, decimal)]
    whole = all(
        len(cell) <= 3 and cell.isascii() and cell.isdigit() and int(cell) <= 255 for cell in values
    )
    return not values, bool(values) and whole


def _header(above: list[list[str]], width: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return names and units, one per column, from the rows above the numbers."""
    names: list[str] = []
    units: list[str] = []
    if above and _is_units_row(above[-1]):
        units = [cell.strip("[](){} ") for cell in above.pop()]
    if above and len(above[-1]) >= min(width, 2):
        names = above[-1]
    elif above and width >= 2 and len(above[-1]) == 1 and ";" in above[-1][0]:
        names = above[-1][0].split(";")
    blank = [""] * width
    return tuple((names + blank)[:width]), tuple((units + blank)[:width])


def _is_types_row(cells: list[str]) -> bool:
    return all(cell.lower() in TYPES for cell in cells if cell)


def _is_units_row(cells: list[str]) -> bool:
    """Return whether all cells are units or in brackets, and one a unit of a signal or in them."""
    filled = [cell for cell in cells if cell.strip("[](){} -")]
    units = [is_unit(c) or bool(re.fullmatch(r"[\[({].*[\])}]", c)) for c in filled]
    others = [cell.lower() in OTHER_UNITS for cell in filled]
    return any(units) and all(a or b for a, b in zip(units, others, strict=True))
