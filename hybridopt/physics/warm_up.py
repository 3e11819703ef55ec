"""Oil temperature: what it does to a step, and where a step takes it."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import dataclasses
from typing import NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..inputs.driveline import Driveline
from .demand import Demand
from .entries import R_DRAG_FACTOR, R_DT, R_FRICTION_FACTOR, R_FUEL_FACTOR, R_HEATER, R_OIL, R_SPEED


class Warming(NamedTuple):
    """How a driveline warms up in air of one temperature; temperatures in degC.

    Attributes
    ----------
    capacity : J/K; 0 where temperatures are not looked at
    heat : J into the oil for each gram of fuel
    cooling, cooling_by_speed : W/K and J/(K m)
    ambient : of the air
    cold, warm : at and below which factors count in full; from which on they are 1, and which the
        thermostat keeps
    fuel_factor, drag_factor, friction_factor : when cold
    cabin : W that the cabin wants
    cabin_temperature, core : degC, and W/K that the coolant gives above it
    heater : most electric heat, W
    stop : degC below which the engine must not be stopped
    wear : g/J charged for the battery's throughput, which is no fuel
    """

    capacity: float
    heat: float
    cooling: float
    cooling_by_speed: float
    ambient: float
    cold: float
    warm: float
    fuel_factor: float
    drag_factor: float
    friction_factor: float
    cabin: float
    cabin_temperature: float
    core: float
    heater: float
    stop: float
    wear: float


NO_WARMING = Warming(*[0.0] * len(Warming._fields))


def make_warming(driveline: Driveline, ambient: float, stop: float | None = None) -> Warming:
    """Return how a driveline warms up.

    Parameters
    ----------
    driveline
        With a heat capacity in its table `[warm_up]`.
    ambient
        Temperature of the air, degC.
    stop
        degC below which the engine must not be stopped; None is any.
    """
    engine, warm_up = driveline.engine, driveline.warm_up
    assert warm_up.heat_capacity is not None  # refused before, where it is not known
    missing = max(warm_up.cabin_temperature - ambient, 0.0)
    values = Warming(
        capacity=warm_up.heat_capacity,
        heat=warm_up.heat_share * driveline.fuel.heating_value,
        cooling=warm_up.cooling,
        cooling_by_speed=warm_up.cooling_by_speed,
        ambient=ambient,
        cold=engine.cold_temperature,
        warm=engine.warm_temperature,
        fuel_factor=engine.cold_fuel_factor,
        drag_factor=warm_up.drag_factor,
        friction_factor=warm_up.friction_factor,
        cabin=warm_up.cabin_heat * missing,
        cabin_temperature=warm_up.cabin_temperature,
        core=warm_up.heater_core,
        heater=warm_up.heater_power,
        stop=-np.inf if stop is None else stop,
        wear=driveline.battery.throughput_cost,
    )
    return Warming(*map(float, values))


@kernel(inline="always")
def _coolant_heat(warming, oil):
    """Heat that the coolant gives to the cabin, W."""
    return min(warming.cabin, warming.core * max(oil - warming.cabin_temperature, 0.0))


@kernel
def _set_oil(warming, oil, row):
    """Write into a row what an oil temperature, degC, does to its step."""
    cold = (warming.warm - oil) / (warming.warm - warming.cold)
    cold = min(max(cold, 0.0), 1.0)
    row[R_OIL] = oil
    row[R_FUEL_FACTOR] = 1.0 + cold * (warming.fuel_factor - 1.0)
    row[R_DRAG_FACTOR] = 1.0 + cold * (warming.drag_factor - 1.0)
    row[R_FRICTION_FACTOR] = 1.0 + cold * (warming.friction_factor - 1.0)
    row[R_HEATER] = min(warming.cabin - _coolant_heat(warming, oil), warming.heater)


@kernel(inline="always")
def _cooled(warming, oil, row):
    """Oil temperature after a step without fuel, degC; no thermostat is needed for that."""
    loss = (warming.cooling + warming.cooling_by_speed * row[R_SPEED]) * (oil - warming.ambient)
    loss += _coolant_heat(warming, oil)
    return oil - row[R_DT] * loss / warming.capacity


@kernel(inline="always")
def _warmed(warming, oil, row, fuel):
    """Oil temperature after a step with so much fuel, g, started with included; degC."""
    after = _cooled(warming, oil, row) + warming.heat * fuel / warming.capacity
    return min(after, warming.warm)


ROW_FIELDS = {
    "fuel_factor": R_FUEL_FACTOR,
    "drag_factor": R_DRAG_FACTOR,
    "friction_factor": R_FRICTION_FACTOR,
    "heater_power": R_HEATER,
    "oil_temperature": R_OIL,
}
"""Fields of a demand that the oil temperature decides, and their entries of a row."""


def demand_at(demand: Demand, rows: np.ndarray) -> Demand:
    """Return a demand with what the oil temperatures in rows, (steps, R_SIZE), do to it."""
    known = {name: rows[:, entry].copy() for name, entry in ROW_FIELDS.items()}
    return dataclasses.replace(demand, **known)


def without_oil(demand: Demand) -> Demand:
    """Return a demand of which no oil temperature is known yet."""
    steps = demand.steps
    return dataclasses.replace(
        demand, oil_temperature=np.full(steps, np.nan), fuel_factor=np.ones(steps)
    )


def set_oil(warming: Warming, oil: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return rows, (steps, R_SIZE), at oil temperatures, degC, (steps,)."""
    set_rows = rows.copy()
    for row, temperature in zip(set_rows, oil, strict=True):
        _set_oil(warming, float(temperature), row)
    return set_rows


def cabin_missing(warming: Warming, demand: Demand) -> float:
    """Return the heat that the cabin wanted and did not get in all steps, J."""
    given = [_coolant_heat(warming, float(oil)) for oil in demand.oil_temperature]
    return float(((warming.cabin - np.array(given) - demand.heater_power) * demand.dt).sum())
