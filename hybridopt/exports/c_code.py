"""Rule tables as C99 source: constant arrays in float32 or scaled int16, and the decision.

The code is that of :mod:`hybridopt.controllers.rule_kernels`, in the same order.
"""

from dataclasses import replace
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..controllers.maps import Map
from ..tables.form import check_content
from ..tables.quantities import TableQuantity
from ..tables.rule_form import BY_GEAR
from ..tables.rule_set import SCALARS, RuleSet
from ..tables.rule_table import LAYOUT
from .c_arrays import (
    CArray,
    constant_arrays,
    constant_members,
    definition,
    struct_texts,
    table_arrays,
)
from .c_text import (
    Row,
    Scale,
    c_name,
    comment_text,
    content_comment,
    float_row,
    literal,
    table_rows,
    template,
)

INT16_MAX = 32767
CONSTANTS = (*BY_GEAR, *SCALARS, "idle_speed", "highest_speed")


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
    check_content(rule_set)
    name = c_name(rule_set.origin.title)
    tables = _tables(rule_set, int16)
    fields = {
        "name": name,
        "guard": name.upper(),
        "gears": str(rule_set.gearbox.ratios.size),
        "training": comment_text(rule_set.origin.training),
        "comment": content_comment(rule_set, "Rule tables of a parallel hybrid driveline", tables),
        "include": "#include <stdint.h>\n" if int16 else "",
        "entry": "int16_t" if int16 else "float",
        "row_fields": "\n    float scale;\n    float offset;" if int16 else "",
        "figure": "from->offset + from->scale * (float)from->entries[i]"
        if int16
        else "from->entries[i]",
        **_members(rule_arrays(rule_set, int16), tables, int16),
    }
    return {f"{name}.{kind}": template(f"rules.{kind}").substitute(fields) for kind in "hc"}


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


def _tables(rule_set: RuleSet, int16: bool) -> dict[str, list[Row]]:
    return table_rows(rule_set, _scaled_row if int16 else float_row)


def _scaled_row(name: str, quantity: TableQuantity, values: np.ndarray) -> Row:
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


def rule_arrays(rule_set: RuleSet, int16: bool = False) -> list[CArray]:
    """Return what can be calibrated in the code; parameters and errors as :func:`c_files`."""

    def place(table: str, axis: int | None) -> str:
        return f"{table}.values.entries" if axis is None else f"{table}.axes[{axis}].entries"

    constants = constant_arrays(rule_set, {name: name for name in CONSTANTS})
    return constants + table_arrays(rule_set, _tables(rule_set, int16), place)


def _members(arrays: list[CArray], tables: dict[str, list[Row]], int16: bool) -> dict[str, str]:
    """Return the struct of all that can be calibrated, and the arrays it points to."""
    members = constant_members(arrays)
    for name in LAYOUT:
        *axes, values = tables[name]
        rows = [_initializer(row) for row in axes] + [_NO_AXIS[int16]] * (3 - len(axes))
        kept = f"{{{{{(',' + chr(10) + '      ').join(rows)}}},\n     {_initializer(values)}}}"
        members.append((f"map {name}", kept))
    declared, kept = struct_texts(members)
    pieces = [definition(of) for of in arrays]
    return {"members": declared, "arrays": "\n".join([*pieces, kept])}


_NO_AXIS = {False: "{1, 0}", True: "{1, 0, 1.0F, 0.0F}"}


def _initializer(row: Row) -> str:
    scale = ""
    if row.scale is not None:
        scale = f", {literal(row.scale.scale)}, {literal(row.scale.offset)}"
    return f"{{{row.values.size}, {row.name}{scale}}}"
