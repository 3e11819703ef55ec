"""Rule tables as JSON: lossless, in SI units, with a unit beside each list of figures."""

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..files.csv_table import read_text
from ..inputs.fields import shown
from .origin import origin_record, read_origin
from .quantities import (
    CONSTANTS,
    MEANINGS,
    TableQuantity,
    axis_quantities,
    check_axis,
    check_constants,
    digest,
    fault,
    value_quantity,
)
from .rule_set import Coverage, RuleSet, make_rule_set
from .rule_table import LAYOUT, Map

LARGEST_FILE = 20_000_000  # bytes


def json_text(rule_set: RuleSet) -> str:
    """Return a rule set as JSON; each float comes back as it was."""
    return _pretty(_record(rule_set)) + "\n"


def read_json(path: Path) -> RuleSet:
    """Read a rule set from JSON.

    Figures may be in SI units or in those of the trade (km/h, rpm, %, kW), as `unit` says.

    Raises
    ------
    InputError
        The file, or something in it, is missing or wrong; the message says what.
    """
    root = _Node(_parse(path), str(path))
    tables = root["tables"]
    maps = {name: _read_map(name, tables[name]) for name in LAYOUT}
    constants = {name: _read_row(q, root["constants"][name]) for name, q in CONSTANTS.items()}
    check_constants(constants, str(path))
    coverage = {
        name: _read_coverage(tables[name]["coverage"], maps[name].values.shape)
        for name in LAYOUT
        if "coverage" in tables[name]
    }
    origin = read_origin(root.mapping(), _digest(constants, maps), str(path))
    return make_rule_set(origin, constants, maps, coverage)


def _digest(constants: Mapping[str, np.ndarray], maps: Mapping[str, Map]) -> str:
    arrays = [array for name in LAYOUT for array in (*maps[name].axes, maps[name].values)]
    return digest([*arrays, *(constants[name] for name in CONSTANTS)])


def _record(rule_set: RuleSet) -> dict[str, Any]:
    constants, maps = rule_set.constants, rule_set.maps
    return origin_record(rule_set, _digest(constants, maps)) | {
        "constants": {
            name: {"meaning": MEANINGS[name], **_row(quantity, constants[name])}
            for name, quantity in CONSTANTS.items()
        },
        "tables": {
            name: {
                "meaning": MEANINGS[name],
                **_row(value_quantity(name), found.values),
                "axes": [
                    {"name": quantity.name, **_row(quantity, axis)}
                    for quantity, axis in zip(axis_quantities(name), found.axes, strict=True)
                ],
                **_coverage(rule_set.coverage.get(name)),
            }
            for name, found in maps.items()
        },
    }


def _row(quantity: TableQuantity, values: np.ndarray) -> dict[str, Any]:
    return {"unit": quantity.unit, "values": values.tolist()}


def _coverage(coverage: Coverage | None) -> dict[str, Any]:
    if coverage is None:
        return {}
    return {
        "coverage": {
            "visits_s": coverage.visits.tolist(),
            "regret_g": coverage.regret.tolist(),
            "filled": coverage.filled.astype(int).tolist(),
        }
    }


def _pretty(value: Any, indent: str = "") -> str:
    """Write JSON with one row of figures per line."""
    inner = indent + "  "
    if isinstance(value, dict) and value:
        pieces = [f"{json.dumps(key)}: {_pretty(item, inner)}" for key, item in value.items()]
        return "{\n" + ",\n".join(inner + piece for piece in pieces) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(item, list | dict) for item in value):
        return "[\n" + ",\n".join(inner + _pretty(item, inner) for item in value) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False)


class _Node:
    """A value of the file, with the place where it stands."""

    def __init__(self, value: Any, place: str) -> None:
        self.value, self.place = value, place

    def mapping(self) -> dict[str, Any]:
        if not isinstance(self.value, dict):
            raise InputError(f"{self.place}: is {shown(self.value)}; write an object in braces")
        return self.value

    def __contains__(self, key: str) -> bool:
        return key in self.mapping()

    def __getitem__(self, key: str) -> "_Node":
        if key not in self.mapping():
            raise InputError(f"{self.place}: {key} is missing; add it, as in an exported file")
        return _Node(self.mapping()[key], f"{self.place}: {key}")

    def items(self, count: int | None = None) -> Iterator["_Node"]:
        """Yield the entries of a list, which must be as many as said."""
        if not isinstance(self.value, list) or not self.value:
            raise InputError(f"{self.place}: is {shown(self.value)}; write a list of figures")
        if count is not None and len(self.value) != count:
            raise InputError(
                f"{self.place}: has {len(self.value)} entries; give {count}, one per point of its "
                "axis"
            )
        for i, item in enumerate(self.value, start=1):
            yield _Node(item, f"{self.place}: entry {i}")

    def number(self, quantity: TableQuantity, factor: float) -> float:
        value = self.value
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{self.place}: is {shown(value)}; write a number")
        if abs(value) > 1e300:
            raise InputError(f"{self.place}: is too large a number; mend it")
        if wrong := fault(value, quantity, factor):
            raise InputError(f"{self.place}: {wrong}; mend it")
        return float(value)


def _parse(path: Path) -> Any:
    try:
        return json.loads(read_text(path, LARGEST_FILE), object_pairs_hook=_once)
    except json.JSONDecodeError as error:
        raise InputError(
            f"{path}: line {error.lineno}, column {error.colno}: is no valid JSON ({error.msg}); "
            "mend it, or export again"
        ) from None
    except _TwiceError as error:
        raise InputError(f"{path}: {error} is there twice in one object; keep one") from None
    except (RecursionError, ValueError):
        raise InputError(
            f"{path}: is nested too deeply, or a number is too long; export again"
        ) from None


class _TwiceError(Exception):
    pass


def _once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        keys = [key for key, _ in pairs]
        raise _TwiceError(shown(next(key for key in keys if keys.count(key) > 1)))
    return found


def _read_map(name: str, node: _Node) -> Map:
    quantities = axis_quantities(name)
    axes = []
    for quantity, axis in zip(quantities, node["axes"].items(len(quantities)), strict=True):
        if axis["name"].value != quantity.name:
            raise InputError(
                f"{axis.place}: name is {shown(axis['name'].value)}; here stands the axis "
                f"{quantity.name!r}, so put the axes in the order of an exported file"
            )
        row = _read_row(quantity, axis)
        places = [f"{axis.place}: values: entry {i + 1}" for i in range(row.size)]
        check_axis(row, places)
        axes.append(row)
    shape = tuple(axis.size for axis in axes)
    return Map(tuple(axes), _read_row(value_quantity(name), node, shape))


def _read_row(
    quantity: TableQuantity, node: _Node, shape: tuple[int, ...] | None = None
) -> np.ndarray:
    """Return the figures of an object with `unit` and `values`, in SI."""
    units = {quantity.file_unit: quantity.factor, quantity.unit: 1.0}
    unit = node["unit"].value
    if not isinstance(unit, str) or unit not in units:
        allowed = " or ".join(sorted(units, reverse=True))
        raise InputError(f"{node.place}: unit is {shown(unit)}; allowed is {allowed}")
    inside = quantity.factor if units[unit] == 1.0 else 1.0
    return _numbers(quantity, node["values"], shape, inside) * units[unit]


def _numbers(
    quantity: TableQuantity, node: _Node, shape: tuple[int, ...] | None, factor: float
) -> np.ndarray:
    if shape is None:
        return np.array([item.number(quantity, factor) for item in node.items()])
    if len(shape) == 1:
        return np.array([item.number(quantity, factor) for item in node.items(shape[0])])
    rows = [_numbers(quantity, item, shape[1:], factor) for item in node.items(shape[0])]
    return np.array(rows)


_ANY = TableQuantity("coverage", "1", "1", 1.0, -1e15, 1e15)
_FLAG = TableQuantity("coverage", "1", "1", 1.0, 0.0, 1.0)


def _read_coverage(node: _Node, shape: tuple[int, ...]) -> Coverage:
    return Coverage(
        visits=_numbers(_ANY, node["visits_s"], shape, 1.0),
        regret=_numbers(_ANY, node["regret_g"], shape, 1.0),
        filled=_numbers(_FLAG, node["filled"], shape, 1.0) > 0.0,
    )
