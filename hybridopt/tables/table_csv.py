"""Tables as a folder of CSV files, made for a spreadsheet; rule tables in the units of the trade.

A table over more than two axes is a stack of blocks, one per point of the further axes. Values have
as many significant digits as the form of the tables says.
"""

import csv
import json
import os.path
from collections.abc import Mapping, Sequence
from itertools import product
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ..base.cautions import TABLES_CAUTION
from ..base.errors import InputError
from ..controllers.maps import Map
from ..files.csv_table import read_cells, read_columns
from ..files.writing import Write, tell_cut_short
from .contents import Made, kind_of
from .form import Content, Form
from .origin import origin_record, read_origin
from .quantities import TableQuantity, check_axis, digest, fault
from .rule_set import Coverage

CONSTANTS_FILE = "constants.csv"
LARGEST_FILE = 20_000_000  # bytes
COVERAGE_COLUMNS = ["visits_s", "regret_g", "filled"]
HINT = "figures may be edited; axes must increase; add or remove whole rows, columns or blocks"
Rows = list[list[str]]


# --- writing ---


def csv_writers(content: Content) -> dict[str, Write]:
    """Return what writes each file of the folder, by file name."""
    form, maps, held = content.form, content.maps, content.constants
    files = {f"{name}.csv": _table_rows(form, name, found) for name, found in maps.items()}
    constants = [
        [name, quantity.file_unit, *_texts(held[name], quantity, form.digits)]
        for name, quantity in form.constants.items()
    ]
    cells = [cell for rows in files.values() for row in rows for cell in row]
    cells += [cell for row in constants for cell in row[2:]]
    origin = origin_record(content, digest([np.array([float(c) for c in cells if _is_number(c)])]))
    heads = {f"{name}.csv": _table_head(form, name, origin) for name in form.layout}
    for name, coverage in content.coverage.items():
        file = f"{name}_coverage.csv"
        files[file] = _coverage_rows(form, name, maps[name], coverage)
        heads[file] = [
            f"table: coverage of {name}",
            f"training: {origin['training']}",
            f"caution: {TABLES_CAUTION}",
        ]
    files[CONSTANTS_FILE] = [["name", "unit", "value"], *constants]
    heads[CONSTANTS_FILE] = [f"{key}: {_head_text(value)}" for key, value in origin.items()]
    heads[CONSTANTS_FILE].append(f"coverage: {json.dumps(list(content.coverage))}")
    return {file: _writer(heads[file], rows) for file, rows in files.items()}


def _table_head(form: Form, name: str, origin: Mapping[str, Any]) -> list[str]:
    *axes, values = form.layout[name]
    shared = ("title", "driveline", "training", "caution")
    return [
        f"table: {name}",
        f"values: {values}, {form.meanings[name]}",
        f"axes: {', '.join(axes)}",
        *(f"{key}: {_head_text(origin[key])}" for key in shared),
        f"to edit: {HINT}",
    ]


def _head_text(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _texts(values: np.ndarray, quantity: TableQuantity, digits: int) -> list[str]:
    return [f"{value / quantity.factor + 0.0:.{digits}g}" for value in values]


def _axis_texts(form: Form, name: str, found: Map) -> list[list[str]]:
    axes = zip(found.axes, form.axes(name), strict=True)
    return [_texts(axis, quantity, form.digits) for axis, quantity in axes]


def _table_rows(form: Form, name: str, found: Map) -> Rows:
    """Return the rows below the head of a table's file."""
    *axes, key = form.layout[name]
    texts = _axis_texts(form, name, found)
    for text, axis in zip(texts, axes, strict=True):
        check_axis([float(x) for x in text], [f"{name}: {axis}"] * len(text))
    head = [axes[0], key] if len(axes) == 1 else [rf"{axes[0]} \ {axes[1]}", *texts[1]]
    rows: Rows = []
    for place in np.ndindex(found.values.shape[2:]):
        further = zip(axes[2:], texts[2:], place, strict=True)
        top = [cell for axis, text, i in further for cell in (axis, text[i])]
        rows += [[], top, head] if top else [head]
        for x, values in zip(texts[0], found.values[(..., *place)], strict=True):
            rows.append([x, *_texts(np.atleast_1d(values), form.quantities[key], form.digits)])
    return rows


def _coverage_rows(form: Form, name: str, found: Map, coverage: Coverage) -> Rows:
    *axes, _ = form.layout[name]
    texts = _axis_texts(form, name, found)
    rows: Rows = [[*axes, *COVERAGE_COLUMNS]]
    for index in np.ndindex(found.values.shape):
        place = [text[i] for text, i in zip(texts, index, strict=True)]
        values = coverage.visits[index], coverage.regret[index], float(coverage.filled[index])
        rows.append([*place, *(f"{value:.{form.digits}g}" for value in values)])
    return rows


def _is_number(cell: str) -> bool:
    try:
        return not np.isnan(float(cell))
    except ValueError:
        return False


def _writer(head: Sequence[str], rows: Rows) -> Write:
    def write(path: Path) -> None:
        with path.open("w", encoding="utf-8", newline="") as file:
            for line in head:  # quoted as one cell, so that no part of it can be a formula
                file.write('"# ' + line.replace('"', '""') + '"\n')
            csv.writer(file, lineterminator="\n").writerows(rows)

    return write


# --- reading ---


def read_csv(folder: Path) -> Made:
    """Read tables from a folder of CSV files.

    Raises
    ------
    InputError
        A file, row or cell is missing or wrong; the message says which.
    """
    tell_cut_short(folder)
    values: list[float] = []
    sheet = _Sheet(_present(folder, CONSTANTS_FILE), values)
    kind = kind_of(sheet.head, str(sheet.path))
    form = kind.form
    paths = {name: _present(folder, f"{name}.csv") for name in form.layout}
    maps = {name: _Sheet(path, values).table(form, name) for name, path in paths.items()}
    constants = sheet.constants(form)
    form.check_parts(constants, maps, str(sheet.path))
    origin = read_origin(sheet.head, digest([np.array(values)]), str(sheet.path))
    covered = sheet.head.get("coverage")
    names = [name for name in form.layout if isinstance(covered, list) and name in covered]
    coverage = {name: _read_coverage(folder, name, maps[name]) for name in names}
    return kind.made(origin, constants, maps, coverage)


def _present(folder: Path, file: str) -> Path:
    if not os.path.isfile(folder / file):
        raise InputError(f"{folder}: the file {file} is missing; put it there, or export again")
    return folder / file


class _Row(NamedTuple):
    """Cells of a row, and where it stands; each value that is read is added to `values`."""

    path: Path
    line: int
    cells: list[str]
    values: list[float]

    def place(self, column: int | None = None) -> str:
        """Return where the row or a cell of it stands; columns count from 0."""
        return f"{self.path}: row {self.line}" + ("" if column is None else _column(column))

    def number(self, column: int, quantity: TableQuantity) -> float:
        """Return a value in the unit of the file; columns count from 0."""
        cell = self.cells[column] if column < len(self.cells) else ""
        try:
            value = float("text" if "_" in cell else cell)
        except ValueError:
            text = repr(cell[:40]) if cell else "blank"
            raise InputError(
                f"{self.place(column)}: is {text}; write a number with a point"
            ) from None
        if wrong := fault(value, quantity):
            raise InputError(f"{self.place(column)}: {wrong}; mend it")
        self.values.append(value)
        return value

    def numbers(self, quantity: TableQuantity, count: int = 0) -> list[float]:
        """Return the values from the second cell on, as many as said, or all."""
        if count and len(self.cells) != count + 1:
            raise InputError(
                f"{self.place()}: has {len(self.cells)} cells, the head of its block {count + 1}; "
                "give one value per column, with a point in decimals"
            )
        found = [self.number(i, quantity) for i in range(1, len(self.cells))]
        if not found:
            raise InputError(f"{self.place()}: holds no values; add them")
        return found

    def place_of(self, keys: list[str], quantities: list[TableQuantity]) -> list[float]:
        """Return where a block stands on the axes that its row names."""
        for i, key in enumerate(keys):
            if self.cells[2 * i : 2 * i + 1] != [key]:
                text = "blank" if 2 * i >= len(self.cells) else repr(self.cells[2 * i][:40])
                raise InputError(
                    f"{self.place(2 * i)}: is {text}; here stands {key}, then its value"
                )
        return [self.number(2 * i + 1, quantity) for i, quantity in enumerate(quantities)]


class _Sheet:
    """A CSV file: what its head says, and its rows."""

    def __init__(self, path: Path, values: list[float]) -> None:
        self.path = path
        self.head: dict[str, Any] = {}
        self.rows: list[_Row] = []
        for line, cells in read_cells(path, LARGEST_FILE):
            if not cells[0].startswith("#"):
                self.rows.append(_Row(path, line, cells, values))
                continue
            key, _, text = ",".join(cells).removeprefix("#").partition(":")
            self.head[key.strip()] = _head_value(key.strip(), text.strip())
        if not self.rows:
            raise InputError(f"{path}: holds no values; export again")
        first = self.rows[0]
        if len(first.cells) == 1 and ";" in first.cells[0]:
            raise InputError(
                f"{first.place()}: the cells are parted by semicolons; save it with commas "
                "between cells and points in decimals"
            )

    def table(self, form: Form, name: str) -> Map:
        """Read the rows of a table."""
        *keys, _ = form.layout[name]
        held = self.head.get("table", name)
        if held != name:
            raise InputError(
                f"{self.path}: holds the table {held[:40]!r}; give {name} under this name"
            )
        quantities, stack, blocks = form.axes(name), self._stack(keys), []
        places: list[list[float]] = []
        for top, rows in stack:
            places.append(top.place_of(keys[2:], quantities[2:]))
            blocks.append(self._block(form, name, rows))
            if blocks[-1][:2] != blocks[0][:2]:
                at = ", ".join(f"{k} {x:g}" for k, x in zip(keys[2:], places[-1], strict=True))
                raise InputError(
                    f"{self.path}: the block at row {top.line} ({at}) has other axes than the "
                    "first; give all blocks the same rows and columns"
                )
        axes = [*blocks[0][:2], *self._further(stack, places, keys)][: len(keys)]
        values = np.stack([values for _, _, values in blocks], axis=-1)
        factors = [quantity.factor for quantity in quantities]
        return Map(
            tuple(np.array(x) * factor for x, factor in zip(axes, factors, strict=True)),
            values.reshape([len(axis) for axis in axes]) * form.value(name).factor,
        )

    def _further(
        self, stack: list[tuple[_Row, list[_Row]]], places: list[list[float]], keys: list[str]
    ) -> list[list[float]]:
        """Return the axes beyond the second, which the places of the blocks must run through."""
        axes = [list(dict.fromkeys(column)) for column in zip(*places, strict=True)]
        if len(axes) == 1:
            axes = [[x for (x,) in places]]
            check_axis(axes[0], [top.place(1) for top, _ in stack])
        for axis, key in zip(axes, keys[2:], strict=True):
            check_axis(axis, [f"{self.path}: {key}"] * len(axis))
        if [list(place) for place in product(*axes)] != places:
            raise InputError(
                f"{self.path}: its {len(places)} blocks are not one per point of "
                f"{' and '.join(keys[2:])}, the last running fastest; put them in that order"
            )
        return axes

    def _stack(self, keys: list[str]) -> list[tuple[_Row, list[_Row]]]:
        """Return the row each block begins with, and the rows of its head and values."""
        if len(keys) < 3:
            return [(self.rows[0], self.rows)]
        begins = [i for i, row in enumerate(self.rows) if row.cells[0] == keys[2]]
        if not begins or begins[0]:
            first = self.rows[0]
            raise InputError(
                f"{first.place()}: begins with {first.cells[0][:40]!r}; each block begins with a "
                f"row of {keys[2]} and its value"
            )
        ends = [*begins[1:], len(self.rows)]
        return [(self.rows[i], self.rows[i + 1 : j]) for i, j in zip(begins, ends, strict=True)]

    def _block(
        self, form: Form, name: str, rows: list[_Row]
    ) -> tuple[list[float], list[float], np.ndarray]:
        """Read the points of the first axis, those of the second, and the values."""
        *keys, key = form.layout[name]
        quantities, values = form.axes(name), form.value(name)
        corner = [keys[0], key] if len(keys) == 1 else [rf"{keys[0]} \ {keys[1]}"]
        head = rows[0] if rows else self.rows[-1]._replace(cells=[""])
        if head.cells[: len(corner)] != corner:
            raise InputError(
                f"{head.place()}: begins with {head.cells[0][:40]!r}; give the head "
                f"{','.join(corner)!r}, as in an exported file"
            )
        columns = [0.0] if len(keys) == 1 else head.numbers(quantities[1])
        check_axis(columns, [head.place(i + 1) for i in range(len(columns))])
        sides, body = [], []
        for row in rows[1:]:
            sides.append(row.number(0, quantities[0]))
            body.append(row.numbers(values, len(columns)))
        if not body:
            raise InputError(f"{head.place()}: no rows of values follow; add them")
        check_axis(sides, [row.place(0) for row in rows[1:]])
        return sides, columns, np.array(body)

    def constants(self, form: Form) -> dict[str, np.ndarray]:
        """Read the rows of the constants, SI."""
        rows = {row.cells[0]: row for row in self.rows[1:]}
        found = {}
        for name, quantity in form.constants.items():
            if name not in rows:
                raise InputError(f"{self.path}: the row {name} is missing; add it")
            row = rows[name]
            unit = row.cells[1] if len(row.cells) > 1 else ""
            if unit != quantity.file_unit:
                raise InputError(
                    f"{row.place(1)}: is {unit[:40]!r}; the unit must be {quantity.file_unit}"
                )
            values = [row.number(i, quantity) for i in range(2, len(row.cells))]
            found[name] = np.array(values) * quantity.factor
        return found


def _head_value(key: str, text: str) -> Any:
    """Return what a line of the head says; lists and switches are written as JSON."""
    if key not in ("cycles", "coverage", "edited"):
        return text
    try:
        return json.loads(text.lower() if key == "edited" else text)
    except (ValueError, RecursionError):
        return text


def _column(number: int) -> str:
    """Return a column, counted from 0, by the letters that spreadsheets show."""
    letters, number = "", number + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f", column {letters}"


def _read_coverage(folder: Path, name: str, found: Map) -> Coverage:
    path = folder / f"{name}_coverage.csv"
    columns, _ = read_columns(path, COVERAGE_COLUMNS)
    shape, size = found.values.shape, found.values.size
    if columns["filled"].size != size:
        raise InputError(
            f"{path}: has {columns['filled'].size} rows, the table {size} values; take {name} "
            f"out of the line 'coverage' of {CONSTANTS_FILE} if the table has a new shape"
        )
    visits, regret, filled = (columns[key].reshape(shape) for key in COVERAGE_COLUMNS)
    return Coverage(visits, regret, filled > 0.0)
