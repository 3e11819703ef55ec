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

    UTF-8 (a byte-order mark is allowed), comma-separated, one header row. Blank lines and
    lines that begin with `#` are passed over; other columns are ignored.

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
        The file cannot be read, a column is missing, or a value is not a finite number.
    """
    header, rows = _rows(path)
    for name in required:
        if name not in header:
            raise InputError(
                f"{path}: column {name} is missing (found: {', '.join(header)}); "
                f"add it or rename the column that holds it"
            )
    names = [*required, *(name for name in optional if name in header)]
    index = {name: header.index(name) for name in names}
    columns = {name: np.empty(len(rows)) for name in names}
    for i, (line, cells) in enumerate(rows):
        for name in names:
            columns[name][i] = _number(path, line, name, cells, index[name])
    return columns, [line for line, _ in rows]


def _rows(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    reader = csv.reader(io.StringIO(read_text(path)))
    rows = []
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith("#"):
                rows.append((reader.line_num, cells))
    except csv.Error as error:
        raise InputError(f"{path}: line {reader.line_num}: not readable as CSV ({error})") from None
    if not rows:
        raise InputError(f"{path}: the file is empty; it needs a header row and rows of numbers")
    header = [cell.strip() for cell in rows[0][1]]
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
            raise InputError(f"{path}: is {size / 1e6:.0f} MB; at most {MAX_BYTES / 1e6:.0f} MB is read")
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: byte {error.start} is not UTF-8 text; save it as UTF-8") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from None
    if "\0" in text:
        raise InputError(f"{path}: holds zero bytes, so it is not a text file; give a text file")
    return text


def _number(path: Path, line: int, name: str, cells: list[str], column: int) -> float:
    cell = cells[column].strip() if column < len(cells) else ""
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        shown = repr(cell[:40]) if cell else "blank"
        raise InputError(f"{path}: line {line}: {name} is {shown}; write a finite number")
    return value
