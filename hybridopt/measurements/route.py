"""A route as a cycle: a driver who keeps to limits, slows for bends, and stops at the end."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..inputs.cycle import Cycle
from .drive import ImportedDrive
from .gpx import GpxTrack
from .log import Journal, Samples, printable
from .resampling import resample_speed, time_grid
from .road_grade import grade_from_altitude

CELL = 5.0  # m
BEND = 20.0  # m, standard deviation of the smoothing of positions before bends are measured
LONGEST = 2_000_000.0  # m
SLOWEST = 0.5 * KM_PER_H  # m/s, from which a cell is passed at least this fast


@dataclass(frozen=True, kw_only=True)
class Driver:
    """How a route is driven, in SI.

    Parameters
    ----------
    speed
        m/s, limit wherever none is given.
    gain, loss
        m/s2, with which speed rises and falls (common practice, no source).
    sideways
        m/s2 in bends, 0 leaves bends out (common practice, no source).
    step
        s, of the cycle made.
    grade_length
        m of road over which elevation is smoothed.

    Raises
    ------
    InputError
        A value is out of range.
    """

    speed: float = 50.0 * KM_PER_H
    gain: float = 1.0
    loss: float = 1.2
    sideways: float = 2.5
    step: float = 1.0
    grade_length: float = 200.0

    def __post_init__(self) -> None:
        """Check each value on its own."""
        limits = {
            "speed": (1.0, 100.0),
            "gain": (0.1, 5.0),
            "loss": (0.1, 8.0),
            "sideways": (0.0, 8.0),
            "step": (0.1, 10.0),
            "grade_length": (1.0, 10_000.0),
        }
        for name, (low, high) in limits.items():
            if not low <= getattr(self, name) <= high:
                raise InputError(
                    f"driver: {name} is {getattr(self, name):g}; allowed is {low:g} to {high:g}"
                )


def log_route(drive: ImportedDrive) -> GpxTrack:
    """Return the way of a recorded drive, to be driven anew: its distance and heights, no bends."""
    cycle = drive.cycle
    distance = cycle.travelled
    rise = np.concatenate(([0.0], np.cumsum(cycle.mean_grade * cycle.mean_speed * cycle.dt)))
    straight, none = np.zeros(distance.size), np.full(distance.size, np.nan)
    return GpxTrack(drive.log.path, distance, distance, straight, rise, none)


def route_cycle(
    track: GpxTrack,
    driver: Driver | None = None,
    places: np.ndarray | None = None,
    limits: np.ndarray | None = None,
) -> Cycle:
    """Make a cycle of a route.

    Parameters
    ----------
    track
        From :func:`.gpx.read_gpx`; its times are not looked at.
    driver
        How it is driven.
    places, limits
        m from the start, increasing, and the speed limit from each place on, m/s, (n,) each; before
        the first place, and where none is given, the driver's speed counts.

    Returns
    -------
    Cycle
        From rest to rest, with the grade of the elevations; flat where there are none.

    Raises
    ------
    InputError
        The route has no length or is too long, or places and limits do not fit together.
    """
    driver = driver or Driver()
    length = float(track.distance[-1])
    if not 2.0 * CELL <= length <= LONGEST:
        raise InputError(
            f"{track.path}: is {length:.0f} m long; a route is {2 * CELL:g} m to "
            f"{LONGEST / 1e3:g} km"
        )
    along = np.linspace(0.0, length, max(int(length / CELL), 2) + 1)
    highest = np.minimum(_limits(along, driver, places, limits), _bends(track, along, driver))
    speed = _driven(highest, along[1], driver)
    passed = np.diff(along) / np.maximum(0.5 * (speed[1:] + speed[:-1]), SLOWEST)
    time = np.concatenate(([0.0], np.cumsum(passed)))
    fine = time_grid(0.0, float(time[-1]), min(driver.step, 1.0) / 4.0)
    rough = Samples(fine, np.interp(fine, time, speed))
    drive = resample_speed(rough, rough, driver.step, 1e-6)
    name = printable(track.path.stem) or "route"
    return Cycle(name, drive.time, drive.values, _grade(track, drive, time, along, driver), name)


def _limits(
    along: np.ndarray, driver: Driver, places: np.ndarray | None, limits: np.ndarray | None
) -> np.ndarray:
    """Return the speed limit at each place along the route, m/s."""
    if places is None or limits is None:
        return np.full(along.size, driver.speed)
    if places.size != limits.size or (np.diff(places) <= 0.0).any() or (limits <= 0.0).any():
        raise InputError("speed limits: places must increase, and each limit be above 0")
    each = np.concatenate(([driver.speed], limits))
    found: np.ndarray = each[np.searchsorted(places, along, side="right")]
    return found


def _bends(track: GpxTrack, along: np.ndarray, driver: Driver) -> np.ndarray:
    """Return the speed at which each place can be passed at the driver's sideways acceleration."""
    if driver.sideways <= 0.0:
        return np.full(along.size, np.inf)
    cell = along[1] - along[0]
    moving = np.append(True, np.diff(track.distance) > 0.0)
    east, north = (
        gaussian_filter1d(
            np.interp(along, track.distance[moving], side[moving]), BEND / cell, mode="nearest"
        )
        for side in (track.east, track.north)
    )
    heading = np.unwrap(np.arctan2(np.gradient(north), np.gradient(east)))
    turn = np.abs(np.gradient(heading, cell))
    fastest: np.ndarray = np.sqrt(driver.sideways / np.maximum(turn, 1e-6))
    return fastest


def _driven(highest: np.ndarray, cell: float, driver: Driver) -> np.ndarray:
    """Return the fastest speed from rest to rest within limits, gain and loss, m/s."""
    squares = highest**2
    squares[[0, -1]] = 0.0
    for i in range(1, squares.size):
        squares[i] = min(squares[i], squares[i - 1] + 2.0 * driver.gain * cell)
    for i in range(squares.size - 2, -1, -1):
        squares[i] = min(squares[i], squares[i + 1] + 2.0 * driver.loss * cell)
    speed: np.ndarray = np.sqrt(squares)
    return speed


def _grade(
    track: GpxTrack, drive: Samples, time: np.ndarray, along: np.ndarray, driver: Driver
) -> np.ndarray:
    """Return the grade at the points of the drive; flat where the route has no elevations."""
    known = np.isfinite(track.elevation)
    if known.sum() < 2:
        return np.zeros(drive.time.size)
    moments = np.interp(track.distance[known], along, time)
    altitude = Samples(moments, track.elevation[known])
    altitude = altitude.pick(np.append(True, np.diff(moments) > 0.0))
    return grade_from_altitude(altitude, drive, driver.grade_length, Journal())
