"""Maps and curves: CSV files in long form, one row per point, columns named with their units."""

from pathlib import Path

import numpy as np
from xarray import DataArray

from ..errors import InputError
from ..units import KW, PERCENT, RPM
from .csv_table import read_columns

UNIT_FACTORS = {
    "speed_rpm": RPM,
    "torque_Nm": 1.0,
    "fuel_g_per_s": 1.0,
    "loss_W": 1.0,
    "soc_percent": PERCENT,
    "open_circuit_voltage_V": 1.0,
    "resistance_discharge_ohm": 1.0,
    "resistance_charge_ohm": 1.0,
    "power_discharge_max_kW": KW,
    "power_charge_max_kW": KW,
}
BATTERY_COLUMNS = {
    "open_circuit_voltage_V": "open_circuit_voltage",
    "resistance_discharge_ohm": "resistance_discharge",
    "resistance_charge_ohm": "resistance_charge",
    "power_discharge_max_kW": "power_discharge_max",
    "power_charge_max_kW": "power_charge_max",
}


def read_curve(path: Path) -> DataArray:
    """Read a torque curve `speed_rpm,torque_Nm` as a DataArray over speed (rad/s), in N m.

    Raises
    ------
    InputError
        A column is missing, a value is no number, or speeds do not increase.
    """
    columns = _si_columns(path, ["speed_rpm", "torque_Nm"])
    speed = columns["speed_rpm"]
    _need_increasing(path, "speed_rpm", speed / RPM)
    return DataArray(columns["torque_Nm"], {"speed": speed}, ("speed",))


def read_map(path: Path, column: str) -> DataArray:
    """Read a map `speed_rpm,torque_Nm,<column>` as a DataArray over (speed, torque), in SI.

    The points must fill a rectangular grid, in any order.

    Raises
    ------
    InputError
        As :func:`read_curve`, or a grid point is missing or given twice.
    """
    columns = _si_columns(path, ["speed_rpm", "torque_Nm", column])
    speed, row = np.unique(columns["speed_rpm"], return_inverse=True)
    torque, col = np.unique(columns["torque_Nm"], return_inverse=True)
    _need_full_grid(path, speed, torque, row * torque.size + col)
    if speed.size < 2 or torque.size < 2:
        raise InputError(f"{path}: a map needs at least two speeds and two torques")
    values = np.empty((speed.size, torque.size))
    values[row, col] = columns[column]
    return DataArray(values, {"speed": speed, "torque": torque}, ("speed", "torque"))


def read_battery_table(path: Path) -> DataArray:
    """Read the battery's voltage, resistances and power limits over state of charge.

    Returns
    -------
    DataArray
        Dims (quantity, soc), in V, ohm and W.

    Raises
    ------
    InputError
        As :func:`read_curve`.
    """
    columns = _si_columns(path, ["soc_percent", *BATTERY_COLUMNS])
    soc = columns["soc_percent"]
    _need_increasing(path, "soc_percent", soc / PERCENT)
    values = np.stack([columns[name] for name in BATTERY_COLUMNS])
    coords = {"quantity": list(BATTERY_COLUMNS.values()), "soc": soc}
    return DataArray(values, coords, ("quantity", "soc"))


def _si_columns(path: Path, names: list[str]) -> dict[str, np.ndarray]:
    columns, _ = read_columns(path, names)
    return {name: columns[name] * UNIT_FACTORS[name] for name in names}


def _need_full_grid(path: Path, speed: np.ndarray, torque: np.ndarray, cells: np.ndarray) -> None:
    """Need every cell of the grid once; cells are numbered row by row."""
    given, times = np.unique(cells, return_counts=True)
    if (times > 1).any():
        first = int(np.argmax(times > 1))
        cell, state = int(given[first]), f"is given {times[first]} times"
    elif given.size < speed.size * torque.size:
        gap = given != np.arange(given.size)
        cell, state = int(np.argmax(gap)) if gap.any() else given.size, "is missing"
    else:
        return
    i, j = divmod(cell, torque.size)
    raise InputError(
        f"{path}: the point speed_rpm {speed[i] / RPM:g}, torque_Nm {torque[j]:g} {state}; "
        "give every pair of speed and torque exactly once"
    )


def _need_increasing(path: Path, name: str, values: np.ndarray) -> None:
    if values.size < 2:
        raise InputError(f"{path}: {name}: a curve needs at least two rows")
    backward = np.flatnonzero(np.diff(values) <= 0)
    if backward.size:
        i = int(backward[0]) + 1
        raise InputError(
            f"{path}: {name}: {values[i]:g} follows {values[i - 1]:g} in data row {i + 1}; "
            "sort the rows so that it increases"
        )
