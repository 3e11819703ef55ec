"""When within its samples an engine was started and stopped, as a log of 1 or 2 Hz tells.

A sample in which the engine turns for part of the time shows that part of its speed.
"""

from typing import NamedTuple

import numpy as np

from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from .fine_speed import MOVING
from .step_samples import held

WHOLE, NONE = 0.9, 0.08  # shares of a sample, from and up to which it is all and nothing
DIP = 0.75  # of the speed beside it, below which an engine was stopped between two samples
IDLING = 0.8  # of the idle speed, from which a sample shows the speed of an engine that runs
FASTER = 0.93  # of the speed of the sample beside it, up to which one may be a part of it
LEAST = 0.5  # of a step, the shortest one


class Moments(NamedTuple):
    """Times of starts and stops, s, in order, and which are starts; and the state before them."""

    time: np.ndarray
    starts: np.ndarray
    before: bool

    def running(self, at: np.ndarray) -> np.ndarray:
        """Return whether the engine is on at given times."""
        place = np.searchsorted(self.time, at, side="right")
        return np.concatenate(([self.before], self.starts))[place]


def engine_moments(recording: Recording, driveline: Driveline) -> Moments:
    """Return when an engine of its own speed was started and stopped.

    Parameters
    ----------
    recording
        The drive, with `engine_speed` and `speed`; each sample the mean around its time.
    driveline
        Its model.
    """
    time, half = recording.time, 0.5 * recording.step
    speed = held(recording.channels["engine_speed"])
    part = _share(recording, speed, driveline.engine.idle_speed)
    found: list[tuple[float, bool]] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], part > 0.0, [False]))))
    for first, stop in edges.reshape(-1, 2):
        last = stop - 1
        if first == last and 0 < first < time.size - 1:
            wide = half * part[first]
            found += [(time[first] - wide, True), (time[first] + wide, False)]
            continue
        if first > 0:
            found.append((time[first] + half - 2.0 * half * part[first], True))
        found += _dips(time, half, speed, part, (first, last))
        if last < time.size - 1:
            found.append((time[last] - half + 2.0 * half * part[last], False))
    found.sort()
    times, starts = np.array([x for x, _ in found]), np.array([x for _, x in found], dtype=bool)
    return Moments(times, starts, bool(part[0] > 0.0))


def _share(recording: Recording, speed: np.ndarray, idle: float) -> np.ndarray:
    """Return for how much of each sample the engine turns, 0 to 1.

    The speed while it turns is that of the neighbour in which it turns most, as the car's changes.
    """
    wheels = held(recording.channels["speed"])
    padded, beside = np.pad(speed, 1), np.pad(wheels, 1, mode="edge")
    later = padded[2:] > padded[:-2]
    most, its = (np.where(later, x[2:], x[:-2]) for x in (padded, beside))
    moving = (wheels > MOVING) & (its > MOVING)
    expected = np.where(moving, np.maximum(most * wheels / np.maximum(its, MOVING), idle), most)
    partly = (most > IDLING * idle) & (speed < FASTER * most)
    expected = np.where(partly, expected, np.maximum(speed, idle))
    part = np.clip(speed / expected, 0.0, 1.0)
    return np.where(part > WHOLE, 1.0, np.where(part < NONE, 0.0, part))


def _dips(
    time: np.ndarray, half: float, speed: np.ndarray, part: np.ndarray, run: tuple[int, int]
) -> list[tuple[float, bool]]:
    """Return stops and starts within a run of samples in all of which the engine turns."""
    found: list[tuple[float, bool]] = []
    k, last = run[0] + 1, run[1]
    while k < last:
        beside = min(speed[k - 1], max(speed[k + 1], speed[min(k + 2, last)]))
        if part[k] < DIP and speed[k] < DIP * beside:
            if k + 1 < last and part[k + 1] < DIP and speed[k + 1] < DIP * speed[k + 2]:
                found.append((time[k] - half + 2.0 * half * part[k], False))
                found.append((time[k + 1] + half - 2.0 * half * part[k + 1], True))
                k += 1
            else:
                wide = half * (1.0 - part[k])
                found += [(time[k] - wide, False), (time[k] + wide, True)]
        k += 1
    return found


def borders_between(first: float, last: float, moments: np.ndarray, step: float) -> np.ndarray:
    """Return borders of steps, s: at all moments that are not too near, even between them.

    Parameters
    ----------
    first, last
        s, begin and end.
    moments
        s, in order.
    step
        s, how long steps are about.
    """
    found = [first]
    for moment in (*moments, last):
        if moment == last or moment - found[-1] >= LEAST * step <= last - moment:
            count = max(round((moment - found[-1]) / step), 1)
            found += list(np.linspace(found[-1], moment, count + 1)[1:])
    return np.array(found)
