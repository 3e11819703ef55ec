"""Rule tables as a folder of CSV files in the units of the trade, made for a spreadsheet.

A table over three axes is a stack of blocks, one per point of its last axis. Values have 12
significant digits.
"""

import csv
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ..base.cautions import TABLES_CAUTION
from ..base.errors import InputError
from ..controllers.maps import Map
from ..files.csv_table import read_cells, read_columns
from ..files.writing import Write, tell_cut_short
from .origin import origin_record, read_origin
from .quantities import (
    CONSTANTS,
    MEANINGS,
    QUANTITIES,
    TableQuantity,
    check_axis,
    check_constants,
    digest,
    fault,
    value_quantity,
)
from .rule_set import Coverage, RuleSet, make_rule_set
from .rule_table import LAYOUT

DIGITS = 12
CONSTANTS_FILE = "constants.csv"
LARGEST_FILE = 20_000_000  # bytes
COVERAGE_COLUMNS = ["visits_s", "regret_g", "filled"]
HINT = "figures may be edited; axes must increase; add or remove whole rows, columns or blocks"
Rows = list[list[str]]


# --- writing ---


def csv_writers(rule_set: RuleSet) -> dict[str, Write]:
    """Return what writes each file of the folder, by file name."""
    files = {f"{name}.csv": _table_rows(name, found) for name, found in rule_set.maps.items()}
    constants = [
        [name, quantity.file_unit, *_texts(rule_set.constants[name], quantity)]
        for name, quantity in CONSTANTS.items()
    ]
    cells = [cell for rows in files.values() for row in rows for cell in row]
    cells += [cell for row in constants for cell in row[2:]]
    origin = origin_record(rule_set, digest([np.array([float(c) for c in cells if _is_number(c)])]))
    heads = {f"{name}.csv": _table_head(name, origin) for name in LAYOUT}
    for name, coverage in rule_set.coverage.items():
        file = f"{name}_coverage.csv"
        files[file] = _coverage_rows(name, rule_set.map(name), coverage)
        heads[file] = [
            f"table: coverage of {name}",
            f"training: {origin['training']}",
            f"caution: {TABLES_CAUTION}",
        ]
    files[CONSTANTS_FILE] = [["name", "unit", "value"], *constants]
    heads[CONSTANTS_FILE] = [f"{key}: {_head_text(value)}" for key, value in origin.items()]
    heads[CONSTANTS_FILE].append(f"coverage: {json.dumps(list(rule_set.coverage))}")
    return {file: _writer(heads[file], rows) for file, rows in files.items()}


def _table_head(name: str, origin: Mapping[str, Any]) -> list[str]:
    *axes, values = LAYOUT[name]
    shared = ("title", "driveline", "training", "caution")
    return [
        f"table: {name}",
        f"values: {values}, {MEANINGS[name]}",
        f"axes: {', '.join(axes)}",
        *(f"{key}: {_head_text(origin[key])}" for key in shared),
        f"to edit: {HINT}",
    ]


def _head_text(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _texts(values: np.ndarray, quantity: TableQuantity) -> list[str]:
    return [f"{value / quantity.factor + 0.0:.{DIGITS}g}" for value in values]


def _table_rows(name: str, found: Map) -> Rows:
    """Return the rows below the head of a table's file."""
    *axes, key = LAYOUT[name]
    texts = [_texts(axis, QUANTITIES[x]) for axis, x in zip(found.axes, axes, strict=True)]
    for text, axis in zip(texts, axes, strict=True):
        check_axis([float(x) for x in text], [f"{name}: {axis}"] * len(text))
    head = [axes[0], key] if len(axes) == 1 else [rf"{axes[0]} \ {axes[1]}", *texts[1]]
    layers = np.moveaxis(found.values, 2, 0) if len(axes) == 3 else [found.values]
    rows: Rows = []
    for i, layer in enumerate(layers):
        rows += [[], [axes[2], texts[2][i]]] if len(axes) == 3 else []
        rows += [head]
        for x, values in zip(texts[0], layer, strict=True):
            rows.append([x, *_texts(np.atleast_1d(values), QUANTITIES[key])])
    return rows


def _coverage_rows(name: str, found: Map, coverage: Coverage) -> Rows:
    *axes, _ = LAYOUT[name]
    texts = [_texts(axis, QUANTITIES[key]) for axis, key in zip(found.axes, axes, strict=True)]
    rows: Rows = [[*axes, *COVERAGE_COLUMNS]]
    for index in np.ndindex(found.values.shape):
        place = [text[i] for text, i in zip(texts, index, strict=True)]
        values = coverage.visits[index], coverage.regret[index], float(coverage.filled[index])
        rows.append([*place, *(f"{value:.{DIGITS}g}" for value in values)])
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


def read_csv(folder: Path) -> RuleSet:
    """Read a rule set from a folder of CSV files.

    Raises
    ------
    InputError
        A file, row or cell is missing or wrong; the message says which.
    """
    tell_cut_short(folder)
    for file in (CONSTANTS_FILE, *(f"{name}.csv" for name in LAYOUT)):
        if not (folder / file).is_file():
            raise InputError(f"{folder}: the file {file} is missing; put it there, or export again")
    values: list[float] = []
    maps = {name: _Sheet(folder / f"{name}.csv", values).table(name) for name in LAYOUT}
    sheet = _Sheet(folder / CONSTANTS_FILE, values)
    constants = sheet.constants()
    origin = read_origin(sheet.head, digest([np.array(values)]), str(sheet.path))
    covered = sheet.head.get("coverage")
    names = [name for name in LAYOUT if isinstance(covered, list) and name in covered]
    coverage = {name: _read_coverage(folder, name, maps[name]) for name in names}
    return make_rule_set(origin, constants, maps, coverage)


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

    def table(self, name: str) -> Map:
        """Read the rows of a table."""
        *keys, key = LAYOUT[name]
        held = self.head.get("table", name)
        if held != name:
            raise InputError(
                f"{self.path}: holds the table {held[:40]!r}; give {name} under this name"
            )
        stack, depths, blocks = self._stack(keys), [], []
        for top, rows in stack:
            depths.append(top.number(1, QUANTITIES[keys[2]]) if len(keys) == 3 else 0.0)
            blocks.append(self._block(rows, keys, key, value_quantity(name)))
            if blocks[-1][:2] != blocks[0][:2]:
                raise InputError(
                    f"{self.path}: the block at row {top.line} ({keys[-1]} {depths[-1]:g}) has "
                    "other axes than the first; give all blocks the same rows and columns"
                )
        if len(keys) == 3:
            check_axis(depths, [top.place(1) for top, _ in stack])
        axes = [*blocks[0][:2], depths][: len(keys)]
        values = np.stack([values for _, _, values in blocks], axis=-1)
        return Map(
            tuple(np.array(x) * QUANTITIES[k].factor for x, k in zip(axes, keys, strict=True)),
            values.reshape([len(axis) for axis in axes]) * QUANTITIES[key].factor,
        )

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
        self, rows: list[_Row], keys: list[str], key: str, values: TableQuantity
    ) -> tuple[list[float], list[float], np.ndarray]:
        """Read the points of the first axis, those of the second, and the values."""
        corner = [keys[0], key] if len(keys) == 1 else [rf"{keys[0]} \ {keys[1]}"]
        head = rows[0] if rows else self.rows[-1]._replace(cells=[""])
        if head.cells[: len(corner)] != corner:
            raise InputError(
                f"{head.place()}: begins with {head.cells[0][:40]!r}; give the head "
                f"{','.join(corner)!r}, as in an exported file"
            )
        columns = [0.0] if len(keys) == 1 else head.numbers(QUANTITIES[keys[1]])
        check_axis(columns, [head.place(i + 1) for i in range(len(columns))])
        sides, body = [], []
        for row in rows[1:]:
            sides.append(row.number(0, QUANTITIES[keys[0]]))
            body.append(row.numbers(values, len(columns)))
        if not body:
            raise InputError(f"{head.place()}: no rows of values follow; add them")
        check_axis(sides, [row.place(0) for row in rows[1:]])
        return sides, columns, np.array(body)

    def constants(self) -> dict[str, np.ndarray]:
        """Read the rows of the constants, SI."""
        rows = {row.cells[0]: row for row in self.rows[1:]}
        found = {}
        for name, quantity in CONSTANTS.items():
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
        check_constants(found, str(self.path))
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
