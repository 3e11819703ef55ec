"""What cells of rule tables are worth, as text, JSON and CSV."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..base.cautions import CAUTION_LINE
from ..base.units import PERCENT
from ..base.words import cut, fitted
from ..files.table_csv import table_writer
from ..files.writing import Write
from ..tables.cell_place import cell_place

if TYPE_CHECKING:
    from ..distillation.cell_worth import CellWorth, TableWorth, WorthRow

FIGURES = ("fuel_g", "cost_equal_g", "starts", "shifts", "soc_percent")
"""Names of what changes with a cell, in files and in JSON."""
NOTE = (
    "Changes over all drives where the cell alone is moved by its step; of the SoC at\n"
    "the end the mean. Rules are thresholds: a change belongs to its step."
)
PLACE_ROOM = 23


def worth_text(worth: "CellWorth", most: int = 20) -> str:
    """Describe what cells are worth in at most 80 columns of plain text.

    Parameters
    ----------
    worth
        From :func:`hybridopt.cell_worth`.
    most
        How many cells are listed.

    Returns
    -------
    str
        Lines without a final newline: the tables, then the cells that save most.
    """
    lines = [f"{'table':16}{'step':>10}{'cells':>8}{'not reached':>13}{'most saved':>14}"]
    rows = worth.ranked()
    for name, table in worth.tables.items():
        unit = worth.rule_set.form.value(name).file_unit
        saved = min((row.change.cost_equal_g for row in rows if row.table == name), default=0.0)
        lines.append(
            f"{name:16}{f'{table.step:g} {unit}':>10}{table.seconds.size:>8}"
            f"{int((table.seconds == 0.0).sum()):>13}{fitted(max(-saved, 0.0), 3, 14, ' g')}"
        )
    return "\n".join(
        [f"Drives: {', '.join(worth.cycles)}", "", *lines, "", *_ranked_lines(worth, most)]
        + ["", NOTE, "", CAUTION_LINE]
    )


def _ranked_lines(worth: "CellWorth", most: int) -> list[str]:
    rows = [row for row in worth.ranked()[:most] if row.change.cost_equal_g < 0.0]
    if not rows:
        return ["No cell saves anything by its step alone."]
    heads = [
        f"{'':53}{'cost':>7}{'fuel':>7}{'start/':>7}{'SoC':>6}",
        f"{'the cells that save most':39}{'step':>8}{'read':>6}{'g':>7}{'g':>7}"
        f"{'shift':>7}{'%':>6}",
    ]
    return [*heads, *(_ranked_line(worth, row) for row in rows)]


def _ranked_line(worth: "CellWorth", row: "WorthRow") -> str:
    unit = worth.rule_set.form.value(row.table).file_unit
    share = 100.0 * worth.tables[row.table].seconds[row.cell] / worth.duration
    place, change = cell_place(worth.rule_set, row.table, row.cell), row.change
    if len(place) > PLACE_ROOM:  # the last one on it, SoC, must not be cut
        place = place.replace("SoC ", "").replace(",", "")
    events = f"{change.starts:+.0f}/{change.shifts:+.0f}"
    return (
        f"{row.table:15}{cut(place, PLACE_ROOM):24}{f'{row.step:+g} {unit}':>8}{share:>5.1f}%"
        f"{fitted(change.cost_equal_g, 3, 7)}{fitted(change.fuel_g, 3, 7)}"
        f"{events:>7}{fitted(change.soc_end / PERCENT, 2, 6)}"
    )


def worth_record(worth: "CellWorth") -> dict[str, Any]:
    """Return what cells are worth for JSON; what is not known is None."""
    base = [_in_files(np.array(found)) for found in worth.base]
    return {
        "cycles": list(worth.cycles),
        "drives": [
            {"cycle": cycle, **dict(zip(FIGURES, found, strict=True))}
            for cycle, found in zip(worth.cycles, base, strict=True)
        ],
        "cells": [dict(zip(_COLUMNS, row, strict=True)) for row in _rows(worth)],
    }


def worth_writer(worth: "CellWorth") -> Write:
    """Return a function that writes all cells as CSV, in the order of the tables."""
    return table_writer(_COLUMNS, list(_rows(worth)))


_COLUMNS = (
    *("table", "index", "cell", "value", "unit", "step", "read_s", "read_percent"),
    *(f"{way}_{name}" for way in ("raised", "lowered", "per_unit") for name in FIGURES),
)


def _rows(worth: "CellWorth") -> Iterator[Sequence[Any]]:
    form = worth.rule_set.form
    for name, table in worth.tables.items():
        quantity, values = form.value(name), worth.rule_set.map(name).values
        changes = _changes(table)
        for index in np.ndindex(values.shape):
            seconds = float(table.seconds[index])
            yield (
                *(name, " ".join(str(i + 1) for i in index)),
                *(cell_place(worth.rule_set, name, index), values[index] / quantity.factor),
                *(quantity.file_unit, table.step, seconds, 100.0 * seconds / worth.duration),
                *_in_files(changes[index].ravel()),
            )


def _changes(table: "TableWorth") -> np.ndarray:
    """Return changes where a cell is raised, lowered and per unit, (..., 3, 5)."""
    return np.concatenate([table.total, table.per_unit[..., None, :]], axis=-2)


def _in_files(figures: np.ndarray) -> list[float | None]:
    """Return figures in the units of files, one set behind the other."""
    scaled = figures.reshape(-1, len(FIGURES)) / np.array([1.0, 1.0, 1.0, 1.0, PERCENT])
    return [float(x) + 0.0 if np.isfinite(x) else None for x in scaled.ravel()]
