"""What was identified of a driveline, and what was not: keys of its file with intervals."""

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ..inputs.driveline import Driveline
from ..inputs.map_factors import FACTORED, with_fields


@dataclass(frozen=True)
class Estimate:
    """One parameter told by the logs.

    Attributes
    ----------
    key : table and key of the driveline file, `gearbox.ratios[2]` for the third gear
    unit : of the values, that of the key
    base : what the base says
    value, low, high : estimate and the ends of its 95 % interval
    seconds : of data that carry it
    carried_by : which data, in words
    """

    key: str
    unit: str
    base: float
    value: float
    low: float
    high: float
    seconds: float
    carried_by: str

    @classmethod
    def around(
        cls, key: str, base: float, value: float, half: float, seconds: float, carried_by: str
    ) -> "Estimate":
        """Return an estimate in the middle of its interval, in the unit of its key."""
        unit = UNITS[key.partition("[")[0]]
        return cls(key, unit, base, value, value - half, value + half, seconds, carried_by)

    @property
    def half_width(self) -> float:
        """Half the width of the interval."""
        return 0.5 * (self.high - self.low)


@dataclass(frozen=True)
class NotIdentified:
    """One parameter that stays at the base's figure.

    Attributes
    ----------
    key : as that of an :class:`Estimate`
    reason : why, in words
    """

    key: str
    reason: str


UNITS = {
    "vehicle.mass_kg": "kg",
    "vehicle.rolling_resistance": "1",
    "vehicle.drag_area_m2": "m2",
    "vehicle.recuperation_share": "1",
    "gearbox.ratios": "1",
    "gearbox.shift_efficiency": "1",
    "engine.fuel_scale": "1",
    "engine.friction_fuel_mg_per_rev": "mg/rev",
    "engine.overrun_scale": "1",
    "motor.loss_scale": "1",
    "battery.voltage_scale": "1",
    "battery.resistance_scale": "1",
    "battery.capacity_Ah": "Ah",
    "battery.coulombic_efficiency": "1",
    "auxiliary.power_kW": "kW",
    "clutches.oil_pump_power_W": "W",
    "start.duration_s": "s",
    "start.fuel_g": "g",
    "start.efficiency": "1",
}
"""Every key that can be identified, and its unit."""


def field_of(driveline: Driveline, key: str) -> tuple[str, "dataclasses.Field[Any]", int | None]:
    """Return table, field and place in a list of a key."""
    table, _, name = key.partition(".")
    name, _, place = name.partition("[")
    for one in dataclasses.fields(getattr(driveline, table)):
        if one.metadata.get("key") == name:
            return table, one, int(place[:-1]) if place else None
    raise KeyError(key)


def value_of(driveline: Driveline, key: str) -> float:
    """Return the value of a key in the unit of the file."""
    table, one, place = field_of(driveline, key)
    value = getattr(getattr(driveline, table), one.name)
    return float(value if place is None else value[place]) / float(one.metadata["factor"])


def with_values(driveline: Driveline, values: Mapping[str, float]) -> Driveline:
    """Return a driveline with other values, by key of its file in the unit of the key."""
    changes: dict[str, dict[str, Any]] = {}
    for key, value in values.items():
        table, one, place = field_of(driveline, key)
        si = value * one.metadata["factor"]
        mine = changes.setdefault(table, {})
        if place is not None:
            row = list(mine.get(one.name, getattr(getattr(driveline, table), one.name)))
            row[place] = si
            si = tuple(row)
        mine[one.name] = si
    parts: dict[str, Any] = {}
    for table, fields in changes.items():
        part: Any = getattr(driveline, table)
        known = isinstance(part, FACTORED)
        parts[table] = with_fields(part, fields) if known else dataclasses.replace(part, **fields)
    return dataclasses.replace(driveline, **parts)


def by_key(estimates: Iterable[Estimate]) -> dict[str, Estimate]:
    """Return estimates by their key."""
    return {one.key: one for one in estimates}
