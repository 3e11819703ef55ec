"""Where within its steps a car decides, and a recording moved so that steps begin there.

A car that decides in steps as long as the model's decides at the same fraction of every second. A
model whose steps begin elsewhere mixes what the car did before and after each decision.
"""

import dataclasses

import numpy as np

from ..inputs.driveline import Driveline
from ..measurements.drive import Cleaning
from ..measurements.log import Samples
from ..measurements.recording import Recording
from ..measurements.resampling import project
from .fine_speed import TURNING, finer_samples, resampled

STEPS = "steps"
LEAST_EVENTS = 10
TOGETHER = 0.7  # mean resultant length, from which on events count as falling together
JUMPS, JUMPS_TOGETHER = 4.0, 0.6  # times the median change; as TOGETHER, of jumps by their size
HELD = ("gear", "separating_clutch", "launch_clutch")
GRID = 0.05  # of a step, between the phases that are tried
BENT = 0.3  # m/s, deviation beyond which a sample says no more of the phase, as while launching


def decision_phase(recording: Recording, driveline: Driveline) -> float | None:
    """Return how long after the beginning of steps gear and engine change, s; None if anywhere.

    Notes
    -----
    The mean direction of the times on a circle of one step; random times have a mean resultant
    length of about 1 / sqrt(events) (Mardia, Jupp, *Directional Statistics*, Wiley, 2000, from
    memory). Where they fall together, the speed says where exactly: its acceleration changes
    where the car decides, so that the polyline over steps that begin there is nearest to it.
    """
    step = float(np.median(recording.cycle.dt))
    changes = []
    if recording.has("gear"):
        changes.append(np.rint(recording.channels["gear"]))
    if recording.has("engine_speed"):
        limit = TURNING * driveline.engine.idle_speed
        changes.append((recording.channels["engine_speed"] > limit).astype(float))
    times = [recording.time[:-1][np.abs(np.diff(x)) > 0.0] for x in changes]
    at = np.concatenate([np.zeros(0), *times]) + 0.5 * recording.step
    events, together = _direction(at, np.ones(at.size), step)
    if at.size < LEAST_EVENTS or together < TOGETHER:
        return None
    return _of_bends(recording, driveline, step, events)


def jump_phase(recording: Recording, name: str) -> float | None:
    """Return how long after the beginning of steps a channel jumps, s; None if anywhere.

    The centre of its jumps: one that a sample's mean has split counts for both sides of it.
    """
    step = float(np.median(recording.cycle.dt))
    change = np.nan_to_num(np.abs(np.diff(recording.channels[name])))
    live = change[change > 0.0]
    if live.size < LEAST_EVENTS:
        return None
    large = change > JUMPS * float(np.median(live))
    at = recording.time[:-1][large] + 0.5 * recording.step
    phase, together = _direction(at, change[large], step)
    return phase if large.sum() >= LEAST_EVENTS and together >= JUMPS_TOGETHER else None


def _direction(at: np.ndarray, weight: np.ndarray, step: float) -> tuple[float, float]:
    """Return the mean direction of times on a circle of one step, s, and its resultant length."""
    if not at.size:
        return 0.0, 0.0
    mean = complex(np.average(np.exp(2j * np.pi * at / step), weights=weight))
    return float(np.angle(mean) / (2.0 * np.pi) * step), abs(mean)


def _of_bends(recording: Recording, driveline: Driveline, step: float, near: float) -> float:
    """Return the phase within a quarter of a step at which a polyline fits the speed best, s."""
    speed = finer_samples(recording, driveline) or recording.drive.cleaned
    phases = near + step * np.arange(-0.25, 0.25 + 0.5 * GRID, GRID)
    off = np.array([_off_polyline(speed, phase % step, step) for phase in phases])
    best = int(np.argmin(off))
    if best in (0, off.size - 1):  # the speed has no such bends
        return near
    before, here, after = off[best - 1 : best + 2]
    bend = before - 2.0 * here + after
    shift = 0.5 * (before - after) / bend if bend > 0.0 else 0.0
    return float(phases[best] + np.clip(shift, -0.5, 0.5) * GRID * step)


def _off_polyline(speed: Samples, phase: float, step: float) -> float:
    """Return the mean square by which a speed is off the polyline whose steps begin at a phase."""
    grid = np.arange(speed.time[0] + phase, speed.time[-1], step)
    inside = (speed.time >= grid[0]) & (speed.time <= grid[-1])
    fitted = np.interp(speed.time[inside], grid, project(speed, grid))
    return float(np.mean(np.minimum((speed.values[inside] - fitted) ** 2, BENT**2)))


def later(recording: Recording, phase: float) -> Recording:
    """Return a recording whose time 0 is `phase` s later, its cycle resampled there."""
    names = [name for name in recording.channels]
    moved = moved_channels(recording, dict.fromkeys(names, phase))
    drive = recording.drive
    raw, cleaned = (_from(samples, phase) for samples in (drive.raw, drive.cleaned))
    cycle = resampled(drive.cycle, cleaned, Cleaning())
    grade = np.interp(cycle.time + phase, cycle.time, cycle.grade)
    cycle = dataclasses.replace(cycle, grade=grade)
    made = dataclasses.replace(drive, cycle=cycle, raw=raw, cleaned=cleaned)
    return dataclasses.replace(moved, drive=made)


def _from(samples: Samples, begin: float) -> Samples:
    """Return samples from a time on, as time 0; before the first one its value counts."""
    last = samples.time[-1] - begin
    time = np.concatenate(([0.0], samples.time - begin))
    values = np.concatenate(([np.interp(begin, samples.time, samples.values)], samples.values))
    inside = np.concatenate(([True], (time[1:] > 1e-9) & (time[1:] <= last)))
    return Samples(time[inside], values[inside])


def moved_channels(recording: Recording, delays: dict[str, float]) -> Recording:
    """Return a recording with some channels moved to earlier times, s."""
    time, channels = recording.time, dict(recording.channels)
    for name, delay in delays.items():
        values = channels[name]
        if name in HELD:
            place = np.searchsorted(time, time + delay + 1e-9, side="right") - 1
            channels[name] = values[np.clip(place, 0, time.size - 1)]
        else:
            channels[name] = np.interp(time + delay, time, values)
    return dataclasses.replace(recording, channels=channels)
