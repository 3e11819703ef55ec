"""Whether an engine that cannot be parted from the motor works, is dragged along, or is off.

It turns whenever the shaft does. With its fuel cut it is dragged; when it burns again, that is no
start but in the model, which counts one where the engine was off before. What was on and off is
the sequence of both whose torques and fuel, with that of starts and shifts, are nearest to those
measured (R. Bellman's recursion over two states). Fuel that was cut until it burns again without
the fuel of a start is so overrun of an engine that is on; a cut that ends at rest is a stop. What a
starter draws tells a start for sure.
"""

from typing import NamedTuple

import numpy as np

from ..base.intervals import intervals
from ..inputs.driveline import Driveline
from ..inputs.maps import curve_values
from ..measurements.recording import Recording
from ..physics.codes import EngineClass
from ..physics.demand import Demand
from ..physics.entries import S_OVERRUN, S_START, S_TOTAL
from ..physics.plant import pack
from ..physics.shifts import shift_fuel
from ..physics.starts import start_steps
from .engine_runs import fuel_at
from .fine_speed import TURNING
from .step_samples import StepSamples, held
from .told_torques import fill_shafts, mean_errors, told_torque

BURNING = 0.2  # of the idle fuel rate
DRAGGED = 0.5  # of the overrun torque
FUEL_ERROR, FUEL_FLOOR = 0.03, 0.05  # of a rate, and of the idle fuel rate (assumed)
TORQUE_ERROR = 0.01  # of the highest full load (assumed)
LEFT_ERROR = 0.02  # the same of a torque that speed and motor leave to the engine (assumed)
NAMES = ("engine_speed", "fuel_rate", "engine_torque")
MOTOR = ("motor_torque", "motor_power")
FAR = 25.0  # square of a deviation in its errors, beyond which more says no more
CRANKS = 0.25  # of the power of a start, from which on the starter drew it (assumed)
CHANGE = 1.92  # half the 95 % quantile of chi-squared: what a stop with its start must explain
IN_DOUBT = 0.01  # for a step on without fuel, so that a cut that may be either is a stop
NEVER = 1e9
DRAWN = ("battery_voltage", "battery_current", "motor_power")  # what the starter draws is in


class DraggedEngine(NamedTuple):
    """Whether an engine is on in each step, and whether a starter draws what only it takes."""

    on: np.ndarray
    cranks: np.ndarray


def dragged_engine(
    recording: Recording,
    driveline: Driveline,
    samples: StepSamples,
    demand: Demand,
    gear: np.ndarray,
) -> DraggedEngine | None:
    """Return whether the engine is on in each step; None without its speed and fuel or torque.

    Parameters
    ----------
    recording, driveline, samples, demand
        The drive and its model.
    gear
        Of each step, from 0.
    """
    told = _told(recording, samples)
    if "engine_speed" not in told or len(told) == 1:
        return None
    turns, error = told["engine_speed"] > TURNING * driveline.engine.idle_speed, TORQUE_ERROR
    if "engine_torque" not in told:
        left = _left_torque(recording, driveline, samples, demand, gear)
        if left is not None:
            told["engine_torque"], error = left, LEFT_ERROR
    cranks = _cranked(recording, driveline, samples, demand, gear)
    if len(told) == len(NAMES):
        error *= float(driveline.engine.full_load.max())
        costs = _costs(told, turns, driveline, demand, gear, error)
        return DraggedEngine(_most_likely(costs._replace(on=costs.on + FAR * cranks)), cranks)
    burns = turns & _burns(told, driveline)
    return DraggedEngine(_until_it_burns(turns, burns, cranks), cranks)


def _cranked(
    recording: Recording,
    driveline: Driveline,
    samples: StepSamples,
    demand: Demand,
    gear: np.ndarray,
) -> np.ndarray:
    """Return in which steps the battery gives what only a starter takes; none if that is not told.

    Parameters are those of :func:`dragged_engine`.
    """
    if not driveline.start.starter or not recording.has(*DRAWN):
        return np.zeros(demand.steps, dtype=bool)
    volts, amps, motor = (recording.channels[name] for name in DRAWN)
    load = recording.channels.get("auxiliary_power", driveline.auxiliary.power)
    taken = samples.mean(volts * amps - motor - load)
    classes = np.full(gear.size, int(EngineClass.STARTING))
    start = fill_shafts(pack(driveline), demand, gear, classes).entries[:, S_START]
    return np.asarray((start > 0.0) & (taken > CRANKS * start))


def untold_cuts(
    recording: Recording, driveline: Driveline, samples: StepSamples, on: np.ndarray
) -> int:
    """Return how many cuts of fuel in which the engine counts as on may have been stops.

    Parameters
    ----------
    recording, driveline, samples
        The drive and its model, without one of the channels that tell its starts.
    on
        Whether the engine is on, by step.
    """
    return len(intervals(on & ~_burns(_told(recording, samples), driveline)))


def _told(recording: Recording, samples: StepSamples) -> dict[str, np.ndarray]:
    """Return what the channels of the engine tell of each step, by their names."""
    return {n: held(samples.mean(recording.channels[n])) for n in NAMES if recording.has(n)}


def _left_torque(
    recording: Recording,
    driveline: Driveline,
    samples: StepSamples,
    demand: Demand,
    gear: np.ndarray,
) -> np.ndarray | None:
    """Return what speed and motor leave to the engine, N m; None where no channel tells these.

    It is never less than overrun: what more is braked, the brakes do.
    """
    means = {n: samples.mean(recording.channels[n]) for n in MOTOR if recording.has(n)}
    if not means:
        return None
    plant, classes = pack(driveline), np.full(gear.size, int(EngineClass.RUNNING))
    shafts = fill_shafts(plant, demand, gear, classes)
    motor = told_torque(means, mean_errors(recording), plant, shafts, demand, driveline).torque
    left = shafts.entries[:, S_TOTAL] - np.nan_to_num(motor)
    return np.asarray(np.maximum(left, shafts.entries[:, S_OVERRUN]))


def _burns(told: dict[str, np.ndarray], driveline: Driveline) -> np.ndarray:
    """Return whether the engine works, by its fuel or its torque."""
    engine = driveline.engine
    if "fuel_rate" in told:
        idle = fuel_at(engine, np.array([engine.idle_speed]), np.zeros(1))[0]
        return np.asarray(told["fuel_rate"] > BURNING * idle)
    overrun = curve_values(engine.overrun, told["engine_speed"])
    return np.asarray(told["engine_torque"] > DRAGGED * overrun)


def _until_it_burns(turns: np.ndarray, burns: np.ndarray, cranks: np.ndarray) -> np.ndarray:
    """Return whether an engine is on that stays on through cuts that end in burning again.

    Not if a starter starts it then: an engine was off before that.
    """
    begins = cranks & ~np.concatenate(([False], cranks[:-1]))
    burns = (burns | begins) & ~np.concatenate((begins[1:], [False]))
    on = np.array(burns)
    for first, stop in intervals(turns & ~burns):
        if stop < on.size and on[stop] and not begins[stop]:
            on[first:stop] = first == 0 or on[first - 1]
    return on


class _Costs(NamedTuple):
    """How far a step is from being off, on, and the first of a start, (steps,) each."""

    off: np.ndarray
    on: np.ndarray
    start: np.ndarray


def _costs(
    told: dict[str, np.ndarray],
    turns: np.ndarray,
    driveline: Driveline,
    demand: Demand,
    gear: np.ndarray,
    error: float,
) -> _Costs:
    """Return squares of deviations over their errors.

    In a start the engine works for the rest of its step only, as in `physics/step.py`; one that
    lasts several steps is judged by its first, which has its share of the fuel. `error` is that of
    the torque, N m.
    """
    engine, start, dt = driveline.engine, driveline.start, demand.dt
    speed, torque, rate = (told[n] for n in ("engine_speed", "engine_torque", "fuel_rate"))
    floor = FUEL_FLOOR * float(fuel_at(engine, np.array([engine.idle_speed]), np.zeros(1))[0])
    now = np.clip(gear, 0, driveline.gearbox.gears - 1)
    before = np.concatenate((now[:1], now[:-1]))

    def away(kind: EngineClass, work: np.ndarray, event: np.ndarray) -> np.ndarray:
        classes = np.full(now.size, int(kind))
        paid = shift_fuel(driveline, demand, (np.arange(now.size), classes, before, now))
        share = np.maximum(work, 0.01)
        low, middle, high = (
            work * fuel_at(engine, speed, (torque + e) / share) * demand.fuel_factor
            for e in (-error, 0.0, error)
        )
        expected = middle + (event + paid) / dt
        sigma = np.hypot(FUEL_ERROR * expected + floor, 0.5 * (high - low))
        return np.asarray(np.minimum(((rate - expected) / sigma) ** 2, FAR))

    ones, none = np.ones(dt.size), np.zeros(dt.size)
    on = away(EngineClass.RUNNING, ones, none) + IN_DOUBT * (rate < BURNING * floor / FUEL_FLOOR)
    pulls = np.maximum(torque - curve_values(engine.overrun, speed), 0.0) / error
    off = away(EngineClass.OFF, none, none) + np.minimum(pulls**2, FAR)
    steps = start_steps(start.duration, dt)
    works = np.maximum(1.0 - start.duration / (steps * dt), 0.0)
    begins = away(EngineClass.STARTING, works, start.fuel / steps)
    on, begins = (np.where(turns, costs, NEVER) for costs in (on, begins))
    return _Costs(np.where(turns, off, 0.0), on, begins)


def _most_likely(costs: _Costs) -> np.ndarray:
    """Return the sequence of off and on whose costs are least."""
    size = costs.off.size
    came_on, came_off = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
    off, on = costs.off[0], costs.on[0]
    for t in range(1, size):
        stays, begins = on + costs.on[t], off + costs.start[t] + CHANGE
        came_on[t], came_off[t] = stays <= begins, on + CHANGE < off
        on, off = min(stays, begins), min(on + CHANGE, off) + costs.off[t]
    state = np.empty(size, dtype=bool)
    state[-1] = on < off
    for t in range(size - 1, 0, -1):
        state[t - 1] = came_on[t] if state[t] else came_off[t]
    return state
