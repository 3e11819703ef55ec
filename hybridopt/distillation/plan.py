"""What a user wants of tables beforehand: limits on shape, breakpoints, and cells that are held."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..files.csv_table import read_toml
from ..inputs.fields import Place, refuse_unknown, shown
from ..tables.quantities import TableQuantity, check_axis, fault
from ..tables.rule_form import QUANTITIES, RULES
from ..tables.rule_table import LAYOUT
from ..tables.shape import ShapeLimits
from .shaping import Axes, HeldCell

BREAKPOINTS = (
    *("speed_km_per_h", "soc_percent", "input_speed_rpm", "input_torque_Nm"),
    "wheel_torque_Nm",
)
"""Axes whose breakpoints may be given, by their keys in files."""
MOST, FEWEST = 64, 2  # breakpoints
SAME = 1e-6  # of the largest breakpoint, how far one that is named may be off


@dataclass(frozen=True)
class HeldCells:
    """Cells of a table that keep a value.

    Attributes
    ----------
    table : one of the rule tables
    place : SI, by key of the axis; all breakpoints of an axis that is not named
    value : SI
    """

    table: str
    place: Mapping[str, float]
    value: float


@dataclass(frozen=True, eq=False)
class TablePlan:
    """What is wanted of rule tables.

    Attributes
    ----------
    limits : on their shape
    breakpoints : SI, by key of :data:`BREAKPOINTS`; others are chosen by the training
    held : cells that keep a value
    """

    limits: ShapeLimits = field(default_factory=ShapeLimits)
    breakpoints: Mapping[str, np.ndarray] = field(default_factory=dict)
    held: Sequence[HeldCells] = ()

    def __post_init__(self) -> None:
        """Check breakpoints and tables.

        Raises
        ------
        InputError
            An axis or table is unknown, or breakpoints do not increase or are out of range.
        """
        for key, points in self.breakpoints.items():
            if key not in BREAKPOINTS:
                raise InputError(f"breakpoints {key}: is unknown; known: {', '.join(BREAKPOINTS)}")
            _check_points(np.asarray(points, dtype=float), QUANTITIES[key], f"breakpoints {key}")
        for one in self.held:
            if one.table not in LAYOUT:
                raise InputError(
                    f"hold: table {one.table!r} is unknown; known: {', '.join(LAYOUT)}"
                )

    @property
    def text(self) -> str:
        """All of it in one line, for the hash of a training."""
        points = {key: np.asarray(x, dtype=float).tolist() for key, x in self.breakpoints.items()}
        held = [(one.table, sorted(one.place.items()), one.value) for one in self.held]
        return f"{self.limits.text}; {sorted(points.items())}; {held}"

    def cells(self, axes: Axes) -> list[HeldCell]:
        """Return the cells that are held in tables over some breakpoints.

        Raises
        ------
        InputError
            There is no breakpoint where one is named, or a cell is held at two values.
        """
        found: dict[tuple[str, tuple[int, ...]], float] = {}
        for one in self.held:
            for index in _indices(one, axes[one.table]):
                if found.setdefault((one.table, index), one.value) != one.value:
                    raise InputError(f"hold: {one.table}{list(index)} is held at two values")
        return [HeldCell(table, index, value) for (table, index), value in found.items()]


def _check_points(points: np.ndarray, quantity: TableQuantity, place: str) -> None:
    if points.ndim != 1 or not FEWEST <= points.size <= MOST:
        raise InputError(f"{place}: give a list of {FEWEST} to {MOST} breakpoints")
    for value in points.tolist():
        if wrong := fault(value, quantity, quantity.factor):
            raise InputError(f"{place}: {wrong}; mend it")
    check_axis(points / quantity.factor, [place] * points.size)


def _indices(held: HeldCells, axes: tuple[np.ndarray, ...]) -> list[tuple[int, ...]]:
    """Return the cells that are meant."""
    places = []
    for key, axis in zip(LAYOUT[held.table], axes, strict=False):
        wanted = held.place.get(key)
        near = np.arange(axis.size)
        if wanted is not None:
            near = near[np.abs(axis - wanted) <= SAME * np.abs(axis).max()]
        if not near.size and wanted is not None:
            factor = QUANTITIES[key].factor
            points = ", ".join(f"{x / factor:.6g}" for x in axis.tolist())
            raise InputError(
                f"hold: {held.table} has no breakpoint {key} {wanted / factor:.6g}; name one of "
                f"{points}, or give breakpoints of your own"
            )
        places.append(near.tolist())
    return list(product(*places))


def read_table_plan(path: str | Path, limits: ShapeLimits | None = None) -> TablePlan:
    """Read breakpoints and held cells from a TOML file.

    Parameters
    ----------
    path
        The file: a table `[breakpoints]` with lists by key of :data:`BREAKPOINTS`, and any number
        of `[[hold]]`, each with `table`, the place (such as `gear = 2`) and the value, by the keys
        of the table's files, such as `speed_km_per_h = 35`.
    limits
        On shape; the usual ones where they are not given.

    Returns
    -------
    TablePlan
        With the limits that were given.

    Raises
    ------
    InputError
        The file, or something in it, is missing or wrong; the message says which.
    """
    path = Path(path)
    tables = read_toml(path)
    refuse_unknown(tables, {"breakpoints", "hold"}, Place(path, "top level"))
    given, held = tables.get("breakpoints", {}), tables.get("hold", [])
    if not isinstance(given, dict) or not isinstance(held, list):
        raise InputError(f"{path}: write the table [breakpoints], and each held cell as [[hold]]")
    refuse_unknown(given, set(BREAKPOINTS), Place(path, "breakpoints"))
    points = {}
    for key, raw in given.items():
        place = Place(path, "breakpoints")
        if not isinstance(raw, list):
            raise place.error(key, f"is {shown(raw)}; write a list of numbers")
        numbers = [
            _number(item, QUANTITIES[key], place, f"{key}[{i}]") for i, item in enumerate(raw)
        ]
        points[key] = np.array(numbers)
    try:
        return TablePlan(limits or ShapeLimits(), points, [_held(one, path) for one in held])
    except InputError as error:
        raise InputError(f"{path}: {str(error).removeprefix(f'{path}: ')}") from None


def _held(raw: Any, path: Path) -> HeldCells:
    place = Place(path, "hold")
    table = raw.get("table") if isinstance(raw, dict) else None
    if table not in LAYOUT:
        raise place.error("table", f"is {shown(table)}; write one of {', '.join(LAYOUT)}")
    *axes, value = LAYOUT[table]
    refuse_unknown(raw, {"table", *axes, value}, place)
    if value not in raw:
        raise place.error(value, f"is missing; add the value of {table}")
    at = {key: _number(raw[key], QUANTITIES[key], place, key) for key in axes if key in raw}
    return HeldCells(table, at, _number(raw[value], RULES.value(table), place, value))


def _number(raw: Any, quantity: TableQuantity, place: Place, key: str) -> float:
    """Return a number of the file in SI."""
    if isinstance(raw, bool) or not isinstance(raw, int | float) or abs(raw) > 1e300:
        raise place.error(key, f"is {shown(raw)}; write a number")
    if wrong := fault(raw, quantity):
        raise place.error(key, f"{wrong}; mend it")
    return float(raw) * quantity.factor
