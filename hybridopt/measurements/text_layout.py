"""How a text log is laid out: delimiter, decimal sign, header and units."""

import re
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from ..base.errors import InputError
from .text_lines import find_encoding, read_lines, split_line
from .units import is_unit

SAMPLE_LINES = 400
DELIMITERS = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "blank"}
_STAMP = re.compile(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d.*)?|\d{1,2}:\d\d:\d\d([.,]\d+)?")
_NUMBER = {
    sign: re.compile(rf"[+-]?(\d+({re.escape(sign)}\d*)?|{re.escape(sign)}\d+)([eE][+-]?\d+)?")
    for sign in (".", ",")
}


@dataclass(frozen=True)
class Layout:
    """Layout of a text log.

    Attributes
    ----------
    encoding, delimiter, decimal
        As found; a delimiter of one blank stands for any run of blanks.
    names, units
        One per column, "" where there is none.
    first
        Number of lines before the first row of numbers.
    """

    encoding: str
    delimiter: str
    decimal: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    first: int

    @property
    def text(self) -> str:
        """The layout in words."""
        sign = "comma" if self.decimal == "," else "point"
        head = "" if any(self.names) else ", no header"
        return f"{self.encoding} text, {DELIMITERS[self.delimiter]}-separated, decimal {sign}{head}"


def find_layout(path: Path) -> Layout:
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
    for delimiter in DELIMITERS:
        rows = [split_line(line, delimiter) for line in lines]
        for decimal in (".", ","):
            figures = [_count_figures(cells, decimal) for cells in rows]
            width = _usual_width(rows, figures)
            fit = [n if len(c) == width else 0 for c, n in zip(rows, figures, strict=True)]
            words = sum(_filled(c) - n for c, n in zip(rows, fit, strict=True) if n)
            score = (sum(n >= 2 for n in fit), -words, sum(fit))
            if score > best:
                best, chosen = score, (delimiter, decimal, rows, fit, width)
    if chosen is None or best[0] < 2:
        raise InputError(
            f"{path}: holds no table of numbers in its first {len(lines)} lines; a log needs a "
            "column of time and one of speed, parted by tab, semicolon, bar, comma or blanks"
        )
    delimiter, decimal, rows, fit, width = chosen
    first = next(i for i, n in enumerate(fit) if n >= 2)
    names, units = _header(rows[:first], width)
    return Layout(encoding, delimiter, decimal, names, units, first)


def _count_figures(cells: list[str], decimal: str) -> int:
    """Return how many cells are numbers or time stamps, 0 when words outnumber them."""
    number = _NUMBER[decimal]
    filled = [cell for cell in cells if cell]
    figures = sum(bool(number.fullmatch(c) or _STAMP.fullmatch(c)) for c in filled)
    return figures if 2 * figures >= len(filled) else 0


def _filled(cells: list[str]) -> int:
    return sum(bool(cell) for cell in cells)


def _usual_width(rows: list[list[str]], figures: list[int]) -> int:
    widths = [len(cells) for cells, n in zip(rows, figures, strict=True) if n >= 2]
    return max(set(widths), key=lambda w: (widths.count(w), w)) if widths else 0


def _header(above: list[list[str]], width: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return names and units from the rows above the numbers."""
    above = [cells for cells in above if any(cells)]
    blank = [""] * width
    units = blank
    if above and _is_units_row(above[-1]):
        units = [cell.strip("[](){} ") for cell in above.pop()]
    names = blank
    if above and len(above[-1]) >= min(width, 2):
        names = above[-1]
    elif above and width >= 2 and len(above[-1]) == 1 and ";" in above[-1][0]:
        names = above[-1][0].split(";")
    return _fitted(names, width), _fitted(units, width)


def _is_units_row(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell.strip("[](){} -")]
    return bool(filled) and all(is_unit(c) or re.fullmatch(r"[\[({].*[\])}]", c) for c in filled)


def _fitted(cells: list[str], width: int) -> tuple[str, ...]:
    return tuple((cells + [""] * width)[:width])
