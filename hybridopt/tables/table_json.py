"""Tables as JSON: lossless, in SI units, with a unit beside each list of values."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..controllers.maps import Map
from ..files.csv_table import read_text
from ..inputs.fields import shown
from .contents import Made, kind_of
from .form import Content, Form
from .origin import origin_record, read_origin
from .quantities import TableQuantity, check_axis, fault, unit_factor
from .rule_set import Coverage

LARGEST_FILE = 20_000_000  # bytes
COVERAGE = {
    "visits_s": TableQuantity("visits", "s", "s", 1.0, -1e15, 1e15),
    "regret_g": TableQuantity("regret", "g", "g", 1.0, -1e15, 1e15),
    "filled": TableQuantity("filled", "1", "1", 1.0, 0.0, 1.0),
}


def json_text(content: Content) -> str:
    """Return a content as JSON; each float comes back as it was."""
    form, constants, maps = content.form, content.constants, content.maps
    record = origin_record(content, form.digest(constants, maps)) | {
        "constants": {
            name: {"meaning": form.meanings[name], **_row(quantity, constants[name])}
            for name, quantity in form.constants.items()
        },
        "tables": {
            name: _table(form, name, found, content.coverage.get(name))
            for name, found in maps.items()
        },
    }
    return _pretty(record) + "\n"


def _table(form: Form, name: str, found: Map, coverage: Coverage | None) -> dict[str, Any]:
    *axes, (_, quantity, values) = form.arrays(name, found)
    table = {
        "meaning": form.meanings[name],
        **_row(quantity, values),
        "axes": [{"name": of_axis.name, **_row(of_axis, axis)} for _, of_axis, axis in axes],
    }
    if coverage:
        arrays = coverage.visits, coverage.regret, coverage.filled.astype(int)
        table["coverage"] = {
            key: array.tolist() for key, array in zip(COVERAGE, arrays, strict=True)
        }
    return table


def _row(quantity: TableQuantity, values: np.ndarray) -> dict[str, Any]:
    return {"unit": quantity.unit, "values": values.tolist()}


def _pretty(value: Any, indent: str = "") -> str:
    """Write JSON with one row of numbers per line."""
    inner = indent + "  "
    if isinstance(value, dict) and value:
        pieces = [f"{json.dumps(key)}: {_pretty(item, inner)}" for key, item in value.items()]
        return "{\n" + ",\n".join(inner + piece for piece in pieces) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(item, list | dict) for item in value):
        return "[\n" + ",\n".join(inner + _pretty(item, inner) for item in value) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False)


def read_json(path: Path) -> Made:
    """Read tables from JSON.

    Values may be in SI units or in those of the trade (km/h, rpm, %, kW), as `unit` says.

    Raises
    ------
    InputError
        The file, or something in it, is missing or wrong; the message says what.
    """
    root = _Node(_parse(path), str(path))
    kind = kind_of(root.mapping, str(path))
    form, tables, row = kind.form, root["tables"], root["constants"]
    maps = {name: _read_map(form, name, tables[name]) for name in form.layout}
    constants = {name: _read_row(q, row[name]) for name, q in form.constants.items()}
    form.check_parts(constants, maps, str(path))
    coverage = {
        name: _read_coverage(tables[name]["coverage"], maps[name].values.shape)
        for name in form.layout
        if "coverage" in tables[name].mapping
    }
    origin = read_origin(root.mapping, form.digest(constants, maps), str(path))
    return kind.made(origin, constants, maps, coverage)


def _parse(path: Path) -> Any:
    def once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):
            keys = [key for key, _ in pairs]
            twice = shown(next(key for key in keys if keys.count(key) > 1))
            raise InputError(f"{path}: {twice} is there twice in one object; keep one")
        return found

    try:
        return json.loads(read_text(path, LARGEST_FILE), object_pairs_hook=once)
    except json.JSONDecodeError as error:
        raise InputError(
            f"{path}: line {error.lineno}, column {error.colno}: is no valid JSON ({error.msg}); "
            "mend it, or export again"
        ) from None
    except (RecursionError, ValueError):
        raise InputError(
            f"{path}: is nested too deeply, or a number is too long; export again"
        ) from None


@dataclass(frozen=True)
class _Node:
    """A value of the file, with the place where it stands."""

    value: Any
    place: str

    @property
    def mapping(self) -> dict[str, Any]:
        if not isinstance(self.value, dict):
            raise InputError(f"{self.place}: is {shown(self.value)}; write an object in braces")
        return self.value

    def __getitem__(self, key: str) -> "_Node":
        if key not in self.mapping:
            raise InputError(f"{self.place}: {key} is missing; add it, as in an exported file")
        return _Node(self.mapping[key], f"{self.place}: {key}")

    def items(self, count: int | None = None) -> list["_Node"]:
        """Return the entries of a list, which must be as many as said."""
        if not isinstance(self.value, list) or not self.value:
            raise InputError(f"{self.place}: is {shown(self.value)}; write a list of values")
        if count is not None and len(self.value) != count:
            raise InputError(
                f"{self.place}: has {len(self.value)} entries; give {count}, one per point of its "
                "axis"
            )
        return [_Node(item, f"{self.place}: entry {i}") for i, item in enumerate(self.value, 1)]

    def numbers(
        self, quantity: TableQuantity, factor: float, shape: Sequence[int | None]
    ) -> np.ndarray:
        """Return nested lists of numbers; where the shape is None any length will do."""
        return np.array(self._nested(quantity, factor, shape))

    def _nested(self, quantity: TableQuantity, factor: float, shape: Sequence[int | None]) -> Any:
        if not shape:
            return self._number(quantity, factor)
        return [item._nested(quantity, factor, shape[1:]) for item in self.items(shape[0])]

    def _number(self, quantity: TableQuantity, factor: float) -> float:
        value = self.value
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{self.place}: is {shown(value)}; write a number")
        if abs(value) > 1e300:
            raise InputError(f"{self.place}: is too large a number; mend it")
        if wrong := fault(value, quantity, factor):
            raise InputError(f"{self.place}: {wrong}; mend it")
        return float(value)


def _read_map(form: Form, name: str, node: _Node) -> Map:
    quantities = form.axes(name)
    axes = []
    for quantity, axis in zip(quantities, node["axes"].items(len(quantities)), strict=True):
        if axis["name"].value != quantity.name:
            raise InputError(
                f"{axis.place}: name is {shown(axis['name'].value)}; here stands the axis "
                f"{quantity.name!r}, so put the axes in the order of an exported file"
            )
        row = _read_row(quantity, axis)
        check_axis(row, [f"{axis.place}: values: entry {i + 1}" for i in range(row.size)])
        axes.append(row)
    shape = [axis.size for axis in axes]
    return Map(tuple(axes), _read_row(form.value(name), node, shape))


def _read_row(
    quantity: TableQuantity, node: _Node, shape: Sequence[int | None] = (None,)
) -> np.ndarray:
    """Return the values of an object with `unit` and `values`, in SI."""
    factor = unit_factor(node["unit"].value, quantity, node.place)
    of_range = quantity.factor if factor == 1.0 else 1.0
    return node["values"].numbers(quantity, of_range, shape) * factor


def _read_coverage(node: _Node, shape: Sequence[int]) -> Coverage:
    arrays = (node[key].numbers(quantity, 1.0, shape) for key, quantity in COVERAGE.items())
    visits, regret, filled = arrays
    return Coverage(visits, regret, filled > 0.0)
