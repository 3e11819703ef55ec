"""Plain text tables for the terminal."""

import math
import os
import shutil
import sys
import textwrap
from collections.abc import Sequence

from ..base.words import fixed

NARROWEST = 20  # characters the last column always gets


def table(header: Sequence[str], rows: Sequence[Sequence[str]], width: int | None = None) -> str:
    """Lay out rows of text in columns; numbers to the right, words to the left.

    Parameters
    ----------
    header, rows
        Cells; all rows are as long as the header.
    width
        Characters per line; the last column is wrapped to fit. None does not wrap.

    Returns
    -------
    str
        Lines without trailing blanks.
    """
    lines = [list(header), *map(list, rows)]
    sizes = [max(len(line[i]) for line in lines) for i in range(len(header) - 1)]
    right = [bool(rows) and all(_is_number(row[i]) for row in rows) for i in range(len(sizes))]
    indent = sum(sizes) + 2 * len(sizes)
    room = None if width is None else max(width - indent, NARROWEST)
    text = []
    for line in lines:
        cells = [
            cell.rjust(size) if is_number else cell.ljust(size)
            for cell, size, is_number in zip(line[:-1], sizes, right, strict=True)
        ]
        last = [line[-1]] if room is None else textwrap.wrap(line[-1], room) or [""]
        text.append("  ".join([*cells, last[0]]).rstrip())
        text.extend(" " * indent + piece for piece in last[1:])
    return "\n".join(text)


def terminal_width() -> int | None:
    """Return the width of the terminal, or None when the output goes elsewhere."""
    if sys.stdout.isatty() or "COLUMNS" in os.environ:
        return shutil.get_terminal_size().columns
    return None


def _is_number(cell: str) -> bool:
    return cell.replace(".", "", 1).isdigit()


def number(value: float | None, digits: int) -> str:
    """Return a number with so many digits behind the point, "-" where it is not known."""
    if value is None or math.isnan(value):
        return "-"
    return fixed(value, digits)
