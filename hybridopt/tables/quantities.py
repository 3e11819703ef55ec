"""What the files of rule tables hold: names, units and ranges of all quantities."""

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from ..base.errors import InputError
from ..base.units import PERCENT, RPM
from ..controllers.maps import Map, pack_map
from .rule_set import BY_GEAR, RuleSet
from .rule_table import FACTORS, LAYOUT

MAX_VALUE = 1e9  # in the unit of files; larger ones are slips of the keyboard


class TableQuantity(NamedTuple):
    """Name and SI unit of a quantity, and its unit in files for people.

    Attributes
    ----------
    name : in files with SI units
    unit : SI
    file_unit : as in the key, such as km/h
    factor : times a value in `file_unit` gives SI
    low, high : range of an axis, or of a constant, in `file_unit`
    """

    name: str
    unit: str
    file_unit: str
    factor: float
    low: float
    high: float


QUANTITIES = {
    key: TableQuantity(name, unit, file_unit, FACTORS[key], low, high)
    for key, name, unit, file_unit, low, high in (
        ("speed_km_per_h", "speed", "m/s", "km/h", 0.0, 1000.0),
        ("soc_percent", "soc", "1", "%", 0.0, 100.0),
        ("power_kW", "power", "W", "kW", -1e5, 1e5),
        ("input_speed_rpm", "input_speed", "rad/s", "rpm", 0.0, 1e5),
        ("input_torque_Nm", "input_torque", "N m", "N m", -1e5, 1e5),
        ("torque_Nm", "torque", "N m", "N m", -1e5, 1e5),
        ("wheel_torque_Nm", "wheel_torque", "N m", "N m", -1e6, 1e6),
        ("gear", "gear", "1", "1", 1.0, 100.0),
        ("engine_on", "engine_on", "1", "1", 0.0, 1.0),
    )
}
"""Quantities of the tables, by their keys in :data:`LAYOUT`."""

CONSTANTS = {
    "min_on": TableQuantity("min_on", "s", "s", 1.0, 0.0, 1000.0),
    "min_off": TableQuantity("min_off", "s", "s", 1.0, 0.0, 1000.0),
    "min_gear": TableQuantity("min_gear", "s", "s", 1.0, 0.0, 1000.0),
    "land_up": TableQuantity("land_up", "1", "1", 1.0, 0.0, 1.0),
    "land_down": TableQuantity("land_down", "1", "1", 1.0, 0.0, 1.0),
    "motion_charge": TableQuantity("motion_charge", "1", "%", PERCENT, 0.0, 100.0),
    "ratios": TableQuantity("ratios", "1", "1", 1.0, 0.01, 1000.0),
    "efficiencies": TableQuantity("efficiencies", "1", "1", 1.0, 0.01, 1.0),
    "drag_torques": TableQuantity("drag_torques", "N m", "N m", 1.0, 0.0, 1e5),
    "idle_speed": TableQuantity("idle_speed", "rad/s", "rpm", RPM, 0.0, 1e5),
    "highest_speed": TableQuantity("highest_speed", "rad/s", "rpm", RPM, 1.0, 1e5),
}
"""Quantities beside the tables; those of :data:`BY_GEAR` have one value per gear."""

MEANINGS = {
    "engine_start": "wheel power at or above which the engine starts",
    "engine_stop": "wheel power below which the engine stops",
    "electric_limit": "torque wanted at the gearbox input above which the engine runs in any case",
    "motor_torque": "motor torque while the engine runs, over speed and torque wanted at the "
    "gearbox input and charge",
    "shift_up": "vehicle speed at or above which a gear is left upwards",
    "shift_down": "vehicle speed below which a gear is left downwards",
    "min_on": "minimum time the engine stays on",
    "min_off": "minimum time the engine stays off",
    "min_gear": "minimum time in a gear",
    "land_up": "share by which the next lines of an upshift are moved towards those that lead back",
    "land_down": "the same of a downshift",
    "motion_charge": "state of charge that motion at 100 km/h counts as, added in all tables",
    "ratios": "input speed over wheel speed",
    "efficiencies": "of gearbox and final drive",
    "drag_torques": "at the gearbox input",
    "idle_speed": "of the engine, at the gearbox input",
    "highest_speed": "at the gearbox input",
}


def axis_quantities(table: str) -> list[TableQuantity]:
    """Return the quantities of the axes of a table."""
    return [QUANTITIES[key] for key in LAYOUT[table][:-1]]


def value_quantity(table: str) -> TableQuantity:
    """Return the quantity of the values of a table; any sign and size of it is allowed."""
    found = QUANTITIES[LAYOUT[table][-1]]
    return found._replace(low=-MAX_VALUE, high=MAX_VALUE)


def named_arrays(table: str, found: Map) -> list[tuple[str, TableQuantity, np.ndarray]]:
    """Return the axes, then the values of a table, each with its name in files and quantity."""
    axes = [
        (f"{table}_{quantity.name}", quantity, axis)
        for quantity, axis in zip(axis_quantities(table), found.axes, strict=True)
    ]
    return [*axes, (table, value_quantity(table), found.values)]


def fault(value: float, quantity: TableQuantity, factor: float = 1.0) -> str:
    """Return what is wrong with a value, or nothing.

    Parameters
    ----------
    value
        In the unit of files, or in SI.
    quantity
        What it is.
    factor
        That of the quantity where the value is in SI.
    """
    low, high = quantity.low * factor, quantity.high * factor
    room = 1e-9 * max(abs(low), abs(high))
    if math.isfinite(value) and low - room <= value <= high + room:
        return ""
    unit = quantity.unit if factor != 1.0 else quantity.file_unit
    unit = "" if unit == "1" else f" {unit}"
    return f"is {value:g}; allowed is a number from {low:g} to {high:g}{unit}"


def check_axis(axis: Sequence[float] | np.ndarray, places: Sequence[str]) -> None:
    """Raise InputError where an axis does not increase; `places` says where each value stands."""
    for i in range(1, len(axis)):
        if not axis[i] > axis[i - 1]:
            raise InputError(
                f"{places[i]}: is {axis[i]:g} after {axis[i - 1]:g}; an axis must increase, so "
                "sort it, with its values, and give each point once"
            )


def check_constants(constants: Mapping[str, np.ndarray], place: str) -> None:
    """Raise InputError where the constants (SI) do not fit each other."""
    gears = constants["ratios"].size
    for name, values in constants.items():
        wanted = gears if name in BY_GEAR else 1
        if values.size != wanted or not gears:
            raise InputError(
                f"{place}: {name} has {values.size} values; give {max(wanted, 1)}, "
                f"{'one per gear' if name in BY_GEAR else 'no more'}"
            )
    if constants["highest_speed"][0] <= constants["idle_speed"][0]:
        raise InputError(f"{place}: highest_speed is not above idle_speed; mend one of them")


def digest(arrays: Iterable[np.ndarray]) -> str:
    """Return the SHA-256 of values and shapes, hexadecimal; it changes when a cell is edited."""
    found = hashlib.sha256()
    for array in arrays:
        found.update(repr(array.shape).encode())
        found.update((np.ascontiguousarray(array, dtype="<f8") + 0.0).tobytes())  # no -0
    return found.hexdigest()


def check_rule_set(rule_set: RuleSet) -> None:
    """Raise InputError where a rule set holds what no file of it could be read back with."""
    for name, found in rule_set.maps.items():
        for _, quantity, array in (arrays := named_arrays(name, found)):
            _check_values(array, quantity, f"{name}: {quantity.name}")
        for _, quantity, axis in arrays[:-1]:
            check_axis(axis, [f"{name}: {quantity.name}"] * axis.size)
        pack_map(found.axes, found.values, name)
    for name, quantity in CONSTANTS.items():
        _check_values(rule_set.constants[name], quantity, name)
    check_constants(rule_set.constants, "constants")


def _check_values(values: np.ndarray, quantity: TableQuantity, place: str) -> None:
    for value in np.ravel(values):
        if wrong := fault(float(value), quantity, quantity.factor):
            raise InputError(f"{place}: {wrong}; mend the tables")
