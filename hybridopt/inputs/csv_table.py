"""Plain CSV tables with named columns of numbers, and the words for what is wrong in them."""

import csv
import io
import math
from pathlib import Path

import numpy as np

from ..errors import InputError

MAX_BYTES = 200_000_000


def read_columns(
    path: Path, required: list[str], optional: tuple[str, ...] = ()
) -> tuple[dict[str, np.ndarray], list[int]]:
    """Read numeric columns of a CSV file by name.

    UTF-8 (a byte-order mark is allowed), comma-separated, one header row, one line per row.
    Blank lines, lines that begin with `#` and rows of commas at the end are passed over; other
    columns are ignored.

    Parameters
    ----------
    path
        The file.
    required, optional
        Names of the columns to read.

    Returns
    -------
    columns : dict of float64 arrays, shape (rows,)
    lines : list of int
        Line number in the file of each row, for messages.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing or there twice, a row has more cells than
        the header, or a value is not a finite number.
    """
    header, rows = _rows(path)
    for name in required:
        if name not in header:
            raise InputError(
                f"{path}: column {name} is missing (found: {', '.join(header)}); "
                f"add it or rename the column that holds it"
            )
    names = [*required, *(name for name in optional if name in header)]
    for name in names:
        if header.count(name) > 1:
            raise InputError(f"{path}: column {name} is there {header.count(name)} times; keep one")
    index = {name: header.index(name) for name in names}
    columns = {name: np.empty(len(rows)) for name in names}
    for i, (line, cells) in enumerate(rows):
        if any(cells[len(header) :]):
            raise InputError(
                f"{path}: line {line}: has {len(cells)} cells but the header names "
                f"{len(header)}; write decimals with a point and one cell per column"
            )
        for name in names:
            columns[name][i] = _number(path, line, name, cells, index[name])
    return columns, [line for line, _ in rows]


def read_header(path: Path) -> list[str]:
    """Return the names in the header row of a CSV file, without blank cells at its end.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    return _rows(path)[0]


def _rows(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Return the header and each row with its line number, cells stripped of blanks."""
    rows = []
    for number, line in enumerate(io.StringIO(read_text(path), newline=None), start=1):
        if not line.strip() or line.lstrip(' \t"').startswith("#"):
            continue
        try:
            cells = next(csv.reader([line], strict=True))
        except csv.Error as error:
            raise InputError(f"{path}: line {number}: not readable as CSV ({error})") from None
        rows.append((number, [cell.strip() for cell in cells]))
    while rows and not any(rows[-1][1]):
        rows.pop()
    if not rows:
        raise InputError(f"{path}: the file is empty; it needs a header row and rows of numbers")
    header = rows[0][1]
    while header and not header[-1]:
        header.pop()
    return header, rows[1:]


def read_text(path: Path) -> str:
    """Return the text of a UTF-8 file.

    Raises
    ------
    InputError
        The file is absent, too large, unreadable or not UTF-8 text.
    """
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise InputError(
                f"{path}: is {size / 1e6:.0f} MB; at most {MAX_BYTES / 1e6:.0f} MB is read"
            )
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: byte {error.start} is not UTF-8 text; save it as UTF-8"
        ) from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from None
    if "\0" in text:
        raise InputError(f"{path}: holds zero bytes, so it is not a text file; give a text file")
    return text


def _number(path: Path, line: int, name: str, cells: list[str], column: int) -> float:
    cell = cells[column] if column < len(cells) else ""
    try:
        value = math.nan if "_" in cell else float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        shown = repr(cell[:40]) if cell else "blank"
        raise InputError(f"{path}: line {line}: {name} is {shown}; write a finite number")
    return value
