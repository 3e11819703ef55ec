"""The battery: current and state of charge for a terminal power, and the energy it stores.

An open-circuit voltage U behind a resistance R, both over state of charge (SoC), R by direction:
P = (U - R I) I at the terminals. Everything that needs this equation calls the kernels here, or the
functions over arrays below them.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math
from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..inputs.driveline import Battery
from .interpolation import _interp


class Cell(NamedTuple):
    """The battery as bare arrays over its SoC table, and its charge."""

    soc: Any
    voltage: Any
    discharge: Any
    charge: Any
    power_max: Any
    power_min: Any
    capacity: float
    efficiency: float


def pack_battery(battery: Battery) -> Cell:
    """Flatten a battery for the kernels."""
    rows = battery.columns.items()
    columns = {name: np.ascontiguousarray(row, dtype=np.float64) for name, row in rows}
    return Cell(
        soc=np.ascontiguousarray(battery.table["soc"].values, dtype=np.float64),
        voltage=columns["open_circuit_voltage"],
        discharge=columns["resistance_discharge"],
        charge=columns["resistance_charge"],
        power_max=battery.derating * columns["power_discharge_max"],
        power_min=-battery.derating * columns["power_charge_max"],
        capacity=float(battery.capacity),
        efficiency=float(battery.coulombic_efficiency),
    )


@kernel
def _state(cell, soc):
    """Voltage, discharge and charge resistance, highest and lowest power at a SoC."""
    voltage, discharge = (
        _interp(cell.soc, cell.voltage, soc),
        _interp(cell.soc, cell.discharge, soc),
    )
    power_max = _interp(cell.soc, cell.power_max, soc)
    if discharge > 0.0:
        power_max = min(power_max, voltage * voltage / (4.0 * discharge))
    charge, power_min = _interp(cell.soc, cell.charge, soc), _interp(cell.soc, cell.power_min, soc)
    return voltage, discharge, charge, power_max, power_min


def root_voltage(voltage: Any, resistance: Any, power: Any) -> Any:
    """Return U + sqrt(U^2 - 4 R P), V: twice a terminal power over it is the current.

    Parameters
    ----------
    voltage, resistance, power
        V, ohm and W: numbers, or arrays that broadcast.
    """
    return voltage + np.sqrt(np.maximum(voltage * voltage - 4.0 * resistance * power, 0.0))


@kernel(inline="always")
def _root_voltage(voltage, resistance, power):
    """Return the same of numbers, for kernels: those of a device know no functions of arrays."""
    return voltage + math.sqrt(max(voltage * voltage - 4.0 * resistance * power, 0.0))


def root_current(voltage: Any, resistance: Any, power: Any) -> Any:
    """Return the battery current for a terminal power, A; limits are not looked at.

    Parameters and shapes are those of :func:`root_voltage`.

    Notes
    -----
    I = 2 P / (U + sqrt(U^2 - 4 R P)), the root of R I^2 - U I + P = 0 that goes to P / U.
    """
    return 2.0 * power / root_voltage(voltage, resistance, power)


@kernel(inline="always")
def _root_current(voltage, resistance, power):
    """Return the current as :func:`root_current`, for kernels."""
    return 2.0 * power / _root_voltage(voltage, resistance, power)


def terminal_power(voltage: Any, resistance: Any, current: Any) -> Any:
    """Return the power at the terminals for a current, W: numbers, or arrays that broadcast."""
    return (voltage - resistance * current) * current


_terminal_power = kernel(terminal_power, inline="always")


@kernel
def _current(state, power):
    """Battery current, A, for a terminal power; NaN beyond a limit of power or voltage."""
    voltage, discharge, charge, power_max, power_min = state
    if power > power_max or power < power_min:
        return np.nan
    return _root_current(voltage, discharge if power > 0.0 else charge, power)


@kernel
def _rates(cell, dt):
    """Charge per ampere in a step when discharging and when charging, s, and the capacity, C."""
    return dt, dt * cell.efficiency, cell.capacity


@kernel(inline="always")
def _charge_taken(current, rates):
    """Charge that a current takes from the store in a step, C; negative where it charges."""
    return current * (rates[1] if current < 0.0 else rates[0])


@kernel(inline="always")
def _soc_after(soc, current, rates):
    """SoC after a step with a current."""
    return soc - _charge_taken(current, rates) / rates[2]


@kernel(inline="always")
def _current_to(soc, after, rates):
    """Battery current, A, that takes a SoC to another in a step: what `_soc_after` turns round."""
    charge = (soc - after) * rates[2]
    return charge / (rates[1] if charge < 0.0 else rates[0])


@kernel
def _landing(state, rates, soc, power):
    """SoC after a step of given rates; NaN beyond a battery limit."""
    return _soc_after(soc, _current(state, power), rates)


@kernel
def _landings(powers, count, state, rates, soc, after):
    """Fill SoC after a step of every split, as `_landing`, in vector registers."""
    voltage, discharge, charge, power_max, power_min = state
    out, inside = after[:count], powers[:count]
    for k in range(count):
        power = inside[k]
        current = _root_current(voltage, discharge if power > 0.0 else charge, power)
        landed = _soc_after(soc, current, rates)
        out[k] = np.nan if power > power_max or power < power_min else landed


@kernel
def _next_soc(cell, state, soc, power, dt):
    """SoC after a step; NaN beyond a battery limit."""
    return _landing(state, _rates(cell, dt), soc, power)


@kernel
def _states(cell, soc, out):
    """States of the battery at many SoCs, (5, SoCs)."""
    for i in range(soc.size):
        out[0, i], out[1, i], out[2, i], out[3, i], out[4, i] = _state(cell, soc[i])


@kernel
def _soc_path(power, dt, cell, path, current):
    """Fill SoC path and current of given battery powers; return the first step beyond a limit."""
    for t in range(power.size):
        state = _state(cell, path[t])
        current[t] = _current(state, power[t])
        path[t + 1] = _next_soc(cell, state, path[t], power[t], dt[t])
        if np.isnan(path[t + 1]):
            return t
    return -1


def corners(cell: Cell, low: float, high: float) -> np.ndarray:
    """Return the SoCs between which the battery is linear: a range's ends, and nodes inside it."""
    inside = cell.soc[(cell.soc > low) & (cell.soc < high)]
    return np.concatenate(([low], inside, [high]))


def stored_energy(cell: Cell, soc: float | np.ndarray) -> np.ndarray:
    """Energy stored up to a SoC, J: charge times the integral of the piecewise linear voltage."""
    steps = 0.5 * np.diff(cell.soc) * (cell.voltage[1:] + cell.voltage[:-1])
    at_nodes = np.concatenate(([0.0], np.cumsum(steps)))
    i = np.clip(np.searchsorted(cell.soc, soc, side="right") - 1, 0, cell.soc.size - 2)
    past = np.asarray(soc) - cell.soc[i]
    slope = (cell.voltage[i + 1] - cell.voltage[i]) / (cell.soc[i + 1] - cell.soc[i])
    return np.asarray(cell.capacity * (at_nodes[i] + past * (cell.voltage[i] + 0.5 * slope * past)))


def voltage_at(cell: Cell, soc: float | np.ndarray) -> np.ndarray:
    """Return the open-circuit voltage at states of charge, V."""
    return np.asarray(np.interp(soc, cell.soc, cell.voltage))


def voltage_slope(cell: Cell, soc: float | np.ndarray) -> np.ndarray:
    """Return by how much stored energy grows with SoC: capacity times open-circuit voltage, J."""
    return np.asarray(cell.capacity * voltage_at(cell, soc))


def resistance_at(cell: Cell, soc: float | np.ndarray, sign: np.ndarray) -> np.ndarray:
    """Return the resistance at states of charge for a sign of current or power, ohm."""
    discharge, charge = (np.interp(soc, cell.soc, r) for r in (cell.discharge, cell.charge))
    return np.asarray(np.where(sign > 0.0, discharge, charge))


def inner_power(cell: Cell, soc: float | np.ndarray, power: np.ndarray) -> np.ndarray:
    """Return the power out of the store for powers at the terminals, limits not counted, W."""
    voltage = voltage_at(cell, soc)
    current = root_current(voltage, resistance_at(cell, soc, power), power)
    return np.asarray(voltage * current * np.where(power < 0.0, cell.efficiency, 1.0))


def store_power(cell: Cell, soc: float, power: np.ndarray) -> np.ndarray:
    """Return the power out of the store for powers at the terminals, W; NaN beyond its limits.

    Parameters
    ----------
    cell
        The battery.
    soc
        State of charge, 0 to 1.
    power
        W, any shape.
    """
    *_, power_max, power_min = _state(cell, soc)
    inside = (power <= power_max) & (power >= power_min)
    return np.where(inside, inner_power(cell, soc, power), np.nan)
