"""The channels of a recording made ready for fits: states told apart, noise smoothed."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import binary_dilation, gaussian_filter1d

from ..base.intervals import intervals
from ..base.units import RPM
from ..measurements.recording import Recording

SMOOTH = 0.5  # s, standard deviation of the kernel that all channels of a fit go through
TURNS = 300.0 * RPM  # below it an engine does not run by itself (common practice, no source)
PULLS = 3.0  # N m, of an engine whose speed is not known
MOVES = 0.3  # m/s
BEFORE, AFTER = 1.0, 2.0  # s around shifts and starts that fits of steady relations leave out
SENSOR = 0.005
"""Share by which any channel may be wrong throughout: no interval of a factor is narrower (assumed,
class 0.5 of measuring instruments; common practice, no source)."""
BETWEEN = 1.5  # s, longest time without a gear that is one shift
FAR = 1e6  # s between the clocks of two recordings


@dataclass(frozen=True, eq=False)
class Signals:
    """A recording's channels, gaps bridged and marked, and what state the car was in.

    Attributes
    ----------
    recording : the source
    number : of the recording among those fitted together
    values : channels with gaps bridged, (n,) each
    known : whether all was measured that the recording has but for small gaps, (n,)
    """

    recording: Recording
    number: int
    values: Mapping[str, np.ndarray]

    def has(self, *names: str) -> bool:
        """Return whether all channels named are there."""
        return all(name in self.values for name in names)

    def __getitem__(self, name: str) -> np.ndarray:
        return self.values[name]

    @cached_property
    def dt(self) -> float:
        """Sampling step, s."""
        return float(np.median(np.diff(self.recording.time)))

    @cached_property
    def clock(self) -> np.ndarray:
        """Time, s, far from that of other recordings."""
        return np.asarray(self.recording.time + FAR * self.number)

    def measured(self, *names: str) -> np.ndarray:
        """Return where all channels named were measured."""
        sizes = [np.isfinite(self.recording.channels[name]) for name in names]
        return np.asarray(np.logical_and.reduce(sizes))

    def timely(self, name: str, delay: float) -> np.ndarray:
        """Return a channel as it would be without its delay, s."""
        time = self.recording.time
        return np.asarray(np.interp(time + delay, time, self.values[name]))

    @cached_property
    def gear(self) -> np.ndarray:
        """Gear, 0 where it is not known."""
        if not self.has("gear"):
            return np.zeros(self.recording.time.size, dtype=int)
        return np.asarray(np.rint(self["gear"]), dtype=int)

    @cached_property
    def on(self) -> np.ndarray:
        """Whether the engine turns by itself; without its speed, whether it burns or pulls."""
        if self.has("engine_speed"):
            return np.asarray(self["engine_speed"] > TURNS)
        if self.has("fuel_rate"):
            return np.asarray(self["fuel_rate"] > 0.0)
        if self.has("engine_torque"):
            return np.asarray(np.abs(self["engine_torque"]) > PULLS)
        return np.zeros(self.recording.time.size, dtype=bool)

    @cached_property
    def moving(self) -> np.ndarray:
        """Whether the car moves."""
        return np.asarray(self["speed"] > MOVES)

    @cached_property
    def input_speed(self) -> np.ndarray:
        """Speed of the gearbox input, rad/s: the motor's, or the engine's; NaN where not known."""
        if self.has("motor_speed"):
            return np.asarray(self["motor_speed"])
        if self.has("engine_speed"):
            return np.where(self.on, self["engine_speed"], np.nan)
        return np.full(self.recording.time.size, np.nan)

    @cached_property
    def locked(self) -> np.ndarray:
        """Whether the launch clutch is closed, as far as it is measured; else where it should."""
        if self.has("launch_clutch"):
            return np.asarray(self["launch_clutch"] > 0.95)
        return np.asarray(self["speed"] > 4.0)

    @cached_property
    def starts(self) -> np.ndarray:
        """Samples at which the engine begins to turn."""
        if not self.has("engine_speed"):
            return np.zeros(0, dtype=int)
        return np.flatnonzero(~self.on[:-1] & self.on[1:]) + 1

    @cached_property
    def shifts(self) -> np.ndarray:
        """Samples at which another gear shows, the car moving."""
        return np.flatnonzero((np.diff(self.gear) != 0) & self.moving[1:]) + 1

    def near(self, samples: np.ndarray, before: float = BEFORE, after: float = AFTER) -> np.ndarray:
        """Return where a sample listed is near, s before and after it."""
        marks = np.zeros(self.recording.time.size + 1, dtype=int)
        first = np.maximum(samples - round(before / self.dt), 0)
        last = np.minimum(samples + round(after / self.dt) + 1, marks.size - 1)
        np.add.at(marks, first, 1)
        np.add.at(marks, last, -1)
        return np.asarray(np.cumsum(marks)[:-1] > 0)

    @cached_property
    def quiet(self) -> np.ndarray:
        """Whether no shift, start or stop of the engine is near."""
        events = self.shifts
        if self.has("engine_speed"):
            turns = np.flatnonzero(self.on[:-1] != self.on[1:]) + 1
            events = np.concatenate((events, turns))
        return ~self.near(events)

    @cached_property
    def braking(self) -> np.ndarray | None:
        """Whether the brakes act; None where nothing tells."""
        if not self.has("brake"):
            return None
        width = max(round(0.5 / self.dt), 1)
        return np.asarray(binary_dilation(self["brake"] > 0.004, iterations=width))

    @cached_property
    def grade(self) -> np.ndarray:
        """Rise over run, of the channel or of the cycle."""
        if self.has("grade"):
            return self["grade"]
        cycle = self.recording.cycle
        return np.asarray(np.interp(self.recording.time, cycle.time, cycle.grade))

    def smooth(self, values: np.ndarray, where: np.ndarray, width: float = SMOOTH) -> np.ndarray:
        """Return the local mean over the samples marked; both sides of a fit go through it."""
        sigma = max(width / self.dt, 0.5)
        weight = gaussian_filter1d(where.astype(float), sigma, mode="constant")
        kept = np.where(where, values, 0.0)
        total = gaussian_filter1d(kept, sigma, mode="constant")
        return np.asarray(total / np.maximum(weight, 1e-9))

    def slope(self, values: np.ndarray, width: float = SMOOTH) -> np.ndarray:
        """Return the derivative of the smoothed values, per s."""
        sigma = max(width / self.dt, 0.8)
        return np.asarray(gaussian_filter1d(values, sigma, order=1, mode="nearest") / self.dt)


def through_shifts(recording: Recording) -> Recording:
    """Return a recording whose gear changes in the middle of a shift that shows as neutral."""
    if not recording.has("gear"):
        return recording
    gear = recording.channels["gear"].copy()
    for first, last in intervals(gear == 0.0):
        inside = 0 < first and last < gear.size and (last - first) * recording.step <= BETWEEN
        if inside and min(gear[first - 1], gear[last]) >= 1.0:
            middle = (first + last + 1) // 2
            gear[first:middle], gear[middle:last] = gear[first - 1], gear[last]
    return dataclasses.replace(recording, channels={**recording.channels, "gear": gear})


def make_signals(recording: Recording, number: int = 0) -> Signals:
    """Bridge the gaps of all channels of a recording."""
    recording = through_shifts(recording)
    time, values = recording.time, {}
    for name, channel in recording.channels.items():
        known = np.isfinite(channel)
        if known.sum() > 0.02 * channel.size and known.sum() > 1:
            values[name] = np.interp(time, time[known], channel[known])
    return Signals(recording, number, values)


def rounding_error(values: np.ndarray) -> float:
    """Return the standard error of a mean that the steps of a channel leave.

    A value held for long is rounded the same way all the while, so that its error, with the
    standard deviation step / sqrt(12), does not fade with time but only with the number of
    different levels, 1 / sum of squared shares.
    """
    moves = np.abs(np.diff(values))
    if not np.any(moves > 0.0):
        return 0.0
    step = float(np.quantile(moves[moves > 0.0], 0.02))
    count = np.unique(np.round(values / max(step, 1e-9)), return_counts=True)[1]
    return float(step / np.sqrt(12.0) * np.sqrt(np.sum((count / count.sum()) ** 2)))
