"""How a car split torque between engine and motor in each step, from the channels there are."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.battery import pack_battery
from ..physics.codes import OFF, RUNNING, STARTING, EngineClass
from ..physics.demand import Demand
from ..physics.entries import (
    S_AUXILIARY,
    S_FULL,
    S_LOW,
    S_MOTOR,
    S_OVERRUN,
    S_POWER_MIN,
    S_SIZE,
    S_START,
    S_TOTAL,
)
from ..physics.operating_points import demand_rows
from ..physics.plant import Plant, pack
from .fine_speed import TURNING
from .recuperation import recuperated
from .shaft_kernels import _shafts
from .slow_part import slow_part
from .step_samples import StepSamples, held

AT_REST = 0.01  # of the motor's peak power or torque: within it the motor is taken as unpowered
CUT = 0.2  # of the idle fuel rate, below which the fuel is cut
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


@dataclass(frozen=True, eq=False)
class Split:
    """Motor torques of a drive.

    Attributes
    ----------
    torque, powered : N m and whether the motor was powered, (steps,); infinite is as far as it
        may be driven
    channels : the torques were read from; empty where they were assumed
    text : one sentence for people
    told : whether the channels told the split, or it is the motor's alone, (steps,)
    unknown : s with the engine on or while braking, for which they did not tell
    reasons : see :class:`Shafts`
    """

    torque: np.ndarray
    powered: np.ndarray
    channels: tuple[str, ...]
    text: str
    told: np.ndarray
    unknown: float
    reasons: np.ndarray


class _Measured(NamedTuple):
    """Motor torque of each step (N m, NaN unknown), where it rests, and how that was told."""

    torque: np.ndarray
    rests: np.ndarray
    channels: tuple[str, ...]
    text: str


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


def read_split(
    recording: Recording,
    driveline: Driveline,
    samples: StepSamples,
    demand: Demand,
    gear: np.ndarray,
    engine: np.ndarray,
) -> Split:
    """Return the motor torque of each step, from the first of these that the recording has.

    Motor torque; electric power of the motor, or of the battery less the auxiliary load, through
    the loss map; torque of the engine, or its fuel through the map, by the balance of torques. With
    none of them the motor is taken to rest while the engine drives.

    Parameters
    ----------
    recording, driveline, samples, demand
        The drive and its model.
    gear, engine
        Of each step, gears from 0, engine classes.
    """
    plant = pack(driveline)
    shafts = fill_shafts(plant, demand, gear, engine)
    on = engine != EngineClass.OFF
    known = _known(recording, driveline, samples, engine)
    measured = _measured(known, plant, shafts, demand, driveline)
    torque, braking = measured.torque, demand.wheel_torque < 0.0
    pulls = on & ~braking & ~measured.rests
    torque = _balanced(torque, known, shafts, demand, pulls)
    cut = on & _is_cut(known, plant, shafts)
    missing = np.isnan(torque) & ~measured.rests
    overrun = shafts.entries[:, S_TOTAL] - shafts.entries[:, S_OVERRUN]
    torque = np.where(missing & braking, overrun, torque)
    torque = np.where(cut, np.fmax(torque, overrun), torque)
    free = ~on & (~braking | missing)  # the motor does it alone
    torque = np.where(free, -np.inf, torque)
    lowest = _lowest(recording, driveline, plant, shafts, samples)
    free_braking = ~on & braking & ~missing
    torque = recuperated(
        torque, lowest, shafts.entries[:, S_MOTOR], demand, driveline, free_braking
    )
    rests = ~free & (measured.rests | np.isnan(torque)) | (demand.speed <= 0.0) & ~on
    told = ~(missing & (on | braking) & (demand.speed > 0.0))
    unknown = float(demand.dt[~told].sum())
    return Split(
        torque=np.where(rests, 0.0, torque),
        powered=~rests,
        channels=measured.channels,
        text=_told(measured, unknown),
        told=told & bool(measured.channels),
        unknown=unknown,
        reasons=shafts.reasons,
    )


class Torques(NamedTuple):
    """Torques at the shaft of the gearbox, N m, (steps,); NaN where not told.

    `engine` and `motor` are measured, `total` is what the speed asks of both; `steady` are steps in
    which the engine neither starts nor is commanded by a brake.
    """

    engine: np.ndarray
    motor: np.ndarray
    total: np.ndarray
    shafts: Shafts
    steady: np.ndarray


def measured_torques(
    recording: Recording,
    driveline: Driveline,
    samples: StepSamples,
    demand: Demand,
    gear: np.ndarray,
    engine: np.ndarray,
) -> Torques | None:
    """Return the torques of engine and motor, each by channels of its own; None without them.

    Parameters are those of :func:`read_split`.
    """
    known = _known(recording, driveline, samples, engine)
    by_motor = {"motor_torque", "motor_power", "battery_motor_power"} & known.keys()
    if not by_motor or not {"engine_torque", "fuel_rate"} & known.keys():
        return None
    plant = pack(driveline)
    shafts = fill_shafts(plant, demand, gear, engine)
    motor = _measured(known, plant, shafts, demand, driveline).torque
    given = known.get("engine_torque")
    if given is None:
        given = _each(_torque_of_fuel, known["fuel_rate"], shafts, plant.fuel_torque, shafts.fuel)
    off = engine == OFF
    given = np.where(off, shafts.entries[:, S_OVERRUN], given)
    steady = (off | (engine == RUNNING)) & np.isfinite(given + motor)
    return Torques(given, motor, shafts.entries[:, S_TOTAL], shafts, steady)


def _balanced(
    torque: np.ndarray,
    known: dict[str, np.ndarray],
    shafts: Shafts,
    demand: Demand,
    pulls: np.ndarray,
) -> np.ndarray:
    """Return motor torques that leave the engine's, where both were measured, as it was.

    What the torque wanted differs from the sum of both is noise of the speed, and of the model.
    The motor takes up what does not change slowly, so that the engine gives what it gave; in the
    mean the motor's torque is the one measured.
    """
    if "engine_torque" not in known or not pulls.any():
        return torque
    rest = shafts.entries[:, S_TOTAL] - known["engine_torque"] - torque
    where = pulls & np.isfinite(rest)
    rest = np.where(where, rest, 0.0)
    return np.where(where, torque + rest - slow_part(rest, where, demand.dt), torque)


def _lowest(
    recording: Recording, driveline: Driveline, plant: Plant, shafts: Shafts, samples: StepSamples
) -> np.ndarray:
    """Return the lowest torque that motor, brakes and battery allow in each step, N m."""
    entries, cell = shafts.entries, pack_battery(driveline.battery)
    power = entries[:, S_POWER_MIN]
    if recording.has("soc"):
        soc = held(samples.mean(recording.channels["soc"]))
        power = np.maximum(power, np.interp(soc, cell.soc, cell.power_min))
    power = power - entries[:, S_AUXILIARY]
    limit = _each(_torque_of_power, power, shafts, plant.loss_torque, shafts.loss)
    return np.asarray(np.where(entries[:, S_LOW] < limit, limit, entries[:, S_LOW]))


def _told(measured: _Measured, unknown: float) -> str:
    if not measured.channels or not unknown:
        return measured.text
    return (
        f"{measured.text}; for {unknown:.4g} s it is not told: the motor is taken to rest while "
        "the engine drives, and to recuperate what it can while braking"
    )


def _known(
    recording: Recording, driveline: Driveline, samples: StepSamples, engine: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the means over steps of the channels that tell of the split.

    Samples at the edge of a step in which the engine is as in the step beside it are left out,
    but not in steps of a start, which is a part of them.
    """
    turns = np.ones(recording.time.size, dtype=bool)
    on, starts = (samples.spread(engine == one) for one in (RUNNING, STARTING))
    if recording.has("engine_speed"):
        limit = TURNING * driveline.engine.idle_speed
        turns = starts | ((recording.channels["engine_speed"] > limit) == on)
    channels = {name: recording.channels[name] for name in TELLING if recording.has(name)}
    if "engine_torque" in channels:  # while it is cranked it gives none
        torque = channels["engine_torque"]
        channels["engine_torque"] = np.where(starts, np.maximum(torque, 0.0), torque)
    found = {name: samples.mean(values, turns) for name, values in channels.items()}
    if recording.has("battery_voltage", "battery_current"):
        power = recording.channels["battery_voltage"] * recording.channels["battery_current"]
        found["battery_power"] = samples.mean(power, turns)
        aux = recording.channels.get("auxiliary_power")
        load = np.nan if aux is None else samples.mean(aux)
        constant = driveline.auxiliary.power
        found["battery_motor_power"] = found["battery_power"] - np.where(
            np.isnan(load), constant, load
        )
    return found


def _measured(
    known: dict[str, np.ndarray], plant: Plant, shafts: Shafts, demand: Demand, driveline: Driveline
) -> _Measured:
    """Return the torque from the best channels there are."""
    peak, cranking = float(plant.peak.max()), shafts.entries[:, S_START]
    if "motor_torque" in known:
        torque = known["motor_torque"]
        if plant.starter == 0.0:  # what it pulls the engine up with is not in the model's torque
            speed = np.maximum(shafts.entries[:, S_MOTOR], plant.idle_speed)
            torque = torque - plant.start_efficiency * cranking / speed
        drag = np.interp(shafts.entries[:, S_MOTOR], plant.drag_speed, plant.drag)
        rests = np.abs(torque + drag) <= AT_REST * peak
        return _Measured(torque, rests, ("motor_torque",), "split from motor_torque")
    top = driveline.motor.peak_power
    for name, channels, words in (
        ("motor_power", ("motor_power",), "motor_power"),
        (
            "battery_motor_power",
            ("battery_voltage", "battery_current"),
            f"battery power less {driveline.auxiliary.power:.0f} W of auxiliaries",
        ),
    ):
        if name in known:
            by_starter = name == "motor_power" and plant.starter > 0.0
            power = known[name] - (0.0 if by_starter else cranking)
            torque = _each(_torque_of_power, power, shafts, plant.loss_torque, shafts.loss)
            rests = np.abs(power) <= AT_REST * top
            return _Measured(torque, rests, channels, f"split from {words} through the loss map")
    none = np.zeros(demand.steps, dtype=bool)
    total, braking = shafts.entries[:, S_TOTAL], demand.wheel_torque < 0.0
    if "engine_torque" in known:
        engine, name = known["engine_torque"], "engine_torque"
        words = "split from the torque that engine_torque leaves to the motor"
    elif "fuel_rate" in known:
        engine = _each(_torque_of_fuel, known["fuel_rate"], shafts, plant.fuel_torque, shafts.fuel)
        name, words = "fuel_rate", "split from the torque that the engine gives by fuel_rate"
    else:
        text = (
            "split assumed: a constant charging power while the engine drives, which ends at the "
            "SoC measured, or else at that of the start, and all that can be recuperated"
        )
        return _Measured(np.full(demand.steps, np.nan), none, (), text)
    torque = np.where(braking & (engine <= 0.0), np.nan, total - engine)
    return _Measured(torque, none, (name,), f"{words}; recuperation as far as it can be")


def _each(
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


def _is_cut(known: dict[str, np.ndarray], plant: Plant, shafts: Shafts) -> np.ndarray:
    """Return whether the fuel of a step was cut, where the engine's channels say so."""
    if "fuel_rate" in known:
        idle = float(np.interp(plant.idle_speed, plant.fuel_speed, plant.fuel[:, 0]))
        return np.asarray(known["fuel_rate"] < CUT * idle)
    if "engine_torque" in known:
        return np.asarray(known["engine_torque"] < 0.9 * shafts.entries[:, S_OVERRUN])
    return np.zeros(shafts.reasons.size, dtype=bool)
