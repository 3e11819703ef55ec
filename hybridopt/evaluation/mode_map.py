"""Modes over vehicle speed and wheel power: driven, best at a worth of charge, or by rule tables.

All three give codes of :class:`hybridopt.physics.modes.Mode` over (speeds, powers), `NOWHERE` where
there is none.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..inputs.driveline import Driveline
from ..physics import entries, step
from ..physics.battery import pack_battery, store_power, voltage_slope
from ..physics.codes import EngineClass
from ..physics.demand import Demand, steady_demand
from ..physics.gearbox import _input_torque
from ..physics.modes import Mode, label_modes
from ..physics.operating_points import OperatingPoints, all_points, demand_rows
from ..physics.plant import pack

if TYPE_CHECKING:
    from xarray import Dataset

    from ..tables.rule_set import RuleSet

NOWHERE = -1  # no mode: not visited, or nothing can drive it
MIN_TORQUE = 0.5  # N m, of a motor that counts as doing something
SPLITS = 31
STARTING = int(EngineClass.STARTING)  # the classes before it are off and running


def visited_modes(
    datasets: Sequence["Dataset"], speed_edges: np.ndarray, power_edges: np.ndarray
) -> np.ndarray:
    """Return the mode with the most time in each cell of speed and wheel power.

    Parameters
    ----------
    datasets
        Of results.
    speed_edges, power_edges
        Edges of the cells, m/s and W, (n + 1,) and (m + 1,).

    Returns
    -------
    ndarray of int, (n, m)
    """
    seconds = np.zeros((speed_edges.size - 1, power_edges.size - 1, len(Mode)))
    for dataset in datasets:
        i = np.searchsorted(speed_edges, dataset["speed"].values, side="right") - 1
        power = dataset["wheel_torque"].values * dataset["wheel_speed"].values
        j = np.searchsorted(power_edges, power, side="right") - 1
        inside = (i >= 0) & (i < seconds.shape[0]) & (j >= 0) & (j < seconds.shape[1])
        inside &= dataset["speed"].values > 0.0
        modes = dataset["mode"].values
        np.add.at(seconds, (i[inside], j[inside], modes[inside]), dataset["dt"].values[inside])
    found: np.ndarray = np.where(seconds.any(axis=2), seconds.argmax(axis=2), NOWHERE)
    return found


def best_modes(
    driveline: Driveline,
    speeds: np.ndarray,
    powers: np.ndarray,
    worths: Sequence[float],
    socs: Sequence[float],
) -> list[np.ndarray]:
    """Return the modes of least fuel at worths of charge, if starts and shifts were free.

    Parameters
    ----------
    driveline
        The vehicle.
    speeds, powers
        m/s (above 0) and W at the wheels, at steady speed.
    worths
        g of fuel per unit of SoC; along an optimum it is the costate.
    socs
        State of charge that goes with each worth, 0 to 1.

    Returns
    -------
    list of ndarray
        One map per worth.

    Notes
    -----
    Pontryagin's principle: an optimum without event costs takes, in every step, the choice of
    least fuel plus costate times charge taken. Source: Guzzella, Sciarretta, *Vehicle Propulsion
    Systems*, 3rd ed., 2013, appendix on optimal control, DOI 10.1007/978-3-642-35913-2.
    """
    demand = steady_demand(driveline.vehicle, speeds, powers)
    points = all_points(driveline, demand, SPLITS)
    shape = speeds.size, powers.size
    return [
        _best(driveline, demand, points, worth, soc).reshape(shape)
        for worth, soc in zip(worths, socs, strict=True)
    ]


def _best(
    driveline: Driveline, demand: Demand, points: OperatingPoints, worth: float, soc: float
) -> np.ndarray:
    total = (points.cost + _charge_cost(driveline, points, worth, soc))[:, :, :STARTING]
    flat = total.reshape(demand.steps, -1)
    chosen = flat.argmin(axis=1)
    # whole arrays, which kernels are compiled for: numpy's are parts of one
    gear, engine, split = map(np.ascontiguousarray, np.unravel_index(chosen, total.shape[1:]))
    rows = np.arange(demand.steps)
    torque, powered = points.motor_torque[rows, gear, engine, split], split > 0
    engine_torque = _engine_torque(driveline, demand, gear, engine, torque, powered)
    modes = label_modes(demand.speed, engine, engine_torque, torque, powered).astype(int)
    modes[~np.isfinite(flat[rows, chosen])] = NOWHERE
    return modes


def rule_modes(
    rule_set: "RuleSet",
    wheel_radius: float,
    speeds: np.ndarray,
    powers: np.ndarray,
    soc: float,
    engine_on: bool,
) -> np.ndarray:
    """Return the mode that rule tables ask for at steady speed, limits of the parts left aside.

    Parameters
    ----------
    rule_set
        The tables.
    wheel_radius
        m.
    speeds, powers
        m/s (above 0) and W at the wheels.
    soc
        State of charge, 0 to 1.
    engine_on
        Whether the engine ran before; tables with hysteresis answer differently.
    """
    from ..controllers.rule_kernels import PackedTable, TableInputs, _table_command
    from ..controllers.situation import LONG_AGO

    gearbox, (own, maps) = rule_set.gearbox.packed(), rule_set.table.packed()
    table, before = PackedTable(own, np.zeros(3), maps), (int(engine_on), 0, LONG_AGO, LONG_AGO)
    modes = np.empty((speeds.size, powers.size), dtype=int)
    for i, speed in enumerate(speeds.tolist()):
        for j, power in enumerate(powers.tolist()):
            torque, wheel_speed = power * wheel_radius / speed, speed / wheel_radius
            seen = TableInputs(speed, wheel_speed, torque, soc, *before)
            on, gear, motor = _table_command(gearbox, table, seen)
            ratio, efficiency = gearbox.ratio[gear], gearbox.efficiency[gear]
            total = _input_torque(ratio, efficiency, gearbox.drag[gear], torque)
            modes[i, j] = _asked_mode(bool(on), total, motor)
    return modes


def _charge_cost(
    driveline: Driveline, points: OperatingPoints, worth: float, soc: float
) -> np.ndarray:
    """Worth of the charge each operating point takes, g; infinite beyond the battery's limits."""
    cell = pack_battery(driveline.battery)
    taken = store_power(cell, soc, points.power) / voltage_slope(cell, soc)
    cost = worth * taken * points.dt[:, None, None, None]
    return np.where(np.isnan(taken), np.inf, cost)


def _engine_torque(
    driveline: Driveline,
    demand: Demand,
    gear: np.ndarray,
    engine: np.ndarray,
    torque: np.ndarray,
    powered: np.ndarray,
) -> np.ndarray:
    out = np.zeros((demand.steps, entries.P_SIZE))
    reason = np.empty(demand.steps, dtype=np.int64)
    step._evaluate(pack(driveline), demand_rows(demand), gear, engine, torque, powered, out, reason)
    return out[:, entries.P_ENGINE_TORQUE]


def _asked_mode(on: bool, total: float, motor: float) -> Mode:
    """Name the mode of a command for a torque wanted at the gearbox input, N m."""
    if not on:
        return Mode.ELECTRIC if total > 0.0 else Mode.REGEN
    if abs(motor) < MIN_TORQUE:
        return Mode.ENGINE_ONLY
    if motor > 0.0:
        return Mode.BOOST if total > motor else Mode.ELECTRIC
    return Mode.LOAD_POINT_SHIFT if total > motor else Mode.REGEN
