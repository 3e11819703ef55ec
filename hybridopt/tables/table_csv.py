"""Rule tables as a folder of CSV files in the units of the trade, made for a spreadsheet.

A table over three axes is a stack of blocks, one per point of its last axis. Figures have 12
significant digits.
"""

import csv
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..base.cautions import TABLES_CAUTION
from ..base.errors import InputError
from ..files.csv_table import read_cells, read_columns
from ..files.writing import Write
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
from .rule_table import LAYOUT, Map

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
    constants = [_constant_row(name, rule_set.constants[name]) for name in CONSTANTS]
    figures = [_float(cell) for rows in files.values() for row in rows for cell in row]
    figures += [_float(cell) for row in constants for cell in row[2:]]
    origin = origin_record(rule_set, _digest(figures))
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
    heads[CONSTANTS_FILE] = [f"{key}: {_text(value)}" for key, value in origin.items()]
    heads[CONSTANTS_FILE].append(f"coverage: {json.dumps(list(rule_set.coverage))}")
    return {file: _writer(heads[file], rows) for file, rows in files.items()}


def _table_head(name: str, origin: Mapping[str, Any]) -> list[str]:
    *axes, values = LAYOUT[name]
    return [
        f"table: {name}",
        f"values: {values}, {MEANINGS[name]}",
        f"axes: {', '.join(axes)}",
        *(f"{key}: {_text(origin[key])}" for key in ("title", "driveline", "training", "caution")),
        f"to edit: {HINT}",
    ]


def _text(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _figure(value: float, quantity: TableQuantity) -> str:
    return f"{value / quantity.factor + 0.0:.{DIGITS}g}"


def _figures(values: np.ndarray, key: str) -> list[str]:
    return [_figure(value, QUANTITIES[key]) for value in values]


def _table_rows(name: str, found: Map) -> Rows:
    """Return the rows below the head of a table's file."""
    *axes, key = LAYOUT[name]
    texts = [_figures(axis, axis_key) for axis, axis_key in zip(found.axes, axes, strict=True)]
    for text, axis_key in zip(texts, axes, strict=True):
        check_axis([float(x) for x in text], [f"{name}: {axis_key}"] * len(text))
    if len(axes) == 1:
        head, values = [axes[0], key], found.values[:, None]
        return [head, *([x, *_figures(row, key)] for x, row in zip(texts[0], values, strict=True))]
    head = [rf"{axes[0]} \ {axes[1]}", *texts[1]]
    layers = [found.values] if len(axes) == 2 else np.moveaxis(found.values, 2, 0)
    rows: Rows = []
    for i, layer in enumerate(layers):
        rows += [[], [axes[2], texts[2][i]]] if len(axes) == 3 else []
        rows += [head]
        rows += [[x, *_figures(row, key)] for x, row in zip(texts[0], layer, strict=True)]
    return rows


def _constant_row(name: str, values: np.ndarray) -> list[str]:
    quantity = CONSTANTS[name]
    return [name, quantity.file_unit, *(_figure(value, quantity) for value in values)]


def _coverage_rows(name: str, found: Map, coverage: Coverage) -> Rows:
    keys = LAYOUT[name][:-1]
    rows: Rows = [[*keys, *COVERAGE_COLUMNS]]
    for index in np.ndindex(found.values.shape):
        place = [_figure(found.axes[i][n], QUANTITIES[keys[i]]) for i, n in enumerate(index)]
        figures = coverage.visits[index], coverage.regret[index], float(coverage.filled[index])
        rows.append([*place, *(f"{figure:.{DIGITS}g}" for figure in figures)])
    return rows


def _float(cell: str) -> float:
    """Return the figure in a cell, or NaN where it holds a word."""
    try:
        return float(cell)
    except ValueError:
        return np.nan


def _digest(figures: Sequence[float]) -> str:
    numbers = np.array(figures)
    return digest([numbers[~np.isnan(numbers)]])


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
    for file in (CONSTANTS_FILE, *(f"{name}.csv" for name in LAYOUT)):
        if not (folder / file).is_file():
            raise InputError(f"{folder}: the file {file} is missing; put it there, or export again")
    figures: list[float] = []
    maps = {name: _Sheet(folder / f"{name}.csv", figures).table(name) for name in LAYOUT}
    sheet = _Sheet(folder / CONSTANTS_FILE, figures)
    constants = sheet.constants()
    origin = read_origin(sheet.record, _digest(figures), str(sheet.path))
    covered = sheet.record.get("coverage")
    names = [name for name in LAYOUT if isinstance(covered, list) and name in covered]
    coverage = {name: _read_coverage(folder, name, maps[name]) for name in names}
    return make_rule_set(origin, constants, maps, coverage)


class _Sheet:
    """A CSV file as rows of cells; each figure that is read is noted in `figures`."""

    def __init__(self, path: Path, figures: list[float]) -> None:
        self.path, self.figures = path, figures
        self.record: dict[str, Any] = {}
        self.rows: list[tuple[int, list[str]]] = []
        for line, cells in read_cells(path, LARGEST_FILE):
            if not cells[0].startswith("#"):
                self.rows.append((line, cells))
                continue
            key, _, text = ",".join(cells).removeprefix("#").partition(":")
            self.record[key.strip()] = _value(key.strip(), text.strip())
        if not self.rows:
            raise InputError(f"{path}: holds no figures; export again")
        line, cells = self.rows[0]
        if len(cells) == 1 and ";" in cells[0]:
            raise InputError(
                f"{path}: row {line}: the cells are parted by semicolons; save it with commas "
                "between cells and points in decimals"
            )

    def error(self, line: int, column: int, problem: str) -> InputError:
        return InputError(f"{self._place(line, column)}: {problem}")

    def _place(self, line: int, column: int) -> str:
        return f"{self.path}: row {line}, column {_letters(column)}"

    def number(self, line: int, cells: list[str], column: int, quantity: TableQuantity) -> float:
        """Return a figure in the unit of the file; columns count from 0."""
        cell = cells[column] if column < len(cells) else ""
        try:
            value = float("text" if "_" in cell else cell)
        except ValueError:
            shown = repr(cell[:40]) if cell else "blank"
            raise self.error(line, column, f"is {shown}; write a number with a point") from None
        if wrong := fault(value, quantity):
            raise self.error(line, column, f"{wrong}; mend it")
        self.figures.append(value)
        return value

    def numbers(
        self, line: int, cells: list[str], quantity: TableQuantity, count: int = 0
    ) -> list[float]:
        """Return the figures from the second cell on, as many as said, or all."""
        if count and len(cells) != count + 1:
            raise InputError(
                f"{self.path}: row {line}: has {len(cells)} cells, the head of its block "
                f"{count + 1}; give one figure per column, with a point in decimals"
            )
        found = [self.number(line, cells, i, quantity) for i in range(1, len(cells))]
        if not found:
            raise InputError(f"{self.path}: row {line}: holds no figures; add them")
        return found

    def table(self, name: str) -> Map:
        """Read the rows of a table."""
        *keys, key = LAYOUT[name]
        held = self.record.get("table", name)
        if held != name:
            raise InputError(
                f"{self.path}: holds the table {held[:40]!r}; give {name} under this name"
            )
        blocks = list(self._blocks(keys, key, value_quantity(name)))
        first, *others = blocks
        for depth, line, other in others:
            if any(a != b for a, b in zip(first[2][:2], other[:2], strict=True)):
                raise InputError(
                    f"{self.path}: the block at row {line} ({keys[-1]} {depth:g}) has other axes "
                    "than the first; give all blocks the same rows and columns"
                )
        if len(keys) == 3:
            check_axis([b[0] for b in blocks], [self._place(b[1], 1) for b in blocks])
        axes = [first[2][0], first[2][1], [b[0] for b in blocks]][: len(keys)]
        values = np.stack([b[2][2] for b in blocks], axis=-1)
        shape = tuple(len(axis) for axis in axes)
        units = [QUANTITIES[k].factor for k in keys]
        return Map(
            tuple(np.array(axis) * unit for axis, unit in zip(axes, units, strict=True)),
            values.reshape(shape) * QUANTITIES[key].factor,
        )

    def _blocks(
        self, keys: list[str], key: str, values: TableQuantity
    ) -> Iterator[tuple[float, int, tuple[list[float], list[float], np.ndarray]]]:
        """Yield point of the last axis, line, and rows, columns and figures of each block."""
        if len(keys) < 3:
            yield 0.0, self.rows[0][0], self._block(self.rows, keys, key, values)
            return
        begins = [i for i, (_, cells) in enumerate(self.rows) if cells[0] == keys[2]]
        if not begins or begins[0]:
            raise InputError(
                f"{self.path}: row {self.rows[0][0]}: begins with {self.rows[0][1][0][:40]!r}; "
                f"each block begins with a row of {keys[2]} and its figure"
            )
        for begin, end in zip(begins, [*begins[1:], len(self.rows)], strict=True):
            line, cells = self.rows[begin]
            depth = self.number(line, cells, 1, QUANTITIES[keys[2]])
            yield depth, line, self._block(self.rows[begin + 1 : end], keys, key, values)

    def _block(
        self, rows: list[tuple[int, list[str]]], keys: list[str], key: str, values: TableQuantity
    ) -> tuple[list[float], list[float], np.ndarray]:
        corner = [keys[0], key] if len(keys) == 1 else [rf"{keys[0]} \ {keys[1]}"]
        line, cells = rows[0] if rows else (self.rows[-1][0], [""])
        if cells[: len(corner)] != corner:
            raise InputError(
                f"{self.path}: row {line}: begins with {cells[0][:40]!r}; give the head "
                f"{','.join(corner)!r}, as in an exported file"
            )
        columns = [0.0] if len(keys) == 1 else self.numbers(line, cells, QUANTITIES[keys[1]])
        check_axis(columns, [self._place(line, i + 1) for i in range(len(columns))])
        sides, body = [], []
        for line, cells in rows[1:]:
            sides.append(self.number(line, cells, 0, QUANTITIES[keys[0]]))
            body.append(self.numbers(line, cells, values, len(columns)))
        if not body:
            raise InputError(f"{self.path}: row {line}: no rows of figures follow; add them")
        check_axis(sides, [self._place(row[0], 0) for row in rows[1:]])
        return sides, columns, np.array(body)

    def constants(self) -> dict[str, np.ndarray]:
        """Read the rows of the constants, SI."""
        rows = {cells[0]: (line, cells) for line, cells in self.rows[1:]}
        found = {}
        for name, quantity in CONSTANTS.items():
            if name not in rows:
                raise InputError(f"{self.path}: the row {name} is missing; add it")
            line, cells = rows[name]
            unit = cells[1] if len(cells) > 1 else ""
            if unit != quantity.file_unit:
                raise self.error(
                    line, 1, f"is {unit[:40]!r}; the unit must be {quantity.file_unit}"
                )
            values = [self.number(line, cells, i, quantity) for i in range(2, len(cells))]
            found[name] = np.array(values) * quantity.factor
        check_constants(found, str(self.path))
        return found


def _value(key: str, text: str) -> Any:
    """Return what a line of the head says; lists and switches are written as JSON."""
    if key not in ("cycles", "coverage", "edited"):
        return text
    try:
        return json.loads(text.lower() if key == "edited" else text)
    except (ValueError, RecursionError):
        return text


def _letters(column: int) -> str:
    """Return the name of a column as spreadsheets show it; columns count from 0."""
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def _read_coverage(folder: Path, name: str, found: Map) -> Coverage:
    path = folder / f"{name}_coverage.csv"
    columns, _ = read_columns(path, COVERAGE_COLUMNS)
    shape, size = found.values.shape, found.values.size
    if columns["filled"].size != size:
        raise InputError(
            f"{path}: has {columns['filled'].size} rows, the table {size} figures; take {name} "
            f"out of the line 'coverage' of {CONSTANTS_FILE} if the table has a new shape"
        )
    visits, regret, filled = (columns[key].reshape(shape) for key in COVERAGE_COLUMNS)
    return Coverage(visits, regret, filled > 0.0)
