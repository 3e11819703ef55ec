"""Reading of CSV tables and TOML files up to a size, with messages that name line and column."""

import csv
import math
import re
import tomllib
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import InputError
from .reading import read_ordinary

MAX_BYTES = 200_000_000
MAX_LINE = 100_000  # characters
MAX_ROWS = 5_000_000
MAX_TOML = 100_000  # bytes
_MANY_PARTS = re.compile(  # the parser's time and memory grow with the square of a key's parts
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){16}"""
)
_LINE_END = re.compile(r"\r\n|\r|\n")


def read_columns(
    path: Path, required: list[str], optional: tuple[str, ...] = ()
) -> tuple[dict[str, np.ndarray], list[int]]:
    """Read numeric columns of a CSV file by name.

    UTF-8 (a byte-order mark is allowed), one header row, one line per row; cells parted by commas
    or, where the header holds none, by semicolons or tabs, which let decimals have a comma.
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
        The file cannot be read, a column is missing or given twice, a row has more cells than
        the header, or a value is not a finite number.
    """
    rows = _rows(path)
    header = next(rows)[1]
    for name in required:
        if name not in header:
            raise InputError(
                f"{path}: column {name} is missing{found(path, header)}; "
                f"add it or rename the column that holds it"
            )
    names = [*required, *(name for name in optional if name in header)]
    for name in names:
        if header.count(name) > 1:
            raise InputError(f"{path}: column {name} is there {header.count(name)} times; keep one")
    index = {name: header.index(name) for name in names}
    columns = {name: array("d") for name in names}
    lines: list[int] = []
    for line, cells in rows:
        if any(cells[len(header) :]):
            raise InputError(
                f"{path}: line {line}: has {len(cells)} cells but the header names "
                f"{len(header)}; write decimals with a point and one cell per column"
            )
        for name in names:
            columns[name].append(_number(path, line, name, cells, index[name]))
        lines.append(line)
        if len(lines) > MAX_ROWS:
            raise InputError(f"{path}: has more than {MAX_ROWS} rows; cut it or take longer steps")
    return {name: np.array(column) for name, column in columns.items()}, lines


def read_header(path: Path) -> list[str]:
    """Return the names in the header row of a CSV file, without blank cells at its end.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    return next(_rows(path))[1]


def read_cells(path: Path, most: int | None = None) -> list[tuple[int, list[str]]]:
    """Return the cells of all lines that hold something, with the number of the line.

    Cells are stripped of blanks, and empty cells at the end of a line left away.

    Raises
    ------
    InputError
        The file cannot be read, or has more than `most` bytes.
    """
    rows = []
    for number, line in enumerate(_lines(read_text(path, most)), start=1):
        cells = _cells(path, number, line) if line.strip() else []
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            rows.append((number, cells))
    return rows


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Yield the header, then each row, with its line number; cells are stripped of blanks."""
    header: list[str] | None = None
    delimiter = ","
    blank: list[tuple[int, list[str]]] = []  # rows of commas: passed over at the end only
    for number, line in enumerate(_lines(read_text(path)), start=1):
        if not line.strip() or line.lstrip(' \t"').startswith("#"):
            continue
        if header is None:
            delimiter = next((d for d in ",;\t" if d in line), ",")
        cells = _cells(path, number, line, delimiter)
        if header is None:
            header = cells
            while header and not header[-1]:
                header.pop()
            if not header:
                break
            yield number, header
        elif any(cells):
            yield from blank
            blank = []
            yield number, cells if delimiter == "," else [_with_point(cell) for cell in cells]
        elif len(blank) < MAX_ROWS:
            blank.append((number, cells))
    if not header:
        raise InputError(f"{path}: the file is empty; it needs a header row and rows of numbers")


def _lines(text: str) -> Iterator[str]:
    """Yield the lines of a text one by one, without a second copy of it."""
    start = 0
    for end in _LINE_END.finditer(text):
        yield text[start : end.start()]
        start = end.end()
    yield text[start:]


def _with_point(cell: str) -> str:
    """Return a number with a decimal comma as one with a point, other cells as they are."""
    return cell.replace(",", ".") if cell.count(",") == 1 and "." not in cell else cell


def _cells(path: Path, number: int, line: str, delimiter: str = ",") -> list[str]:
    if len(line) > MAX_LINE:
        raise InputError(
            f"{path}: line {number}: is longer than {MAX_LINE} characters; is this a CSV file?"
        )
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, strict=True))]
    except csv.Error as error:
        raise InputError(f"{path}: line {number}: not readable as CSV ({error})") from None


def is_table(path: Path) -> bool:
    """Return whether a file is a table by its name; of no other file is content shown."""
    return path.resolve().suffix.lower() in (".csv", ".tsv", ".txt")


def found(path: Path, header: list[str]) -> str:
    """Return the names of a table's header for a message; nothing for other files."""
    return f" (found: {listed(header)})" if is_table(path) else ""


def listed(header: list[str]) -> str:
    """Return the names of a header as messages show them: printable, and not too many."""
    text = "".join(c if c.isprintable() else "?" for c in ", ".join(header[:50]))
    return text if len(text) <= 200 else text[:200] + "..."


def read_text(path: Path, most: int | None = None) -> str:
    """Return the text of a UTF-8 file of at most `most` bytes (`MAX_BYTES` when not given).

    Raises
    ------
    InputError
        The file is absent, no ordinary one, too large, unreadable or not UTF-8 text.
    """
    most = MAX_BYTES if most is None else most
    try:
        text = read_ordinary(path, most).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: byte {error.start} is not UTF-8 text; save it as UTF-8"
        ) from None
    if "\0" in text:
        raise InputError(f"{path}: holds zero bytes, so it is not a text file; give a text file")
    return text


def read_toml(path: Path) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Raises
    ------
    InputError
        The file cannot be read, is no TOML by its name or content, or is larger or deeper than a
        file of settings can be.
    """
    named = path.resolve()
    if path.is_file() and (named.suffix.lower() not in ("", ".toml") or named.name.startswith(".")):
        raise InputError(f"{path}: is no .toml file; give one, or rename it")
    text = read_text(path, MAX_TOML)
    if _MANY_PARTS.search(text):
        raise InputError(f"{path}: has a key of more than 16 parts; shorten it")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: is not valid TOML: {error}") from None
    except ValueError:
        raise InputError(f"{path}: holds a number of thousands of digits; shorten it") from None
    except RecursionError:
        raise InputError(f"{path}: is nested too deeply; flatten it") from None


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
