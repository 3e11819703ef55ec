"""The road of a drive over distance: grade, speed limits, and a driver who keeps to them."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from ..base.units import KM_PER_H
from ..controllers.foreseen import Predicted
from ..physics.demand import Demand

CELL = 10.0  # m, in which limits are told apart
SECTION = 500.0  # m, shorter dips of speed are no limits; common practice, no source
STEP_OF_LIMITS = 10.0 * KM_PER_H  # m/s, limits are multiples of it
STANDING = 1.0 * KM_PER_H  # m/s, what is slower stands


@dataclass(frozen=True, eq=False)
class SpeedLimits:
    """The speed limit over distance.

    Attributes
    ----------
    places : m from the begin of the drive, increasing, (n,)
    limits : m/s, from each place to the next, and beyond the last one, (n,)
    """

    places: np.ndarray
    limits: np.ndarray

    def approached(self, braking: float) -> "SpeedLimits":
        """Return the speeds at the places at which the limits ahead are kept by braking, m/s2."""
        squares = self.limits**2 + 2.0 * braking * self.places
        least = np.minimum.accumulate(squares[::-1])[::-1]
        return SpeedLimits(self.places, np.sqrt(least - 2.0 * braking * self.places))


def speed_limits(demand: Demand) -> SpeedLimits:
    """Return limits that a drive may have been under: its upper envelope over distance.

    Parameters
    ----------
    demand
        Of the whole drive.

    Returns
    -------
    SpeedLimits
        In cells of 10 m. Dips shorter than 500 m, stops among them, are filled (grey-scale closing;
        Serra, *Image Analysis and Mathematical Morphology*, 1982, from memory), and what is left is
        rounded up to 10 km/h.
    """
    passed, speeds = passed_distance(demand), demand.speeds
    places = CELL * np.arange(int(passed[-1] / CELL) + 1)
    moving = np.append(True, np.diff(passed) > 0.0)
    fastest = np.interp(places, passed[moving], speeds[moving])
    np.maximum.at(fastest, (passed / CELL).astype(int), speeds)
    size = int(SECTION / CELL) + 1
    filled = minimum_filter1d(maximum_filter1d(fastest, size, mode="nearest"), size, mode="nearest")
    return SpeedLimits(places, STEP_OF_LIMITS * np.ceil(filled / STEP_OF_LIMITS - 1e-6))


@dataclass(frozen=True, eq=False)
class LimitedDriver:
    """Foresee a driver who goes as fast as the limits let him, on the grade that comes.

    Attributes
    ----------
    acceleration, braking : m/s2, towards a higher limit, and in time for a lower one
    fade : s, in which the present acceleration fades to 1 / e of what he wants
    limits : those of the road; None is :func:`speed_limits` of the drive

    Notes
    -----
    Stops and other traffic are unknown to him: he who stands stands on, he who brakes soon goes
    faster again. The values are those of several tried on schedules and real drives that lost
    least; others, up to 1 m/s2, lost up to 0.6 % more.
    """

    acceleration: float = 0.4
    braking: float = 0.7
    fade: float = 5.0
    limits: SpeedLimits | None = None

    def __call__(self, demand: Demand, step: float, intervals: int) -> Predicted:
        """Foresee; arguments as :func:`hybridopt.controllers.foreseen.exact` takes them."""
        limits = speed_limits(demand) if self.limits is None else self.limits
        kept = limits.approached(self.braking)
        speed, place = demand.speeds[1:], passed_distance(demand)[1:]
        stands, speeds = speed < STANDING, [speed]
        for k in range(intervals):
            left = np.exp(-(k + 0.5) * step / self.fade)
            rate = self.acceleration + (demand.acceleration - self.acceleration) * left
            free = np.maximum(speed + rate * step, 0.0)
            there = place + 0.5 * (speed + free) * step
            highest = np.interp(there, kept.places, kept.limits)
            new = np.minimum(free, np.maximum(highest, speed - self.braking * step))
            new = np.where(stands, speed, np.maximum(new, 0.0))
            place, speed = place + 0.5 * (speed + new) * step, new
            speeds.append(new)
        return on_the_road(demand, step, np.stack(speeds, axis=1))


def on_the_road(demand: Demand, step: float, speeds: np.ndarray) -> Predicted:
    """Return foreseen speeds with the grades of the places where they lead.

    Parameters
    ----------
    demand
        Of the whole drive; its last grade goes on.
    step
        Length of an interval, s.
    speeds
        m/s, (steps, intervals + 1).
    """
    passed = passed_distance(demand)
    climbed = np.append(0.0, np.cumsum(demand.grade * np.diff(passed)))
    driven = np.cumsum(0.5 * (speeds[:, 1:] + speeds[:, :-1]) * step, axis=1)
    places = passed[1:, None] + np.hstack((np.zeros((demand.steps, 1)), driven))
    heights = np.interp(places, passed, climbed)
    heights += np.maximum(places - passed[-1], 0.0) * demand.grade[-1]
    run, rise = np.diff(places, axis=1), np.diff(heights, axis=1)
    here = np.searchsorted(passed, places[:, :-1], side="right") - 1
    grades = demand.grade[np.minimum(here, demand.steps - 1)]
    return Predicted(speeds, np.divide(rise, run, out=grades, where=run > 1e-3))


def passed_distance(demand: Demand) -> np.ndarray:
    """Return the distance passed before each step and at the end, m, (steps + 1,)."""
    return np.append(0.0, np.cumsum(demand.speed * demand.dt))
