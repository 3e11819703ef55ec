"""What can be calibrated in the C code: its arrays, with the names and meanings of the tables."""

from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

import numpy as np

from ..tables.form import Content
from .c_text import Row, array, float_row, literal


class CArray(NamedTuple):
    """An array of the C code.

    Attributes
    ----------
    label : its name in files of calibration data
    row : its name in the C code, quantity, values and entries
    meaning : of its values
    kind : "value", "block" of one value per gear, "axis" or "table"
    shape : of its values; the last index runs fastest
    places : where the C code finds it, as members of its `tables`
    axes : labels of its axes, or the points of one that is counted and not kept
    derived : whether it is worked out from other values
    """

    label: str
    row: Row
    meaning: str
    kind: str
    shape: tuple[int, ...]
    places: tuple[str, ...]
    axes: tuple[str | np.ndarray, ...] = ()
    derived: bool = False


def constant_arrays(content: Content, names: Mapping[str, str]) -> list[CArray]:
    """Return constants that the C code keeps as they are: their names there, by names in files."""
    form, constants = content.form, content.constants
    found = []
    for label, name in names.items():
        row = float_row(name, form.constants[label], constants[label])
        kind = "block" if label in form.by_gear else "value"
        found.append(CArray(label, row, form.meanings[label], kind, row.values.shape, (name,)))
    return found


def table_arrays(
    content: Content,
    tables: Mapping[str, list[Row]],
    place: Callable[[str, int | None], str | None],
    left_out: Mapping[str, Iterable[int]] | None = None,
) -> list[CArray]:
    """Return axes and values of tables, in the order in which they are first found.

    Parameters
    ----------
    content
        What is exported.
    tables
        The rows of each table: axes, then values.
    place
        Gives where the C code finds an axis of a table by its number, or the values for None;
        nothing where it finds it at another place.
    left_out
        Numbers of axes, by table, that the code counts and does not keep.
    """
    found: dict[str, CArray] = {}
    for table, (*axes, values) in tables.items():
        counted = set((left_out or {}).get(table, ()))
        labels = [axis.values if i in counted else axis.name for i, axis in enumerate(axes)]
        for i, axis in enumerate(axes):
            if i in counted:
                continue
            meaning, at = f"axis {axis.quantity.name}", place(table, i)
            new = CArray(axis.name, axis, meaning, "axis", axis.values.shape, ())
            old = found.get(axis.name, new)
            found[axis.name] = old._replace(places=(*old.places, *([at] if at else [])))
        shape = tuple(axis.values.size for axis in axes)
        meaning, at = content.form.meanings[table], place(table, None)
        places = (at,) if at else ()
        found[table] = CArray(table, values, meaning, "table", shape, places, tuple(labels))
    return list(found.values())


def definition(of: CArray) -> str:
    """Return the C text that defines an array."""
    row = of.row
    entries = [literal(x) if row.scale is None else str(x) for x in row.entries]
    match of.kind:
        case "value":
            return f"static KEPT float {row.name} = {entries[0]};"
        case "block":
            return array(f"static KEPT float {row.name}[GEARS]", entries)
    kept = "float" if row.scale is None else "int16_t"
    return array(f"static KEPT {kept} {row.name}[{len(entries)}]", entries)


def size_of(arrays: Iterable[CArray]) -> int:
    """Return how many bytes tables and axes take."""
    return sum(of.row.entries.nbytes for of in arrays if of.kind in ("axis", "table"))


def struct_texts(members: Iterable[tuple[str, str]]) -> tuple[str, str]:
    """Return the C texts of the struct that says where all arrays lie: members and definition.

    Parameters
    ----------
    members
        Declaration and value of each.
    """
    declared, values = zip(*members, strict=True)
    members_text = "\n".join(f"    {text};" for text in declared)
    return members_text, "static const tables kept_tables = {\n    " + ",\n    ".join(
        values
    ) + "\n};"


def constant_members(arrays: Iterable[CArray]) -> list[tuple[str, str]]:
    """Return declaration and value of the members that say where constants lie."""
    return [
        (f"KEPT float *{of.row.name}", of.row.name if of.kind == "block" else f"&{of.row.name}")
        for of in arrays
        if of.kind in ("value", "block")
    ]
