"""A launch repeated: how hot the clutch gets, and whether it suffices.

Between two launches the clutch cools, driving and standing.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H, PERCENT
from .launches import Launch
from .thermal import clutch_temperature

RESTS = 50  # parts of a pause in the temperature over time


@dataclass(frozen=True, eq=False)
class LaunchSeries:
    """The same launch repeated.

    Attributes
    ----------
    launch : the one that is repeated
    pause : s, from the locking of the clutch to the next launch
    count : launches looked at
    """

    launch: Launch
    pause: float
    count: int

    @cached_property
    def _rise(self) -> np.ndarray:
        """By how much one launch from the oil's temperature heats the clutch, K, (parts + 1,)."""
        return self.launch.temperature() - self.launch.driveline.clutches.oil_temperature

    def _kept(self, seconds: np.ndarray | float) -> np.ndarray:
        """Share of a temperature above the oil's that is left after a time."""
        clutches = self.launch.driveline.clutches
        assert clutches.heat_capacity is not None  # asked for only where it is given
        return np.exp(-clutches.oil_cooling / clutches.heat_capacity * np.asarray(seconds))

    @cached_property
    def _handed_on(self) -> tuple[float, float]:
        """Heat that one launch leaves for the next, K, and the share of older heat that is left."""
        fresh = float(self._rise[-1] * self._kept(self.pause))
        return fresh, float(self._kept(self.launch.duration + self.pause))

    @cached_property
    def starts(self) -> np.ndarray:
        """Temperature at the start of each launch, deg C, (count,)."""
        (fresh, kept), n = self._handed_on, np.arange(self.count)
        summed = n if kept == 1.0 else (1.0 - kept**n) / (1.0 - kept)
        return np.asarray(self.launch.driveline.clutches.oil_temperature + fresh * summed)

    @cached_property
    def peaks(self) -> np.ndarray:
        """Highest temperature of each launch, deg C, (count,)."""
        above = self.starts - self.launch.driveline.clutches.oil_temperature
        return self._peaks(above)

    def _peaks(self, above: np.ndarray) -> np.ndarray:
        """Highest temperatures of launches that start that much above the oil's, deg C."""
        old = above[:, None] * self._kept(self.launch.time)
        oil = self.launch.driveline.clutches.oil_temperature
        return np.asarray(oil + (self._rise + old).max(axis=1))

    @property
    def final_peak(self) -> float:
        """Temperature that the peaks tend to if the launches never stop, deg C."""
        fresh, kept = self._handed_on
        return float(self._peaks(np.array([fresh / (1.0 - kept)]))[0]) if kept < 1.0 else math.inf

    @property
    def first_over(self) -> int | None:
        """Number of the first launch that passes the limit, also beyond `count`; None is never."""
        clutches, (fresh, kept) = self.launch.driveline.clutches, self._handed_on
        room = clutches.max_temperature - clutches.oil_temperature - self._rise
        most = float((room / self._kept(self.launch.time)).min())  # above the oil's at its start
        if most < 0.0:
            return 1
        if kept == 1.0:
            return math.floor(most / fresh) + 2
        left = 1.0 - most * (1.0 - kept) / max(fresh, 1e-300)
        if left <= 0.0:
            return None
        return math.floor(math.log(left) / math.log(max(kept, 1e-300))) + 2

    @property
    def passes(self) -> bool:
        """Whether one of the launches looked at passes the limit."""
        return self.first_over is not None and self.first_over <= self.count

    def history(self) -> tuple[np.ndarray, np.ndarray]:
        """Return time (s) and temperature (deg C) over all launches and pauses."""
        clutches, period = self.launch.driveline.clutches, self.launch.duration + self.pause
        rest = np.full(RESTS, self.pause / RESTS)
        times, values = [], []
        for number, start in enumerate(self.starts.tolist()):
            heated = self.launch.temperature(start)
            cooled = clutch_temperature(clutches, np.zeros(RESTS), rest, float(heated[-1]))
            after = self.launch.duration + np.cumsum(rest)
            times.append(number * period + np.concatenate((self.launch.time, after)))
            values.append(np.concatenate((heated, cooled[1:])))
        return np.concatenate(times), np.concatenate(values)


def repeat_launch(launch: Launch, count: int, pause: float) -> LaunchSeries:
    """Repeat a launch, with the clutch cooling in between.

    Parameters
    ----------
    launch
        From :func:`.launches.launch`.
    count
        1 or more.
    pause
        s without slip between two launches, driving and standing; 0 or more.

    Returns
    -------
    LaunchSeries
        With the peak temperature of every launch.

    Raises
    ------
    InputError
        A value is out of range, or the driveline does not say how the clutch heats.

    Notes
    -----
    Each launch leaves the same heat R to the next one, and the share Q of what it found: launch
    n + 1 starts at T_oil + R (1 - Q^n) / (1 - Q), which tends to T_oil + R / (1 - Q).
    """
    if not launch.looks_at_heat:
        raise InputError(
            f"driveline {launch.driveline.name}: [clutches] heat_capacity_kJ_per_K: is missing; "
            "repeated launches need it"
        )
    if not 1 <= count <= 10_000:
        raise InputError(f"repeat is {count}; allowed is 1 to 10000 launches")
    if not 0.0 <= pause <= 1e5:
        raise InputError(f"pause is {pause:g} s; allowed is 0 to 100000")
    return LaunchSeries(launch, pause, count)


def verdict(launch: Launch, series: LaunchSeries | None = None) -> str:
    """Say in one sentence whether the clutch suffices.

    Parameters
    ----------
    launch
        From :func:`.launches.launch`.
    series
        From :func:`repeat_launch`; not looked at when not given.

    Returns
    -------
    str
        Whether it carries the torque, and stays below its temperature limit.
    """
    place = f"on {launch.grade / PERCENT:g} %"
    asked = "a full-load launch" if launch.wanted is None else f"{launch.wanted:g} m/s2"
    if launch.faults:
        return f"no: {'; '.join(launch.faults)}"
    full = ", all that the tyres hold," if launch.limited_by_tyres else ""
    text = (
        f"yes: {asked} {place} takes {launch.needed.max():.0f} of {launch.capacity:.0f} Nm"
        f"{full} and {launch.slip_energy / 1e3:.1f} kJ of slip up to "
        f"{launch.speed[-1] / KM_PER_H:.1f} km/h"
    )
    if series is None:
        return text
    limit = launch.driveline.clutches.max_temperature
    if series.first_over is None:
        return f"{text}; repeated for ever it stays at {series.final_peak:.0f} of {limit:.0f} C"
    if not series.passes:
        return f"{text}; launch {series.first_over} would be the first to pass {limit:.0f} C"
    return f"no: launch {series.first_over} is the first to pass {limit:.0f} C"
