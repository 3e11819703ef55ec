"""How a car split torque between engine and motor in each step, from the channels there are."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.battery import pack_battery
from ..physics.codes import OFF, RUNNING, STARTING, EngineClass
from ..physics.demand import Demand
from ..physics.entries import S_AUXILIARY, S_LOW, S_MOTOR, S_OVERRUN, S_POWER_MIN, S_TOTAL
from ..physics.plant import Plant, pack
from .fine_speed import TURNING
from .recuperation import recuperated
from .slow_part import slow_part
from .step_samples import StepSamples, held
from .told_torques import (
    TELLING,
    Shafts,
    ToldTorque,
    fill_shafts,
    fuel_torque,
    mean_errors,
    power_torque,
    told_torque,
)

CUT = 0.2  # of the idle fuel rate, below which the fuel is cut


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
    known = _known(recording, driveline, samples, engine)
    plant, shafts, measured = _told_by(known, recording, driveline, demand, gear, engine)
    on = engine != EngineClass.OFF
    torque, braking = measured.torque, demand.wheel_torque < 0.0
    pulls = on & ~braking & ~measured.rests
    if measured.channels == ("motor_torque",):
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
    plant, shafts, told = _told_by(known, recording, driveline, demand, gear, engine)
    given = known.get("engine_torque")
    if given is None:
        given = fuel_torque(known["fuel_rate"], plant, shafts)
    off = engine == OFF
    given = np.where(off, shafts.entries[:, S_OVERRUN], given)
    steady = (off | (engine == RUNNING)) & np.isfinite(given + told.torque)
    return Torques(given, told.torque, shafts.entries[:, S_TOTAL], shafts, steady)


def _told_by(
    known: dict[str, np.ndarray],
    recording: Recording,
    driveline: Driveline,
    demand: Demand,
    gear: np.ndarray,
    engine: np.ndarray,
) -> tuple[Plant, Shafts, ToldTorque]:
    """Return the model, what gear and engine state make of the demand, and the motor's torque."""
    plant = pack(driveline)
    shafts = fill_shafts(plant, demand, gear, engine)
    errors = mean_errors(recording)
    return plant, shafts, told_torque(known, errors, plant, shafts, demand, driveline)


def _balanced(
    torque: np.ndarray,
    known: dict[str, np.ndarray],
    shafts: Shafts,
    demand: Demand,
    pulls: np.ndarray,
) -> np.ndarray:
    """Return motor torques that leave the engine's, where both were measured, as it was.

    For a motor whose electric power is not known: with it the motor's torque is told better.
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
    limit = power_torque(power, plant, shafts)
    return np.asarray(np.where(entries[:, S_LOW] < limit, limit, entries[:, S_LOW]))


def _told(measured: ToldTorque, unknown: float) -> str:
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


def _is_cut(known: dict[str, np.ndarray], plant: Plant, shafts: Shafts) -> np.ndarray:
    """Return whether the fuel of a step was cut, where the engine's channels say so."""
    if "fuel_rate" in known:
        idle = float(np.interp(plant.idle_speed, plant.fuel_speed, plant.fuel[:, 0]))
        return np.asarray(known["fuel_rate"] < CUT * idle)
    if "engine_torque" in known:
        return np.asarray(known["engine_torque"] < 0.9 * shafts.entries[:, S_OVERRUN])
    return np.zeros(shafts.reasons.size, dtype=bool)
