"""When the engine of a recording is started, when it works, and the fuel of what it works at."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from ..inputs.driveline import Driveline, Engine
from ..inputs.maps import curve_values, map_values
from ..measurements.channel_checks import STANDS
from .signals import Signals

QUARTER = 0.25  # the middle half of the rise is looked at: its ends fall between samples
APART = 0.5  # s, by which torque and speed may show at different times
STEADY = 0.3  # of a jump of torque, by which it may change in the next sample
PULLING = 0.05  # of the highest full load, a torque at which the engine works


class Seen(NamedTuple):
    """One start: begin and end of the rise as (fractional) samples, and the speed reached."""

    begin: float
    end: float
    speed: float


def seen_starts(one: Signals, driveline: Driveline) -> list[Seen]:
    """Return the starts whose rise of engine speed is whole."""
    if not one.has("engine_speed"):
        return []
    speed, found = one["engine_speed"], []
    parted = driveline.clutches.separating_clutch
    reach = round(4.0 / one.dt)
    for at in one.starts:
        first = at - 1
        while first > 0 and speed[first] > STANDS and at - first < reach:
            first -= 1
        last = min(at + reach, speed.size - 1)
        if at - first >= reach or last <= at:
            continue
        if not parted and one.moving[first]:  # it was dragged along
            continue
        joins = _plateau(speed[first : last + 1])
        rise = speed[first : last + 1] / joins
        middle = [np.flatnonzero(rise > level) for level in (QUARTER, 1.0 - QUARTER)]
        if any(not x.size for x in middle) or middle[1][0] <= middle[0][0]:
            continue
        low, high = (
            _crossing(rise, int(x[0]), y)
            for x, y in zip(middle, (QUARTER, 1 - QUARTER), strict=True)
        )
        edge = QUARTER / (1.0 - 2.0 * QUARTER) * (high - low)
        found.append(Seen(first + low - edge, first + high + edge, joins))
    return found


def _plateau(speed: np.ndarray) -> float:
    """Return the speed at which a rise ends: where it is a quarter as steep as at its steepest."""
    steps = np.diff(speed)
    steepest = int(np.argmax(steps[: max(steps.size // 2, 1)]))
    flat = np.flatnonzero(steps[steepest:] < 0.25 * steps[steepest])
    return float(speed[steepest + (flat[0] if flat.size else steps.size - 1 - steepest)])


def _crossing(values: np.ndarray, after: int, level: float) -> float:
    """Return where values cross a level just before a sample, linear in between."""
    if after == 0:
        return 0.0
    low, high = values[after - 1], values[after]
    return float(after - 1 + (level - low) / max(high - low, 1e-12))


def fuel_at(engine: Engine, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
    """Return the fuel rate of a running engine, g/s, beyond the map that of its edge.

    Between 0 N m and overrun it is linear, as in `physics/step.py`.
    """
    x, y = engine.fuel_map["speed"].values, engine.fuel_map["torque"].values
    inside = np.clip(speed, x[0], x[-1])
    rate = map_values(engine.fuel_map, inside, np.clip(torque, 0.0, y[-1]))
    overrun = np.minimum(curve_values(engine.overrun, speed), -1e-9)
    return np.asarray(rate * np.clip(1.0 - np.minimum(torque, 0.0) / overrun, 0.0, 1.0))


def working_fuel(
    one: Signals, starts: Sequence[Seen], engine: Engine, speed_delay: float = 0.0
) -> np.ndarray:
    """Return the fuel rate of the engine where it works after starts, g/s, at measured torque.

    `speed_delay` is how far, s, the engine's speed shows behind its torque. Where it was stopped or
    not yet started, its speed is that which it had or reaches.
    """
    torque, on, time = one["engine_torque"], one.on.copy(), one.recording.time
    for seen in starts:
        on[max(int(seen.begin), 0) : int(seen.end) + 1] = False
    places = np.flatnonzero(on)
    if not places.size:
        return np.zeros(torque.size)
    after = np.clip(np.searchsorted(places, np.arange(on.size)), 0, places.size - 1)
    before = np.maximum(after - 1, 0)
    at = np.arange(on.size)
    closer = np.abs(places[before] - at) < np.abs(places[after] - at)
    speed = one["engine_speed"][np.where(closer, places[before], places[after])]
    least = PULLING * float(engine.full_load.max())
    pulls = torque > least
    works = _works(on, pulls, max(round(APART / one.dt), 1))
    speed = np.interp(time + speed_delay, time, speed)
    fuel = np.where(works, fuel_at(engine, speed, torque), 0.0)
    for place, inner, share in _partial(torque, works, least):
        fuel[place] = share * float(fuel_at(engine, speed[place], torque[inner]))
    return fuel


def _partial(
    torque: np.ndarray, works: np.ndarray, least: float
) -> Iterator[tuple[int, int, float]]:
    """Yield the samples in which a torque jumps as work begins or ends, with the share of work.

    With them the sample behind whose torque is that of the work. A sample holds the mean over its
    time, and fuel that does not fall to 0 with torque is not that of the mean torque. Jumps are
    those between two levels, each kept for a sample at least.
    """
    for edge in (np.flatnonzero(works[1:] != works[:-1]) + 1).tolist():
        way = 1 if works[edge] else -1
        first = edge if works[edge] else edge - 1  # that works
        inner, outer = first + way, first - 2 * way
        if not 0 <= min(inner + way, outer) <= max(inner + way, outer) < torque.size:
            continue
        if not works[inner] or not works[inner + way] or works[outer]:
            continue
        height = torque[inner] - torque[outer]
        if height > least and abs(torque[inner + way] - torque[inner]) < STEADY * height:
            for at in (first, first - way):
                yield at, inner, float(np.clip((torque[at] - torque[outer]) / height, 0.0, 1.0))


def _works(on: np.ndarray, pulls: np.ndarray, reach: int) -> np.ndarray:
    """Return where the engine works: by its torque at the ends of a run, if that is near.

    Torque may show some tenths of a second before or after the speed that it belongs to.
    """
    works, size = on.copy(), on.size
    edges = np.flatnonzero(on[1:] != on[:-1]) + 1
    for i, at in enumerate(edges):
        low = max(at - reach, edges[i - 1] if i else 0)
        high = min(at + reach, edges[i + 1] if i + 1 < edges.size else size)
        pulling = low + np.flatnonzero(pulls[low:high])
        if pulling.size:
            first, last = (pulling[0], high) if on[at] else (low, pulling[-1] + 1)
            works[low:high] = False
            works[first:last] = True
    return works
