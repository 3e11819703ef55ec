"""Speeds next to rest: what an import takes for the noise of a vehicle that stands.

A step in which a car begins to creep costs what its launch clutch slips, however slow the car is:
a launch that is read a step late, or a stop that is read a step late, is fuel of that step.
"""

import dataclasses

import numpy as np

from ..base.units import GRAVITY
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..measurements.drive import Cleaning
from ..measurements.recording import Recording
from ..measurements.refreshes import coarse_step
from .fine_speed import TURNING
from .step_samples import StepSamples

REST = 0.03  # m/s, below which a fine speed is that of rest
LAUNCHES = 0.02  # of the highest full load, a torque that no car at rest passes on (assumed)


def with_launches(recording: Recording, driveline: Driveline, cycle: Cycle) -> Cycle:
    """Return a cycle that rests and creeps where the car did.

    Parameters
    ----------
    recording, driveline
        The drive and its model.
    cycle
        Its cycle, whose points within the import's standstill are 0, or near to it by smoothing.

    Notes
    -----
    A fine speed tells it. In one of coarse steps, a car that shows 0 at the end of a step creeps if
    engine and motor together gave torque in that step and the car shows speed after the next; so
    does one that shows speed before a step and 0 from its beginning on, if they gave torque in it
    or the engine was started in it: no car starts it as it comes to rest unless to move on. Half
    the standstill's speed is taken, and in a step at whose end it rests no more than rolling
    resistance stops, since the wheels still took torque.
    """
    raw, still = recording.drive.raw, Cleaning().standstill
    shown = np.interp(cycle.time, raw.time, raw.values)
    speed = np.array(cycle.speed)
    if not coarse_step(raw.values):
        slow = (shown < still) | (speed == 0.0)
        speed[slow] = np.where(shown > REST, shown, 0.0)[slow]
    elif recording.has("engine_torque", "motor_torque"):
        channels, samples = recording.channels, StepSamples(recording)
        given = samples.mean(channels["engine_torque"] + channels["motor_torque"])
        gives = given > LAUNCHES * float(driveline.engine.full_load.max())
        moves = gives | _starts(recording, driveline, samples)
        begins = (speed[1:-1] == 0.0) & (speed[:-2] == 0.0) & (speed[2:] > 0.0) & gives[:-1]
        ends = (speed[1:-1] == 0.0) & (speed[:-2] > 0.0) & (speed[2:] == 0.0) & moves[1:]
        rolls = 0.5 * driveline.vehicle.rolling_resistance * GRAVITY * cycle.dt[1:]
        speed[1:-1] = np.where(begins, 0.5 * still, speed[1:-1])
        speed[1:-1] = np.where(ends, np.minimum(0.5 * still, rolls), speed[1:-1])
    return dataclasses.replace(cycle, speed=speed)


def _starts(recording: Recording, driveline: Driveline, samples: StepSamples) -> np.ndarray:
    """Return in which steps the engine begins to turn, (steps,); none if its speed is unknown."""
    if not recording.has("engine_speed"):
        return np.zeros(samples.steps, dtype=bool)
    turns = recording.channels["engine_speed"] > TURNING * driveline.engine.idle_speed
    on = samples.mean(turns.astype(float)) >= 0.5
    return np.asarray(on & ~np.concatenate((on[:1], on[:-1])))
