"""What the C exports share: names, comments, literals and arrays of a generated source."""

import re
import textwrap
from importlib import resources
from string import Template
from typing import Any, NamedTuple

import numpy as np

from ..base.cautions import TABLES_CAUTION
from ..tables.form import Content
from ..tables.origin import DIGEST, one_line, origin_record
from ..tables.quantities import TableQuantity, check_axis

NAME_LENGTH = 20  # C99 tells external names of 31 characters apart; "_inputs" is added
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
    scale: Scale | None = None

    @property
    def kept(self) -> np.ndarray:
        """The values that the C code sees, float64."""
        entries = self.entries.astype(np.float64)
        if self.scale is None:
            return entries
        return float(np.float32(self.scale.offset)) + float(np.float32(self.scale.scale)) * entries


def float_row(name: str, quantity: TableQuantity, values: np.ndarray) -> Row:
    """Return values as float32."""
    return Row(name, quantity, values, values.astype(np.float32))


def table_rows(content: Content, make_row: Any = float_row) -> dict[str, list[Row]]:
    """Return the rows of each table: its axes, then its values; shared axes have one name.

    Raises
    ------
    InputError
        Points of an axis fall together when rounded.
    """
    tables, shared = {}, content.form.shared_axes(content.maps)
    for name, found in content.maps.items():
        rows = [
            make_row(shared.get(part, f"{name}_values"), quantity, array.ravel())
            for part, quantity, array in content.form.arrays(name, found)
        ]
        for row in rows[:-1]:
            check_axis(row.kept, [f"{row.name} as {row.entries.dtype}"] * row.values.size)
        tables[name] = rows
    return tables


def c_name(title: str, first: str = "rules") -> str:
    """Return a title as the name of C files and symbols: a letter, then letters and digits."""
    words = re.sub(r"[^a-z0-9]+", "_", title.lower()).strip("_")
    words = words if words.startswith(first) else f"{first}_{words}"
    return words[:NAME_LENGTH].rstrip("_")


def template(name: str) -> Template:
    """Return a template of the package."""
    folder = resources.files(__package__) / "templates"
    return Template((folder / name).read_text(encoding="utf-8"))


def comment_text(text: str) -> str:
    """Return a text that cannot end a C comment, nor do anything else in it."""
    return _COMMENT.sub("_", one_line(text))


def content_comment(content: Content, head: str, tables: dict[str, list[Row]]) -> str:
    """Return what a comment at the top says: origin, caution, tables and constants."""
    form, record = content.form, origin_record(content, "")
    record["cycles"] = ", ".join(record["cycles"])
    lines = [f"{key}: {record[key]}" for key in record if key not in ("kind", "caution", DIGEST)]
    lines = [head, *lines, "", *wrap(TABLES_CAUTION), ""]
    for name, rows in tables.items():
        lines += wrap(f"{name}: {form.meanings[name]}")
        lines += [f"  {_described(row, axis=row is not rows[-1])}" for row in rows]
    lines += [f"{name}: {form.meanings[name]}, {q.unit}" for name, q in form.constants.items()]
    return "\n".join(f" * {comment_text(line)}".rstrip() for line in lines)


def _described(row: Row, axis: bool) -> str:
    text = f"{'axis ' + row.quantity.name if axis else 'values'}, {row.quantity.unit}, "
    text += f"{row.values.size} from {row.values.min():.6g} to {row.values.max():.6g}"
    if row.scale is not None:
        text += f"; {row.scale.offset:.9g} + {row.scale.scale:g} times the entry"
    return text


def array(head: str, entries: list[str]) -> str:
    """Return the definition of an array."""
    lines = wrap(" ".join(f"{entry}," for entry in entries))
    return f"{head} = {{\n    " + "\n    ".join(lines) + "\n};"


def wrap(text: str) -> list[str]:
    """Return a text in lines."""
    return textwrap.wrap(text, WIDTH, break_on_hyphens=False)


def literal(value: Any) -> str:
    """Return the shortest float literal that gives this float32."""
    return f"{np.float32(value) + np.float32(0.0)!s}F"
