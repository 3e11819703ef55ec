"""Drivelines with a larger or smaller engine, motor or battery of the same kind."""

import dataclasses
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from xarray import DataArray

from ..inputs.driveline import Battery, Driveline, Engine, Motor


def scaled(driveline: Driveline, scales: Mapping[str, float]) -> Driveline:
    """Return a driveline with parts made larger by a factor.

    Parameters
    ----------
    driveline
        Where to begin.
    scales
        Factor by part, of "engine", "motor" and "battery".

    Notes
    -----
    Engine and motor: torques, power, fuel, losses and inertia grow with the factor at equal speed,
    so that efficiency depends on the share of full torque only. Source: scaling at constant mean
    effective pressure, Guzzella, Sciarretta, *Vehicle Propulsion Systems*, ch. 3, from memory.
    Battery: cells in parallel, so that capacity and power limits grow, and resistances fall.
    Mass, torque reserve of the start and clutch capacity stay.
    """
    parts = {name: SCALED[name](getattr(driveline, name), s) for name, s in scales.items()}
    return dataclasses.replace(driveline, **parts) if parts else driveline


def _engine(engine: Engine, factor: float) -> Engine:
    return dataclasses.replace(
        engine,
        fuel_map=_map(engine.fuel_map, factor),
        emissions={name: _map(one, factor) for name, one in engine.emissions.items()},
        full_load=engine.full_load * factor,
        overrun=engine.overrun * factor,
        inertia=engine.inertia * factor,
    )


def _motor(motor: Motor, factor: float) -> Motor:
    return dataclasses.replace(
        motor,
        loss_map=_map(motor.loss_map, factor),
        peak_torque=motor.peak_torque * factor,
        drag_torque=motor.drag_torque * factor,
        continuous_torque=_larger(motor.continuous_torque, factor),
        continuous_limit=_larger(motor.continuous_limit, factor),
        inertia=motor.inertia * factor,
    )


def _larger(quantity: Any, factor: float) -> Any:
    return None if quantity is None else quantity * factor


def _battery(battery: Battery, factor: float) -> Battery:
    table = battery.table.copy(deep=True)
    for name in ("power_discharge_max", "power_charge_max"):
        table.loc[{"quantity": name}] *= factor
    for name in ("resistance_discharge", "resistance_charge"):
        table.loc[{"quantity": name}] /= factor
    return dataclasses.replace(battery, table=table, capacity=battery.capacity * factor)


def _map(data: DataArray, factor: float) -> DataArray:
    return (data * factor).assign_coords(torque=data["torque"] * factor)


SCALED: Mapping[str, Callable[[Any, float], Any]] = MappingProxyType(
    {"engine": _engine, "motor": _motor, "battery": _battery}
)
"""Parts that have a scale."""
