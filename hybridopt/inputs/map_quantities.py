"""What a map's values may be given as, and their conversion to fuel rate and loss.

The header of a file says which quantity it holds: each is a column name that ends in its unit.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from ..base.units import G_PER_KWH, KW, PERCENT
from ..files.csv_table import found

KG_PER_H = 1e3 / 3600.0  # g/s
FUEL_COLUMNS = ("fuel_g_per_s", "fuel_kg_per_h", "bsfc_g_per_kWh", "efficiency_percent")
"""Columns of a fuel map, in the order in which they are preferred."""
LOSS_COLUMNS = ("loss_W", "loss_kW", "electric_power_kW", "efficiency_percent")
"""Columns of a motor's loss map, in the order in which they are preferred."""
NEEDS_POWER = ("bsfc_g_per_kWh", "efficiency_percent")
"""Columns that say nothing where the shaft power is zero."""
PER_WORK = "g_per_kWh"
EMISSION_UNITS = {"g_per_s": 1.0, "g_per_h": 1.0 / 3600.0, "mg_per_s": 1e-3, PER_WORK: G_PER_KWH}
"""Units of a map of emissions, and their factors: g/s, or g/J of work."""

Where = Callable[[int], str]
"""Returns the words for the place of an entry in a file."""


def find_column(path: Path, header: list[str], columns: Sequence[str], what: str) -> str:
    """Return the first of some columns that a header has.

    Raises
    ------
    InputError
        It has none of them.
    """
    for name in columns:
        if name in header:
            return name
    raise InputError(
        f"{path}: column {columns[0]} is missing{found(path, header)}; give {what} as "
        f"{' or '.join(columns)}"
    )


def fuel_rate(
    column: str,
    values: np.ndarray,
    speed: np.ndarray,
    torque: np.ndarray,
    heating_value: float | None,
    where: Where,
) -> np.ndarray:
    """Return the fuel rate of an engine, NaN where the quantity says nothing about it.

    Parameters
    ----------
    column
        One of :data:`FUEL_COLUMNS`.
    values
        As in the file, (n,).
    speed, torque
        Of the engine, rad/s and N m, (n,).
    heating_value
        Lower heating value, J/g; needed for an efficiency.
    where
        Names the place of an entry in messages: file and line, or file and point.

    Returns
    -------
    ndarray
        g/s, (n,).

    Raises
    ------
    InputError
        A value is out of range, or the heating value is not known.

    Notes
    -----
    fuel rate = b P and fuel rate = P / (eta H), so b = 1 / (eta H): with H in MJ/kg and b in
    g/kWh, b = 3600 / (eta H).
    """
    power = speed * torque
    _need_range(column, values, 0.0, np.inf, values >= 0.0, where)
    if column == "fuel_g_per_s":
        return values.astype(np.float64)
    if column == "fuel_kg_per_h":
        return values * KG_PER_H
    loaded = power > 0.0
    if column == "bsfc_g_per_kWh":
        return np.where(loaded, values * G_PER_KWH * power, np.nan)
    if heating_value is None:
        raise InputError(
            f"{where(0)}: efficiency_percent: needs the heating value of the fuel; give it with "
            "--heating-value-MJ-per-kg"
        )
    _need_percent(values, loaded, where)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(loaded, power / (values * PERCENT * heating_value), np.nan)


def emission_rate(
    column: str, unit: str, values: np.ndarray, speed: np.ndarray, torque: np.ndarray, where: Where
) -> np.ndarray:
    """Return the rate of an emission, g/s, (n,); NaN where its unit says nothing about it.

    Parameters
    ----------
    column, unit
        Name of the column, and its end, one of :data:`EMISSION_UNITS`.
    values, speed, torque, where
        As in :func:`fuel_rate`, also for errors.
    """
    _need_range(column, values, 0.0, np.inf, values >= 0.0, where)
    rate: np.ndarray = values * EMISSION_UNITS[unit]
    power = speed * torque
    return np.where(power > 0.0, rate * power, np.nan) if unit == PER_WORK else rate


def motor_loss(
    column: str, values: np.ndarray, speed: np.ndarray, torque: np.ndarray, where: Where
) -> np.ndarray:
    """Return the loss of motor and inverter, NaN where the quantity says nothing about it.

    Efficiency is shaft power over electric power while driving, electric over shaft power while
    braking; the latter is negative where braking still takes electric power. Electric power is
    positive when the motor takes it.

    Parameters
    ----------
    column
        One of :data:`LOSS_COLUMNS`.
    values, speed, torque, where
        As in :func:`fuel_rate`.

    Returns
    -------
    ndarray
        W, (n,); negative where the values contradict energy conservation.

    Raises
    ------
    InputError
        An efficiency is out of range.
    """
    power = speed * torque
    if column == "loss_W":
        return values.astype(np.float64)
    if column == "loss_kW":
        return values * KW
    if column == "electric_power_kW":
        taken: np.ndarray = values * KW - power
        return taken
    _need_percent(values, power > 0.0, where)
    _need_range("efficiency_percent", values, -np.inf, 100.0, values <= 100.0, where)
    share = values * PERCENT
    with np.errstate(divide="ignore", invalid="ignore"):
        driving = power * (1.0 / share - 1.0)
    loss = np.where(power > 0.0, driving, power * (share - 1.0))
    defined: np.ndarray = np.where(power == 0.0, np.nan, loss)
    return defined


def _need_percent(values: np.ndarray, driving: np.ndarray, where: Where) -> None:
    """Need 0 to 100 % wherever power comes out of the shaft, and percent, not shares."""
    fits = ~driving | ((values > 0.0) & (values <= 100.0))
    _need_range("efficiency_percent", values, 0.0, 100.0, fits, where, "above 0, up to 100")
    if driving.any() and values[driving].max() <= 1.0:
        raise InputError(
            f"{where(0)}: efficiency_percent: no value is above 1; write percent, 35 for a share "
            "of 0.35"
        )


def _need_range(
    column: str,
    values: np.ndarray,
    low: float,
    high: float,
    fits: np.ndarray,
    where: Where,
    allowed: str = "",
) -> None:
    if fits.all():
        return
    at = int(np.argmin(fits))
    words = allowed or (f"{low:g} or more" if high == np.inf else f"{high:g} or less")
    raise InputError(f"{where(at)}: {column} is {values[at]:g}; allowed is {words}; mend the row")


def fill_fuel(torque: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return a fuel map whose undefined entries lie on the Willans line of their speed.

    Parameters
    ----------
    torque
        Axis, N m, (m,), increasing.
    values
        Fuel rate, g/s, (n, m), NaN where undefined; in each row the last two are defined.

    Returns
    -------
    ndarray
        (n, m); below the first defined torque the line through the first two defined entries,
        not below zero.
    """
    filled = values.copy()
    for row in filled:
        known = np.flatnonzero(np.isfinite(row))
        first, second = known[0], known[1]
        slope = (row[second] - row[first]) / (torque[second] - torque[first])
        blank = ~np.isfinite(row)
        row[blank] = np.maximum(row[first] + slope * (torque[blank] - torque[first]), 0.0)
    return filled


def fill_loss(speed: np.ndarray, torque: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return a loss map whose undefined entries continue their neighbours.

    Parameters
    ----------
    speed, torque
        Axes, rad/s and N m, (n,) and (m,), increasing.
    values
        Loss, W, (n, m), NaN at zero torque and at zero speed; two rows and three columns at
        least are defined.

    Returns
    -------
    ndarray
        (n, m): at zero torque the parabola through the three nearest torques, at zero speed the
        line through the next two speeds, neither below zero.
    """
    filled = values.copy()
    moving = np.flatnonzero(np.isfinite(values).any(axis=1))
    for i in moving:
        known = np.flatnonzero(np.isfinite(values[i]))
        for at in np.flatnonzero(~np.isfinite(values[i])):
            near = known[np.argsort(np.abs(torque[known] - torque[at]), kind="stable")[:3]]
            filled[i, at] = max(_polynomial(torque[near], values[i, near], torque[at]), 0.0)
    for i in np.flatnonzero(~np.isfinite(values).any(axis=1)):
        near = moving[np.argsort(np.abs(speed[moving] - speed[i]), kind="stable")[:2]]
        for j in range(torque.size):
            filled[i, j] = max(_polynomial(speed[near], filled[near, j], speed[i]), 0.0)
    return filled


def _polynomial(x: np.ndarray, y: np.ndarray, at: float) -> float:
    """Return the polynomial through some points (Lagrange) at one place."""
    total = 0.0
    for i in range(x.size):
        others = np.delete(x, i)
        total += float(y[i] * np.prod((at - others) / (x[i] - others)))
    return total
