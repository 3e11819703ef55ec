"""Rule tables as C99 source: constant arrays in float32 or scaled int16, and the decision.

The code is that of :mod:`hybridopt.controllers.rule_kernels`, in the same order.
"""

import re
import textwrap
from dataclasses import replace
from importlib import resources
from string import Template
from typing import Any, NamedTuple

import numpy as np

from ..base.cautions import TABLES_CAUTION
from ..base.errors import InputError
from ..controllers.maps import Map
from ..tables.origin import DIGEST, one_line, origin_record
from ..tables.quantities import (
    CONSTANTS,
    MEANINGS,
    TableQuantity,
    check_axis,
    check_rule_set,
    named_arrays,
)
from ..tables.rule_set import BY_GEAR, SCALARS, RuleSet
from ..tables.rule_table import LAYOUT

NAME_LENGTH = 20  # C99 tells external names of 31 characters apart; "_inputs" is added
INT16_MAX = 32767
WIDTH = 88  # of lines, without what they begin with
_COMMENT = re.compile(r"[^A-Za-z0-9 .,:;()+=_%'/-]")


class Scale(NamedTuple):
    """How int16 entries become values in SI: offset + scale * entry."""

    scale: float
    offset: float


class Row(NamedTuple):
    """Values of one axis or table as the C code keeps them.

    Attributes
    ----------
    name : of the array
    quantity : what the values are
    values : SI, as they were
    entries : float32 or int16
    scale : of int16 entries; None for float32
    """

    name: str
    quantity: TableQuantity
    values: np.ndarray
    entries: np.ndarray
    scale: Scale | None

    @property
    def kept(self) -> np.ndarray:
        """The values that the C code sees, float64."""
        entries = self.entries.astype(np.float64)
        if self.scale is None:
            return entries
        return float(np.float32(self.scale.offset)) + float(np.float32(self.scale.scale)) * entries


def c_files(rule_set: RuleSet, int16: bool = False) -> dict[str, str]:
    """Return header and source by file name.

    Parameters
    ----------
    rule_set
        What is exported.
    int16
        Keep axes and tables as scaled int16; arithmetic stays in float32.

    Raises
    ------
    InputError
        A value is not fit for use, or points of an axis fall together when rounded.
    """
    check_rule_set(rule_set)
    name = c_name(rule_set.origin.title)
    tables = _tables(rule_set, int16)
    fields = {
        "name": name,
        "guard": name.upper(),
        "gears": str(rule_set.gearbox.ratios.size),
        "training": _COMMENT.sub("_", rule_set.origin.training),
        "comment": _comment(rule_set, tables),
        "include": "#include <stdint.h>\n" if int16 else "",
        "entry": "int16_t" if int16 else "float",
        "row_fields": "\n    float scale;\n    float offset;" if int16 else "",
        "figure": "from->offset + from->scale * (float)from->entries[i]"
        if int16
        else "from->entries[i]",
        "arrays": _arrays(rule_set, tables, int16),
    }
    return {f"{name}.{kind}": template(f"rules.{kind}").substitute(fields) for kind in "hc"}


def c_name(title: str) -> str:
    """Return a title as the name of C files and symbols: a letter, then letters and digits."""
    words = re.sub(r"[^a-z0-9]+", "_", title.lower()).strip("_")
    words = words if words.startswith("rules") else f"rules_{words}"
    return words[:NAME_LENGTH].rstrip("_")


def as_int16(rule_set: RuleSet) -> RuleSet:
    """Return the rule set that the scaled int16 code holds, for a closed loop with it.

    Raises
    ------
    InputError
        As :func:`c_files`.
    """
    maps: dict[str, Any] = {}
    for name, (*axes, values) in _tables(rule_set, int16=True).items():
        shape = [axis.values.size for axis in axes]
        maps[name] = Map(tuple(axis.kept for axis in axes), values.kept.reshape(shape))
    return replace(rule_set, table=replace(rule_set.table, **maps), coverage={})


def template(name: str) -> Template:
    """Return a template of the package."""
    folder = resources.files(__package__) / "templates"
    return Template((folder / name).read_text(encoding="utf-8"))


def comment_text(text: str) -> str:
    """Return a text that cannot end a C comment, nor do anything else in it."""
    return _COMMENT.sub("_", one_line(text))


def _tables(rule_set: RuleSet, int16: bool) -> dict[str, list[Row]]:
    """Return the rows of each table: its axes, then its values."""
    tables = {}
    for name, found in rule_set.maps.items():
        rows = [
            _row(f"{name}_values" if part == name else part, quantity, array.ravel(), int16)
            for part, quantity, array in named_arrays(name, found)
        ]
        for row in rows[:-1]:
            check_axis(row.kept, [f"{row.name} as {row.entries.dtype}"] * row.values.size)
        tables[name] = rows
    return tables


def _row(name: str, quantity: TableQuantity, values: np.ndarray, int16: bool) -> Row:
    if not int16:
        return Row(name, quantity, values, values.astype(np.float32), None)
    scale = _scale(float(values.min()), float(values.max()))
    entries = np.rint((values - scale.offset) / scale.scale)
    return Row(name, quantity, values, entries.astype(np.int16), scale)


def _scale(low: float, high: float) -> Scale:
    """Return the smallest scale 1, 2 or 5 times a power of ten that holds a range."""
    if low == high:
        return Scale(1.0, low)
    for exponent in range(int(np.floor(np.log10(high - low))) - 6, 20):
        for digit in (1.0, 2.0, 5.0):
            scale = digit * 10.0**exponent
            offset = round(0.5 * (low + high) / scale) * scale
            if max(high - offset, offset - low) / scale <= INT16_MAX:
                return Scale(scale, offset)
    raise InputError(f"values from {low:g} to {high:g} are too far apart for int16")


def _comment(rule_set: RuleSet, tables: dict[str, list[Row]]) -> str:
    record = origin_record(rule_set, "")
    record["cycles"] = ", ".join(record["cycles"])
    lines = [f"{key}: {record[key]}" for key in record if key not in ("kind", "caution", DIGEST)]
    lines = ["Rule tables of a parallel hybrid driveline", *lines, "", *_wrap(TABLES_CAUTION), ""]
    for name, rows in tables.items():
        lines += _wrap(f"{name}: {MEANINGS[name]}")
        lines += [f"  {_described(row, axis=row is not rows[-1])}" for row in rows]
    lines += [f"{name}: {MEANINGS[name]}, {q.unit}" for name, q in CONSTANTS.items()]
    return "\n".join(f" * {comment_text(line)}".rstrip() for line in lines)


def _described(row: Row, axis: bool) -> str:
    text = f"{'axis ' + row.quantity.name if axis else 'values'}, {row.quantity.unit}, "
    text += f"{row.values.size} from {row.values.min():.6g} to {row.values.max():.6g}"
    if row.scale is not None:
        text += f"; {row.scale.offset:.9g} + {row.scale.scale:g} times the entry"
    return text


def _arrays(rule_set: RuleSet, tables: dict[str, list[Row]], int16: bool) -> str:
    constants = rule_set.constants
    pieces = [
        _array(f"static const float {name}[GEARS]", [_literal(x) for x in constants[name]])
        for name in BY_GEAR
    ]
    pieces += [
        f"static const float {name} = {_literal(constants[name][0])};"
        for name in (*SCALARS, "idle_speed", "highest_speed")
    ]
    for name in LAYOUT:
        *axes, values = tables[name]
        for row in (*axes, values):
            entries = [str(x) if int16 else _literal(x) for x in row.entries]
            pieces.append(_array(f"static const entry {row.name}[{row.values.size}]", entries))
        rows = [_initializer(row) for row in axes]
        rows += [_NO_AXIS[int16]] * (3 - len(axes))
        pieces.append(
            f"static const map {name} = {{\n    {{{(',' + chr(10) + '     ').join(rows)}}},\n"
            f"    {_initializer(values)}\n}};"
        )
    return "\n".join(pieces)


_NO_AXIS = {False: "{1, 0}", True: "{1, 0, 1.0F, 0.0F}"}


def _initializer(row: Row) -> str:
    scale = ""
    if row.scale is not None:
        scale = f", {_literal(row.scale.scale)}, {_literal(row.scale.offset)}"
    return f"{{{row.values.size}, {row.name}{scale}}}"


def _array(head: str, entries: list[str]) -> str:
    lines = _wrap(" ".join(f"{entry}," for entry in entries))
    return f"{head} = {{\n    " + "\n    ".join(lines) + "\n};"


def _wrap(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, break_on_hyphens=False)


def _literal(value: Any) -> str:
    """Return the shortest float literal that gives this float32."""
    return f"{np.float32(value) + np.float32(0.0)!s}F"
