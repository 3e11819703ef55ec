"""The torque of motor or engine in each step, as its best channels tell it."""

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.demand import Demand
from ..physics.entries import S_FULL, S_MOTOR, S_OVERRUN, S_SIZE, S_START, S_TOTAL
from ..physics.operating_points import demand_rows
from ..physics.plant import Plant
from .channel_noise import PERSISTS, noise_size
from .shaft_kernels import _shafts

AT_REST = 0.01  # of the motor's peak power or torque: within it the motor is taken as unpowered
RESTING = 3.0, 0.0025
"""Errors of a torque or power, and share of the peak, within which it is that of a motor at rest,
up to :data:`AT_REST`."""
EXACT = 0.001  # of the peak: what a torque or power is at least in error (assumed)
CLASH = 0.05  # of the peak torque, by which torque and power differ where one of them is wrong
TELLING = ("motor_torque", "motor_power", "engine_torque", "fuel_rate")
"""Channels that tell of the split by themselves."""


class Shafts(NamedTuple):
    """What gear and engine state of each step make of what is asked.

    `entries` are those of a shaft, (steps, S_SIZE); `fuel` (g/s) and `loss` (W) rows of the maps at
    its speed; `reasons` why gear and engine state are impossible, 0 where they are not.
    """

    entries: np.ndarray
    fuel: np.ndarray
    loss: np.ndarray
    reasons: np.ndarray


class ToldTorque(NamedTuple):
    """Motor torque of each step (N m, NaN unknown), where it rests, and how that was told."""

    torque: np.ndarray
    rests: np.ndarray
    channels: tuple[str, ...]
    text: str


class _Reading(NamedTuple):
    """A torque by one way of reading it, its standard error (N m), where it rests, and words."""

    torque: np.ndarray
    error: np.ndarray
    rests: np.ndarray
    channels: tuple[str, ...]
    words: str


def fill_shafts(plant: Plant, demand: Demand, gear: np.ndarray, engine: np.ndarray) -> Shafts:
    """Return the shafts of all steps in gears (from 0) and engine classes."""
    steps = demand.steps
    found = Shafts(
        np.zeros((steps, S_SIZE)),
        np.zeros((steps, plant.fuel_torque.size)),
        np.zeros((steps, plant.loss_torque.size)),
        np.zeros(steps, dtype=np.int64),
    )
    inside = np.clip(gear, 0, plant.ratio.size - 1)
    _shafts(plant, demand_rows(demand), inside, engine, *found)
    return found


def mean_errors(recording: Recording) -> dict[str, float]:
    """Return the standard errors that noise leaves in the mean of a step, by name of channel.

    `battery_power` is that of voltage times current.
    """
    channels = {name: recording.channels[name] for name in TELLING if recording.has(name)}
    if recording.has("battery_voltage", "battery_current"):
        power = recording.channels["battery_voltage"] * recording.channels["battery_current"]
        channels["battery_power"] = power
    step = float(np.median(recording.cycle.dt))
    share = np.hypot(min(np.sqrt(recording.step / step), 1.0), PERSISTS)
    return {name: float(share * noise_size(values)[0]) for name, values in channels.items()}


def told_torque(
    known: Mapping[str, np.ndarray],
    errors: Mapping[str, float],
    plant: Plant,
    shafts: Shafts,
    demand: Demand,
    driveline: Driveline,
) -> ToldTorque:
    """Return the motor's torque from the best channels there are.

    Parameters
    ----------
    known, errors
        Means of steps, and their standard errors (:func:`mean_errors`).
    plant, shafts, demand, driveline
        The model, in the gears and engine states of the drive.

    Notes
    -----
    Torque and electric power tell the same torque, each with noise of its own. Their mean counts,
    weighed by the inverse squares of their errors; where they clash the torque counts alone.
    """
    found = []
    if "motor_torque" in known:
        found.append(_by_torque(known["motor_torque"], errors, plant, shafts))
    electric = _by_power(known, errors, plant, shafts, driveline)
    if electric is not None:
        found.append(electric)
    if found:
        return _together(found, driveline)
    return _by_engine(known, plant, shafts, demand)


def _by_torque(
    torque: np.ndarray, errors: Mapping[str, float], plant: Plant, shafts: Shafts
) -> _Reading:
    peak, speed = float(plant.peak.max()), shafts.entries[:, S_MOTOR]
    if plant.starter == 0.0:  # what it pulls the engine up with is not in the model's torque
        turning = np.maximum(speed, plant.idle_speed)
        torque = torque - plant.start_efficiency * shafts.entries[:, S_START] / turning
    drag = np.interp(speed, plant.drag_speed, plant.drag)
    off = np.hypot(errors.get("motor_torque", 0.0), EXACT * peak)
    rests = _rests(torque - np.clip(torque, -drag, 0.0), off, peak)  # some cars show drag, some 0
    return _Reading(torque, np.full(torque.size, off), rests, ("motor_torque",), "motor_torque")


def _rests(value: np.ndarray, off: float, top: float) -> np.ndarray:
    most = min(max(RESTING[0] * off, RESTING[1] * top), AT_REST * top)
    return np.asarray(np.abs(value) <= most)


def _by_power(
    known: Mapping[str, np.ndarray],
    errors: Mapping[str, float],
    plant: Plant,
    shafts: Shafts,
    driveline: Driveline,
) -> _Reading | None:
    cranking, top = shafts.entries[:, S_START], driveline.motor.peak_power
    if "motor_power" in known:
        by_starter, name = plant.starter > 0.0, "motor_power"
        power = known[name] - (0.0 if by_starter else cranking)
        channels: tuple[str, ...] = (name,)
        words = "motor_power through the loss map"
    elif "battery_motor_power" in known:
        power, name = known["battery_motor_power"] - cranking, "battery_power"
        channels = ("battery_voltage", "battery_current")
        load = driveline.auxiliary.power
        words = f"battery power less {load:.0f} W of auxiliaries through the loss map"
    else:
        return None
    torque = power_torque(power, plant, shafts)
    rise = _rise(torque, plant, shafts)
    off = np.hypot(errors.get(name, 0.0), EXACT * top)
    rests = _rests(power, off, top)
    return _Reading(torque, off / np.maximum(rise, 1e-9), rests, channels, words)


def _rise(torque: np.ndarray, plant: Plant, shafts: Shafts) -> np.ndarray:
    """Return by how much electric power rises with the motor's torque, W per N m, (steps,)."""
    axis, rise = plant.loss_torque, np.full(torque.size, np.nan)
    for t in np.flatnonzero(np.isfinite(torque)):
        taken = axis * shafts.entries[t, S_MOTOR] + shafts.loss[t]
        low, high = np.interp([torque[t] - 1.0, torque[t] + 1.0], axis, taken)
        rise[t] = 0.5 * (high - low)
    return rise


def _together(found: list[_Reading], driveline: Driveline) -> ToldTorque:
    first, channels = found[0], tuple(name for one in found for name in one.channels)
    torque, rests, words = first.torque, first.rests, "split from " + first.words
    if len(found) > 1:
        second = found[1]
        clash = np.abs(second.torque - torque) > CLASH * float(driveline.motor.peak_torque.max())
        weights = [np.where(np.isfinite(x.torque), x.error**-2, 0.0) for x in found]
        weights[1] = np.where(clash, 0.0, weights[1])
        total = sum(weights)
        mean = sum(w * np.nan_to_num(x.torque) for w, x in zip(weights, found, strict=True))
        torque = np.divide(mean, total, out=np.full(torque.size, np.nan), where=total > 0.0)
        rests = rests & (second.rests | clash | np.isnan(second.torque))
        words += f", with {second.words}"
    return ToldTorque(torque, rests, channels, words)


def _by_engine(
    known: Mapping[str, np.ndarray], plant: Plant, shafts: Shafts, demand: Demand
) -> ToldTorque:
    """Return what the engine leaves to the motor; nothing where no channel tells its torque."""
    none = np.zeros(demand.steps, dtype=bool)
    total, braking = shafts.entries[:, S_TOTAL], demand.wheel_torque < 0.0
    if "engine_torque" in known:
        engine, name = known["engine_torque"], "engine_torque"
        words = "split from the torque that engine_torque leaves to the motor"
    elif "fuel_rate" in known:
        engine, name = fuel_torque(known["fuel_rate"], plant, shafts), "fuel_rate"
        words = "split from the torque that the engine gives by fuel_rate"
    else:
        text = (
            "split assumed: a constant charging power while the engine drives, which ends at the "
            "SoC measured, or else at that of the start, and all that can be recuperated"
        )
        return ToldTorque(np.full(demand.steps, np.nan), none, (), text)
    torque = np.where(braking & (engine <= 0.0), np.nan, total - engine)
    return ToldTorque(torque, none, (name,), f"{words}; recuperation as far as it can be")


def fuel_torque(rate: np.ndarray, plant: Plant, shafts: Shafts) -> np.ndarray:
    """Return the engine torque of each step that burns a fuel rate, N m; NaN where not known."""
    return _each_torque(_torque_of_fuel, rate, shafts, plant.fuel_torque, shafts.fuel)


def power_torque(power: np.ndarray, plant: Plant, shafts: Shafts) -> np.ndarray:
    """Return the motor torque of each step that takes an electric power, N m; NaN unknown."""
    return _each_torque(_torque_of_power, power, shafts, plant.loss_torque, shafts.loss)


def _each_torque(
    inverse: Callable[..., float],
    values: np.ndarray,
    shafts: Shafts,
    axis: np.ndarray,
    rows: np.ndarray,
) -> np.ndarray:
    """Return a torque for the value of each step; NaN where none is known."""
    torque = np.full(values.size, np.nan)
    for t in np.flatnonzero(np.isfinite(values)):
        torque[t] = inverse(values[t], shafts.entries[t], axis, rows[t])
    return torque


def _torque_of_power(power: float, shaft: np.ndarray, axis: np.ndarray, loss: np.ndarray) -> float:
    """Return the motor torque that takes an electric power, on the rising branch of the map."""
    taken = axis * shaft[S_MOTOR] + loss
    first = int(np.argmin(taken))
    return float(np.interp(power, taken[first:], axis[first:]))


def _torque_of_fuel(fuel: float, shaft: np.ndarray, axis: np.ndarray, row: np.ndarray) -> float:
    """Return the engine torque that burns a fuel rate; between overrun and 0 N m it is linear."""
    curve = np.maximum.accumulate(np.concatenate(([0.0], row)))
    torques = np.concatenate(([min(shaft[S_OVERRUN], 0.0)], axis))
    return float(min(np.interp(fuel, curve, torques), max(shaft[S_FULL], 0.0)))
