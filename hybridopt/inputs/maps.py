"""Maps and curves: CSV files in long form, one row per point, columns named with their units."""

from pathlib import Path

import numpy as np
from xarray import DataArray

from ..base.errors import InputError
from ..base.nomenclature import SPECIES
from ..base.units import KW, PERCENT, RPM
from ..files.csv_table import read_columns, read_header
from .map_quantities import (
    EMISSION_UNITS,
    FUEL_COLUMNS,
    LOSS_COLUMNS,
    NEEDS_POWER,
    PER_WORK,
    Where,
    emission_rate,
    fill_fuel,
    fill_loss,
    find_column,
    fuel_rate,
    motor_loss,
)

UNIT_FACTORS = {
    "speed_rpm": RPM,
    "torque_Nm": 1.0,
    "fuel_g_per_s": 1.0,
    "loss_W": 1.0,
    "fuel_kg_per_h": 1.0,  # these five are converted by map_quantities
    "bsfc_g_per_kWh": 1.0,
    "efficiency_percent": 1.0,
    "loss_kW": 1.0,
    "electric_power_kW": 1.0,
    "soc_percent": PERCENT,
    "open_circuit_voltage_V": 1.0,
    "resistance_discharge_ohm": 1.0,
    "resistance_charge_ohm": 1.0,
    "power_discharge_max_kW": KW,
    "power_charge_max_kW": KW,
    "ambient_temperature_C": 1.0,
    "power_off_kW": KW,
    "power_on_kW": KW,
    **{f"{name}_{unit}": 1.0 for name in SPECIES for unit in EMISSION_UNITS},
}
BATTERY_COLUMNS = {
    "open_circuit_voltage_V": "open_circuit_voltage",
    "resistance_discharge_ohm": "resistance_discharge",
    "resistance_charge_ohm": "resistance_charge",
    "power_discharge_max_kW": "power_discharge_max",
    "power_charge_max_kW": "power_charge_max",
}


def read_curve(path: Path) -> DataArray:
    """Read a torque curve, such as full load or peak torque.

    Parameters
    ----------
    path
        CSV with the columns `speed_rpm,torque_Nm`.

    Returns
    -------
    DataArray
        Torque, N m, over dim speed, rad/s.

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


def read_fuel_map(path: Path, heating_value: float) -> DataArray:
    """Read an engine's fuel map in any of the quantities that its header may name.

    Parameters
    ----------
    path
        `speed_rpm,torque_Nm` and one of :data:`.map_quantities.FUEL_COLUMNS`, a full grid.
    heating_value
        Lower heating value of the fuel, J/g.

    Returns
    -------
    DataArray
        Dims (speed, torque), in g/s. Where the quantity says nothing (specific consumption at
        0 N m) the fuel rate lies on the Willans line of its speed.

    Raises
    ------
    InputError
        As :func:`read_map`, or a value is out of range.
    """
    column = find_column(path, read_header(path), FUEL_COLUMNS, "the fuel")
    given = read_map(path, column)
    speed, torque, where = _points(path, given)
    fuel = fuel_rate(column, given.values.ravel(), speed, torque, heating_value, where).reshape(
        given.shape
    )
    if column in NEEDS_POWER:
        _need_known(path, fuel, 1, 2, "engine torques above 0 Nm")
        fuel = fill_fuel(given["torque"].values, fuel)
    return given.copy(data=fuel)


def read_emission_map(path: Path, name: str) -> DataArray:
    """Read a map of what an engine emits.

    Parameters
    ----------
    path
        `speed_rpm,torque_Nm` and the emission with one of the units in
        :data:`.map_quantities.EMISSION_UNITS`, such as `nox_g_per_s`; a full grid.
    name
        One of :data:`hybridopt.base.nomenclature.SPECIES`.

    Returns
    -------
    DataArray
        Dims (speed, torque), in g/s; at 0 N m as :func:`read_fuel_map`.

    Raises
    ------
    InputError
        As :func:`read_map`, or a value is below 0.
    """
    columns = [f"{name}_{unit}" for unit in EMISSION_UNITS]
    column = find_column(path, read_header(path), columns, "it")
    given = read_map(path, column)
    speed, torque, where = _points(path, given)
    unit = column.removeprefix(f"{name}_")
    rate = emission_rate(column, unit, given.values.ravel(), speed, torque, where)
    rate = rate.reshape(given.shape)
    if unit == PER_WORK:
        _need_known(path, rate, 1, 2, "engine torques above 0 Nm")
        rate = fill_fuel(given["torque"].values, rate)
    return given.copy(data=rate)


def read_loss_map(path: Path) -> DataArray:
    """Read a motor's loss map in any of the quantities that its header may name.

    Parameters
    ----------
    path
        `speed_rpm,torque_Nm` and one of :data:`.map_quantities.LOSS_COLUMNS`, a full grid.

    Returns
    -------
    DataArray
        Dims (speed, torque), in W. Where an efficiency says nothing (no shaft power) the loss
        continues its neighbours, see :func:`.map_quantities.fill_loss`.

    Raises
    ------
    InputError
        As :func:`read_map`, or a value is out of range.
    """
    column = find_column(path, read_header(path), LOSS_COLUMNS, "the loss")
    given = read_map(path, column)
    speed, torque, where = _points(path, given)
    loss = motor_loss(column, given.values.ravel(), speed, torque, where).reshape(given.shape)
    if column in NEEDS_POWER:
        _need_known(path, loss, 2, 3, "speeds above 0 rpm and torques other than 0 Nm")
        loss = fill_loss(given["speed"].values, given["torque"].values, loss)
    return given.copy(data=loss)


def _points(path: Path, given: DataArray) -> tuple[np.ndarray, np.ndarray, Where]:
    """Return speed and torque of every point of a map, and what names a point in messages."""
    speed, torque = (
        axis.ravel()
        for axis in np.meshgrid(given["speed"].values, given["torque"].values, indexing="ij")
    )

    def where(at: int) -> str:
        return f"{path}: speed_rpm {speed[at] / RPM:g}, torque_Nm {torque[at]:g}"

    return speed, torque, where


def _need_known(path: Path, values: np.ndarray, rows: int, columns: int, what: str) -> None:
    """Need enough entries that the quantity defines: rows with any, and columns in each."""
    defined = np.isfinite(values)
    moving = defined.any(axis=1)
    if moving.sum() < rows or defined[moving].sum(axis=1).min() < columns:
        raise InputError(
            f"{path}: an efficiency or specific consumption needs at least {columns} {what}; "
            "add points, or give fuel rate or loss"
        )


def curve_values(curve: DataArray, speed: np.ndarray | float) -> np.ndarray:
    """Return a curve over speed at speeds, rad/s, linear in between and level beyond its ends."""
    return np.asarray(np.interp(speed, curve["speed"].values, curve.values))


def map_values(table: DataArray, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
    """Return a map at speeds and torques that broadcast, bilinear, NaN outside the map."""
    x, y = table["speed"].values, table["torque"].values
    values = table.transpose("speed", "torque").values
    i = np.clip(np.searchsorted(x, speed, side="right") - 1, 0, x.size - 2)
    j = np.clip(np.searchsorted(y, torque, side="right") - 1, 0, y.size - 2)
    u, v = (speed - x[i]) / (x[i + 1] - x[i]), (torque - y[j]) / (y[j + 1] - y[j])
    low = (1.0 - v) * values[i, j] + v * values[i, j + 1]
    high = (1.0 - v) * values[i + 1, j] + v * values[i + 1, j + 1]
    outside = (speed < x[0]) | (speed > x[-1]) | (torque < y[0]) | (torque > y[-1])
    return np.where(outside, np.nan, (1.0 - u) * low + u * high)


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


def read_load_table(path: Path) -> DataArray:
    """Read the auxiliary load over ambient temperature.

    Parameters
    ----------
    path
        CSV with the columns `ambient_temperature_C,power_off_kW,power_on_kW`.

    Returns
    -------
    DataArray
        Dims (engine, ambient), engine off and on, in W over degC.

    Raises
    ------
    InputError
        As :func:`read_curve`, or a load is below 0.
    """
    loads = ["power_off_kW", "power_on_kW"]
    columns = _si_columns(path, ["ambient_temperature_C", *loads])
    ambient, values = columns["ambient_temperature_C"], np.stack([columns[n] for n in loads])
    _need_increasing(path, "ambient_temperature_C", ambient)
    for name, row in zip(loads, values, strict=True):
        if row.min() < 0.0:
            raise InputError(f"{path}: {name} is {row.min() / KW:g}; a load is 0 or more")
    coords = {"engine": ["off", "on"], "ambient": ambient}
    return DataArray(values, coords, ("engine", "ambient"))


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
