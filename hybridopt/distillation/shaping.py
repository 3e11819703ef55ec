"""Tables brought within limits on their shape, whatever is drawn; cells may be held."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H, KW
from ..tables.cell_relations import GROUPS, Cells, VehicleRange, bound_cells
from ..tables.rule_form import RULES
from ..tables.shape import ShapeLimits
from ..tables.shape_faults import cell_words

ROOM = {"m/s": 0.01 * KM_PER_H, "W": 0.02 * KW, "N m": 0.02}
"""By unit, what two cells are moved towards each other at most by the coarsest export, int16."""
Axes = Mapping[str, tuple[np.ndarray, ...]]


@dataclass(frozen=True)
class HeldCell:
    """A cell that keeps its value: its table, place on the axes, from 0, and value, SI."""

    table: str
    index: tuple[int, ...]
    value: float


class Shaper:
    """Brings tables over given breakpoints within limits.

    Parameters
    ----------
    axes
        Of all tables, by name.
    limits, vehicle
        What tables must keep.
    held
        Cells that keep their values.

    Raises
    ------
    InputError
        Limits and held cells leave no value for a cell.

    Notes
    -----
    Every limit is a range, or a least difference of two cells. Of such limits there is a least
    set of tables at or above any drawn one, and a largest at or below; the mean of both is within
    the limits too, and is taken. Tables within the limits stay as they are.
    """

    def __init__(
        self, axes: Axes, limits: ShapeLimits, vehicle: VehicleRange, held: Sequence[HeldCell] = ()
    ) -> None:
        self._groups = []
        for names in GROUPS:
            if "shift_up" in names and vehicle.fastest.size == 1:
                continue
            of = {name: axes[name] for name in names}
            self._groups.append(_Group(of, bound_cells(of, limits, vehicle), held))

    def within(self, values: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return the values of all tables within the limits, by name."""
        found = dict(values)
        for group in self._groups:
            found |= group.within(found)
        return found


class _Group:
    """Tables that are bound to each other."""

    def __init__(self, axes: Axes, cells: Cells, held: Sequence[HeldCell]) -> None:
        self._cells = cells
        room = ROOM[RULES.value(next(iter(axes))).unit]
        relations = [r._replace(least=_with_room(r.limit, r.least, room)) for r in cells.relations]
        none = np.empty(0, dtype=int)
        self._lower = np.concatenate([none, *(r.lower for r in relations)])
        self._upper = np.concatenate([none, *(r.upper for r in relations)])
        self._least = np.concatenate([[], *(np.full(r.lower.size, r.least) for r in relations)])
        wide = cells.high - cells.low > room  # zero is kept to the bit
        low = cells.low + np.where(wide & (cells.low != 0.0), 0.5 * room, 0.0)
        high = cells.high - np.where(wide, 0.5 * room, 0.0)
        for cell in held:
            if cell.table in cells.shapes:
                number = cells.number(cell.table, cell.index)
                low[number] = high[number] = cell.value
        self._low, self._high = self._raised(low), self._lowered(high)
        wrong = np.flatnonzero(self._low > self._high + 1e-9)
        if wrong.size:
            unit = RULES.value(next(iter(axes)))
            low_here, high_here = (x[wrong[0]] / unit.factor for x in (self._low, self._high))
            raise InputError(
                f"{cell_words(axes, cells, int(wrong[0]))}: the limits on shape and held cells "
                f"leave no value (at least {low_here:.6g}, at most {high_here:.6g} "
                f"{unit.file_unit}); make a limit smaller, or hold other values"
            )

    def within(self, values: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return the tables within the limits."""
        shapes = self._cells.shapes
        drawn = np.concatenate([values[name].ravel() for name in shapes])
        drawn = np.clip(drawn, self._low, self._high)
        found = 0.5 * (self._raised(drawn) + self._lowered(drawn))
        parts = np.split(found, np.cumsum([values[name].size for name in shapes])[:-1])
        return {
            name: part.reshape(shape)
            for part, (name, shape) in zip(parts, shapes.items(), strict=True)
        }

    def _raised(self, values: np.ndarray) -> np.ndarray:
        """Return the least values at or above some that keep all differences."""
        found, before = values.copy(), np.empty_like(values)
        while not np.array_equal(found, before):
            before[:] = found
            np.maximum.at(found, self._upper, found[self._lower] + self._least)
        return found

    def _lowered(self, values: np.ndarray) -> np.ndarray:
        """Return the largest values at or below some that keep all differences."""
        found, before = values.copy(), np.empty_like(values)
        while not np.array_equal(found, before):
            before[:] = found
            np.minimum.at(found, self._lower, found[self._upper] - self._least)
        return found


def _with_room(limit: str, least: float, room: float) -> float:
    """Return the difference that leaves room for rounding; equal cells are rounded alike."""
    if limit in ("ordered", "rising"):
        return least
    return min(least + room, 0.0) if least < 0.0 else least + room
