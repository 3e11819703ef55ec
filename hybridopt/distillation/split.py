"""Torque split at an equivalence factor, and the limit of the motor alone: physics, no cycle."""

import numpy as np

from ..inputs.driveline import Driveline
from ..physics.battery import Cell, store_power
from ..physics.interpolation import map_row
from ..physics.plant import Plant, engine_limit, pack
from ..physics.step import _fuel_rates

TORQUES = 241  # motor torques tried


def split_map(
    driveline: Driveline,
    cell: Cell,
    soc: float,
    speeds: np.ndarray,
    torques: np.ndarray,
    factors: np.ndarray,
) -> np.ndarray:
    """Return the motor torque of least fuel plus factor times stored energy while the engine runs.

    Parameters
    ----------
    driveline, cell, soc
        Vehicle, battery, and the SoC at which it is taken.
    speeds, torques
        Nodes at the gearbox input, rad/s and N m.
    factors
        Equivalence factors, g/J.

    Returns
    -------
    ndarray, (speeds, torques, factors)
        N m.
    """
    plant = pack(driveline)
    out = np.empty((speeds.size, torques.size, factors.size))
    for i, speed in enumerate(speeds):
        for j, torque in enumerate(torques):
            out[i, j] = _split(plant, cell, soc, float(speed), float(torque), factors)
    return out


def _split(
    plant: Plant, cell: Cell, soc: float, speed: float, torque: float, factors: np.ndarray
) -> np.ndarray:
    peak = float(np.interp(speed, plant.peak_speed, plant.peak))
    full = float(np.interp(speed, *engine_limit(plant)))
    overrun = float(np.interp(speed, plant.overrun_speed, plant.overrun))
    low, high = max(-peak, torque - full), min(peak, torque - overrun)
    if low >= high:
        return np.full(factors.size, min(max(torque, -peak), peak))
    kinks = np.concatenate((plant.loss_torque, torque - plant.fuel_torque, [0.0]))
    motor = np.unique(np.concatenate((np.linspace(low, high, TORQUES), np.clip(kinks, low, high))))
    loss = np.interp(motor, plant.loss_torque, map_row(plant.loss_speed, plant.loss, speed))
    power = store_power(cell, soc, motor * speed + loss + plant.auxiliary)
    engine, fuel = torque - motor, map_row(plant.fuel_speed, plant.fuel, speed)
    rates = np.empty(engine.size)
    _fuel_rates(plant.fuel_torque, fuel, overrun, engine, rates)
    total = np.where(np.isnan(power), np.inf, rates + factors[:, None] * np.nan_to_num(power))
    return np.asarray(motor[np.argmin(total, axis=1)])


def electric_limit(driveline: Driveline, speeds: np.ndarray, margin: float = 0.97) -> np.ndarray:
    """Return the highest torque at the gearbox input that the motor gives with the engine off, N m.

    The peak torque less the start reserve, and no more than the battery's largest power; a margin
    covers the inertia of the shaft. Zero where the driveline has no electric drive.
    """
    plant = pack(driveline)
    if plant.electric == 0.0:
        return np.zeros(speeds.size)
    peak = np.interp(speeds, plant.peak_speed, plant.peak)
    peak -= np.interp(speeds, plant.reserve_speed, plant.reserve)
    battery = plant.power_max
    by_power = 0.9 * (battery - plant.auxiliary - plant.pump_power) / np.maximum(speeds, 1.0)
    return np.asarray(margin * np.maximum(np.minimum(peak, by_power), 0.0))
