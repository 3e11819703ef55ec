"""What a car did in each step of its drive: engine, gear and split, from the channels there are."""

import dataclasses
from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..base.units import RPM
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.codes import EngineClass
from ..physics.demand import Demand
from ..physics.plant import pack
from ..physics.schedule import Schedule
from .dragged_engine import BURNING, MOTOR, dragged_engine, untold_cuts
from .fine_speed import MOVING, NEAR_RATIO, TURNING, shaft_gears
from .splits import Split, read_split
from .step_samples import StepSamples, held

PULLING = 0.03  # of the highest full load
USUAL_SPEED = 1400.0 * RPM  # at the gearbox input, the least of an assumed gear
SPEED_CELL = 2.0  # m/s


@dataclass(frozen=True, eq=False)
class DecisionSource:
    """Where a decision of the car was read from.

    Attributes
    ----------
    decision : "engine", "gear" or "split"
    channels : it was read from; empty where it was assumed
    text : one sentence for people
    told : whether they told it, by step; elsewhere the text's assumption counts, (steps,)
    unknown : s, for which they did not tell
    cuts : of fuel in which a dragged engine counts as on, and that may have been stops
    """

    decision: str
    channels: tuple[str, ...]
    text: str
    told: np.ndarray
    unknown: float = 0.0
    cuts: int = 0

    @property
    def assumed(self) -> bool:
        """Whether no channel tells the decision."""
        return not self.channels


@dataclass(frozen=True, eq=False)
class CarDecisions:
    """What the car did, step by step, as far as the channels tell.

    Attributes
    ----------
    schedule : gear, engine class, motor torque (infinite: as far as the motor may be driven), and
        whether the motor was powered
    sources : by decision, where it was read
    reasons : codes of :class:`hybridopt.physics.codes.Reason`, why gear and engine state of a step
        are impossible in the model, (steps,)
    """

    schedule: Schedule
    sources: dict[str, DecisionSource]
    reasons: np.ndarray

    @property
    def engine_on(self) -> np.ndarray:
        """Whether the engine was on, (steps,)."""
        return np.asarray(self.schedule.engine_class != EngineClass.OFF)


def read_decisions(recording: Recording, driveline: Driveline, demand: Demand) -> CarDecisions:
    """Read what the car did from the channels of its recording.

    Parameters
    ----------
    recording
        The drive.
    driveline
        Its model.
    demand
        Of the recording's cycle.

    Raises
    ------
    InputError
        No channel tells whether the engine was on.
    """
    samples = StepSamples(recording)
    gear, gear_source = _gears(recording, driveline, samples, demand)
    on, engine_source = _engine(recording, driveline, samples, demand, gear)
    before = np.concatenate(([on[0]], on[:-1]))
    running = np.where(on & ~before, int(EngineClass.STARTING), int(EngineClass.RUNNING))
    engine_class = np.where(on, running, int(EngineClass.OFF)).astype(np.int64)
    split: Split = read_split(recording, driveline, samples, demand, gear, engine_class)
    schedule = Schedule(gear, engine_class, split.torque, split.powered)
    by = DecisionSource("split", split.channels, split.text, split.told, split.unknown)
    sources = {"engine": engine_source, "gear": gear_source, "split": by}
    return CarDecisions(schedule, sources, split.reasons)


def _engine(
    recording: Recording,
    driveline: Driveline,
    samples: StepSamples,
    demand: Demand,
    gear: np.ndarray,
) -> tuple[np.ndarray, DecisionSource]:
    """Return whether the engine is on in each step, and how that was told."""
    if not driveline.clutches.separating_clutch:
        dragged = dragged_engine(recording, driveline, samples, demand, gear)
        if dragged is not None:
            on = dragged.on
            names = [n for n in ("engine_speed", "fuel_rate", "engine_torque") if recording.has(n)]
            words = (
                "on where it turns and burns, or is dragged until it burns again without a start"
            )
            cuts = 0
            if dragged.cranks.any():
                words += ", which what the starter draws tells"
            elif "fuel_rate" not in names:
                words += "; without fuel_rate a start after a cut of fuel shows nowhere"
                cuts = untold_cuts(recording, driveline, samples, on)
            elif len(names) < 3 and not any(map(recording.has, MOTOR)):
                words += "; without torque of engine or motor a start after a cut is not told"
                cuts = untold_cuts(recording, driveline, samples, on)
            elif len(names) < 3:
                words += "; its torque is what speed and motor leave to it"
            told = np.isfinite(sum(samples.mean(recording.channels[n]) for n in names))
            source = _engine_source(tuple(names), f"engine {words}", told, demand)
            return on, dataclasses.replace(source, cuts=cuts)
    engine, plant = driveline.engine, pack(driveline)
    idle_fuel = float(np.interp(plant.idle_speed, plant.fuel_speed, plant.fuel[:, 0]))
    full = float(plant.full.max())
    limits = {
        "engine_speed": (TURNING * engine.idle_speed, "above half its idle speed"),
        "fuel_rate": (
            BURNING * idle_fuel,
            "burns fuel, so that overrun with the fuel cut counts as off",
        ),
        "engine_torque": (PULLING * full, "gives torque"),
    }
    order = ["engine_speed", "fuel_rate", "engine_torque"]
    if not driveline.clutches.separating_clutch:  # it is dragged along while it is off
        order = order[1:] + order[:1]
    name = next((one for one in order if recording.has(one)), None)
    if name is None:
        raise InputError(
            f"{recording.path}: no channel tells whether the engine was on; name the column of "
            "engine_speed, fuel_rate or engine_torque"
        )
    limit, words = limits[name]
    values = recording.channels[name]
    flag = np.where(np.isfinite(values), (np.abs(values) > limit).astype(float), np.nan)
    share = samples.mean(flag)
    on = held(share) >= 0.5
    text = f"engine on where {name} says that it turns, {words}"
    if name != "engine_speed":
        text = f"engine on where {name} says that it {words}"
    return on, _engine_source((name,), text, np.isfinite(share), demand)


def _engine_source(
    names: tuple[str, ...], text: str, told: np.ndarray, demand: Demand
) -> DecisionSource:
    unknown = float(demand.dt[~told].sum())
    if unknown:
        text += f"; for {unknown:.4g} s without a value it is taken as before"
    return DecisionSource("engine", names, text, told, unknown)


def _gears(
    recording: Recording, driveline: Driveline, samples: StepSamples, demand: Demand
) -> tuple[np.ndarray, DecisionSource]:
    """Return the gear of each step, 0 is first, and how it was told."""
    none = np.zeros(demand.steps, dtype=bool)
    if recording.has("gear"):
        values = recording.channels["gear"]
        found = samples.middle(np.where(values >= 0.5, np.rint(values) - 1.0, np.nan))
        channels: tuple[str, ...] = ("gear",)
        text = "gear from its channel"
    elif name := recording.shaft:
        found = samples.middle(shaft_gears(recording, driveline, name))
        channels = (name, "speed")
        text = f"gear from {name} over the speed of the wheels"
    else:
        return _usual_gears(driveline, demand), DecisionSource(
            "gear",
            (),
            f"gear assumed: the highest that keeps the shaft above {USUAL_SPEED / RPM:.0f} rpm",
            none,
        )
    moving = demand.speed > MOVING
    told = np.isfinite(found) | ~moving
    unknown = float(demand.dt[~told].sum())
    if not np.isfinite(found).any():
        return _usual_gears(driveline, demand), DecisionSource(
            "gear", (), f"{text} could not be told; assumed as usual over speed", none
        )
    slips = none
    if recording.shaft:  # faster than even first gear asks
        first = (1.0 + NEAR_RATIO) * pack(driveline).ratio[0] * demand.wheel_speed
        slips = samples.mean(recording.channels[recording.shaft]) > first
    filled = _filled(found, demand.speed, slips)
    if unknown:
        text += (
            f"; for {unknown:.4g} s of driving it is not told: as before while slowing, first "
            "while a clutch slips from rest, as next while speeding up, else as usual at that speed"
        )
    return filled.astype(np.int64), DecisionSource("gear", channels, text, told, unknown)


def _filled(gear: np.ndarray, speed: np.ndarray, slips: np.ndarray) -> np.ndarray:
    """Return gears with the unknown ones filled.

    While slowing the last known one, since a clutch opens in a gear that has become too high; from
    rest on while the clutch slips first gear (common practice, no source); else while speeding up
    the next; else the usual at the speed. At rest the next.
    """
    told, rests = np.isfinite(gear), speed <= 0.0
    cell = np.rint(speed / SPEED_CELL).astype(int)
    usual = np.full(cell.max() + 1, np.nan)
    for i in range(usual.size):
        if np.any(told & (cell == i)):
            usual[i] = np.median(gear[told & (cell == i)])
    some = np.flatnonzero(np.isfinite(usual))
    usual = np.rint(np.interp(np.arange(usual.size), some, usual[some]))
    launches = np.where(rests, 0.0, np.where(told | ~slips, -1.0, np.nan))
    slowing, rising = _kept(gear, speed), _kept(gear[::-1], speed[::-1])[::-1]
    for kept in (slowing, _kept(launches, -speed), rising, usual[cell]):
        gear = np.where(np.isfinite(gear) | rests, gear, kept)
    backward = held(gear[::-1])[::-1]
    return np.where(np.isfinite(gear), gear, backward)


def _kept(gear: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """Return gears kept while the speed does not rise; NaN where it rose since the last known."""
    slows = np.append(False, np.diff(speed) <= 0.0)
    kept = held(np.where(np.isfinite(gear) | slows, gear, -1.0))
    return np.where(kept >= 0.0, kept, np.nan)


def _usual_gears(driveline: Driveline, demand: Demand) -> np.ndarray:
    shaft = demand.wheel_speed[:, None] * pack(driveline).ratio
    fitting = np.count_nonzero(shaft >= USUAL_SPEED, axis=1)
    return np.asarray(np.maximum(fitting - 1, 0), dtype=np.int64)
