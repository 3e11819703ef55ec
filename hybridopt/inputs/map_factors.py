"""Factors on maps: a measured car's fuel, losses and voltages as a few numbers on another's maps.

The maps of a component hold the factors already; its fields say what they were.
"""

import dataclasses
from collections.abc import Mapping
from typing import Any, TypeVar

import numpy as np
from xarray import DataArray

from .driveline import Battery, Engine, Motor

FACTORED = (Engine, Motor, Battery)
Part = TypeVar("Part", Engine, Motor, Battery)


def with_factors(part: Part) -> Part:
    """Return a component whose maps are as their files give them, its factors put into the maps."""
    maps: dict[str, DataArray] = {}
    if isinstance(part, Engine):
        friction = part.friction_fuel * _turns(part.fuel_map)
        maps["fuel_map"] = part.fuel_scale * part.fuel_map + friction
        maps["overrun"] = part.overrun_scale * part.overrun
    elif isinstance(part, Motor):
        maps["loss_map"] = part.loss_scale * part.loss_map
    else:
        maps["table"] = _factors(part.table, part.voltage_scale, part.resistance_scale)
    return dataclasses.replace(part, **maps)  # type: ignore[arg-type]


def with_fields(part: Part, fields: Mapping[str, Any]) -> Part:
    """Return a component with other values of its fields, its maps in step with the factors."""
    return with_factors(dataclasses.replace(_without_factors(part), **fields))


def _without_factors(part: Part) -> Part:
    maps: dict[str, DataArray] = {}
    if isinstance(part, Engine):
        friction = part.friction_fuel * _turns(part.fuel_map)
        maps["fuel_map"] = (part.fuel_map - friction) / part.fuel_scale
        maps["overrun"] = part.overrun / part.overrun_scale
    elif isinstance(part, Motor):
        maps["loss_map"] = part.loss_map / part.loss_scale
    else:
        voltage, resistance = 1.0 / part.voltage_scale, 1.0 / part.resistance_scale
        maps["table"] = _factors(part.table, voltage, resistance)
    return dataclasses.replace(part, **maps)  # type: ignore[arg-type]


def _turns(fuel_map: DataArray) -> DataArray:
    """Return revolutions per second over the speeds of a map."""
    return fuel_map["speed"] / (2.0 * np.pi)


def _factors(table: DataArray, voltage: float, resistance: float) -> DataArray:
    factor = {
        "open_circuit_voltage": voltage,
        "resistance_discharge": resistance,
        "resistance_charge": resistance,
    }
    column = [factor.get(name, 1.0) for name in table["quantity"].values.tolist()]
    return table * DataArray(column, {"quantity": table["quantity"]}, ("quantity",))
