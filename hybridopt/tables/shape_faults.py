"""Where rule tables break limits on their shape, cell by cell, in words of the trade."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from ..controllers.maps import Map
from ..inputs.driveline import Driveline
from .cell_relations import GROUPS, Cells, VehicleRange, bound_cells, vehicle_range
from .rule_form import RULES
from .rule_set import RuleSet
from .shape import ShapeLimits

SLACK = 1e-5  # of a value's unit in files, what rounding in 32 bits may take
AXIS_WORDS = {
    "speed": "speed {:g} km/h",
    "soc": "SoC {:g} %",
    "input_speed": "input speed {:g} rpm",
    "input_torque": "input torque {:g} N m",
    "gear": "gear {:.0f}",
    "wheel_torque": "wheel torque {:g} N m",
}


@dataclass(frozen=True)
class ShapeFault:
    """A cell that breaks a limit.

    Attributes
    ----------
    limit : name of the limit, a field of :class:`hybridopt.ShapeLimits`
    table, index : the cell: name of its table, place on the table's axes, from 0; or the name of a
        constant, and an empty index
    value : of the cell, SI
    low, high : between which it would keep the limit while all others stay, SI
    other : table and index of the cell it must keep a distance from; None where it is out of range
    text : one sentence in the units of files
    """

    limit: str
    table: str
    index: tuple[int, ...]
    value: float
    low: float
    high: float
    other: tuple[str, tuple[int, ...]] | None
    text: str


def shape_faults(
    rule_set: RuleSet,
    vehicle: Driveline | VehicleRange | None = None,
    limits: ShapeLimits | None = None,
) -> list[ShapeFault]:
    """Find the cells of rule tables that break limits on their shape.

    Parameters
    ----------
    rule_set
        The tables, also edited by hand.
    vehicle
        What they are for, whose range their values must not leave: a driveline, or its
        :func:`vehicle_range`, which takes a moment to work out. Without it, or with one of other
        gears, ranges are left aside.
    limits
        What is asked; by default what the tables say they were made for, else the usual limits.

    Returns
    -------
    list of ShapeFault
        In the order of the tables; empty where all limits hold.

    Notes
    -----
    Shift lines hold for every gear that can be left and both engine states. Tables of a pair over
    different breakpoints are looked at over those of both together.
    """
    limits = limits or rule_set.origin.shape or ShapeLimits()
    if isinstance(vehicle, Driveline):
        vehicle = vehicle_range(vehicle)
    if vehicle is not None and vehicle.fastest.size != rule_set.gears:
        vehicle = None
    found: list[ShapeFault] = []
    for names in GROUPS:
        if "shift_up" in names and rule_set.gears == 1:
            continue
        maps = _together(rule_set, names)
        cells = bound_cells({name: maps[name].axes for name in names}, limits, vehicle)
        values = np.concatenate([maps[name].values.ravel() for name in names])
        found += _broken(_Places(rule_set, maps, cells, values))
    held = rule_set.table.min_gear
    if held < limits.gear_time - SLACK:
        text = f"min_gear: is {held:g} s; {limits.gear_time:g} s is the least by gear_time"
        found.append(
            ShapeFault("gear_time", "min_gear", (), held, limits.gear_time, np.inf, None, text)
        )
    return found


def _together(rule_set: RuleSet, names: Iterable[str]) -> dict[str, Map]:
    """Return tables over the breakpoints of all; shift lines of the gears that can be left."""
    maps = {name: rule_set.map(name) for name in names}
    every = zip(*(found.axes for found in maps.values()), strict=True)
    axes = [np.unique(np.concatenate(of)) for of in every]
    wanted = dict.fromkeys(maps, axes)
    if "shift_up" in maps:
        left = np.arange(1.0, rule_set.gears)
        states = np.array([0.0, 1.0])
        wanted = {"shift_up": [left, axes[1], states], "shift_down": [left + 1, axes[1], states]}
    return {name: _resampled(found, wanted[name]) for name, found in maps.items()}


def _resampled(found: Map, axes: list[np.ndarray]) -> Map:
    """Return a map over other breakpoints, linear in between and clamped."""
    values = found.values
    for number, (old, new) in enumerate(zip(found.axes, axes, strict=True)):
        if not np.array_equal(old, new):
            weights = np.stack([np.interp(new, old, unit) for unit in np.eye(old.size)])
            values = np.moveaxis(np.tensordot(values, weights, (number, 0)), -1, number)
    return Map(tuple(axes), values)


class _Spot(NamedTuple):
    """A cell: table and index of the nearest breakpoints; its place in words, its unit in files."""

    cell: tuple[str, tuple[int, ...]]
    words: str
    factor: float
    unit: str


@dataclass(frozen=True, eq=False)
class _Places:
    """Cells that are looked at, with their values and where they stand in the tables."""

    rule_set: RuleSet
    maps: dict[str, Map]
    cells: Cells
    values: np.ndarray
    known: dict[int, _Spot] = field(default_factory=dict)

    def spot(self, number: int) -> _Spot:
        """Return where a cell stands; a cell may break many limits."""
        if number not in self.known:
            name, index = self.cells.place(number)
            axes, own = self.maps[name].axes, self.rule_set.map(name).axes
            places = zip(own, axes, index, strict=True)
            nearest = tuple(int(np.argmin(np.abs(x - axis[i]))) for x, axis, i in places)
            every = {name: found.axes for name, found in self.maps.items()}
            words, quantity = cell_words(every, self.cells, number), RULES.value(name)
            self.known[number] = _Spot((name, nearest), words, quantity.factor, quantity.file_unit)
        return self.known[number]

    @property
    def slack(self) -> np.ndarray:
        """What rounding may take of each value, SI."""
        sizes = [self.maps[name].values.size for name in self.cells.shapes]
        factors = [RULES.value(name).factor for name in self.cells.shapes]
        return SLACK * np.repeat(factors, sizes)


def cell_words(axes: Mapping[str, tuple[np.ndarray, ...]], cells: Cells, number: int) -> str:
    """Return where a cell stands, in the units of files.

    Parameters
    ----------
    axes
        Of the tables, by name.
    cells, number
        The cell.
    """
    name, index = cells.place(number)
    parts = []
    for quantity, axis, i in zip(RULES.axes(name), axes[name], index, strict=True):
        value = axis[i] / quantity.factor
        text = AXIS_WORDS.get(quantity.name, "engine on" if value else "engine off")
        parts.append(text.format(value))
    return f"{name} at {', '.join(parts)}"


def _broken(at: _Places) -> Iterable[ShapeFault]:
    """Yield the cells out of range, then those too near to or too far from another."""
    cells, values = at.cells, at.values
    slack = at.slack
    for k in np.flatnonzero((values < cells.low - slack) | (values > cells.high + slack)).tolist():
        yield _fault(at, "in_range", k, float(cells.low[k]), float(cells.high[k]), None)
    for limit, lower, upper, least in cells.relations:
        short = values[upper] - values[lower] < least - slack[upper]
        for k, other in zip(upper[short].tolist(), lower[short].tolist(), strict=True):
            yield _fault(at, limit, k, float(values[other]) + least, np.inf, other)


def _fault(
    at: _Places, limit: str, k: int, low: float, high: float, other: int | None
) -> ShapeFault:
    spot, factor = at.spot(k), at.spot(k).factor
    value = float(at.values[k])
    text = f"{spot.words}: is {value / factor:.6g} {spot.unit}; "
    if other is None:
        text += f"the vehicle has {low / factor:.6g} to {high / factor:.6g} {spot.unit}"
        return ShapeFault(limit, *spot.cell, value, low, high, None, text)
    beside = at.spot(other)
    text += f"{low / factor:.6g} {spot.unit} is the least by {limit}, with {beside.words}"
    return ShapeFault(limit, *spot.cell, value, low, high, beside.cell, text)
