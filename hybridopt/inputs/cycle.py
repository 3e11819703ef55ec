"""Driving cycles: speed and grade over time, read from a file or from the shipped catalogue."""

import dataclasses
import difflib
import functools
import hashlib
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..base.warning import InputWarning
from ..files.csv_table import read_columns
from .catalogue import cycle_names, cycles_folder, recipes
from .cycle_checks import CONDITIONS, TIME_STEP_MIN, Labels, check_conditions, check_points
from .cycle_csv import read_points

SIDE = ("grade", "heat_request", *CONDITIONS)  # one number may stand for all points
__all__ = ["Cycle", "InputWarning", "cycle_names", "read_cycle", "read_cycle_csv"]


@dataclass(frozen=True, eq=False)
class Cycle:
    """A schedule of n steps between n+1 points; speed is linear in each step.

    Parameters
    ----------
    name
        Short name, as in the catalogue, or the stem of the file.
    time
        Time of each point in s, shape (n+1,), n >= 1, increasing.
    speed
        Speed at each point in m/s, shape (n+1,), 0 to 138.9 (500 km/h).
    grade
        Rise over run at each point, dimensionless, shape (n+1,), -0.4 to 0.4; one number
        stands for all points. Zero when not given.
    source
        Where the schedule is published, or the file it was read from.
    title
        Name for people.
    oil_temperature
        Of the engine's oil at each point, degC, shape (n+1,) or one number; NaN where unknown.
    heat_request
        1 where the cabin or the engine needs the engine to run from the point to the next, else 0,
        shape (n+1,) or one number.
    ambient_temperature
        Of the air at each point, degC, shape (n+1,) or one number; NaN where unknown.
    auxiliary_power
        Electric load beside the motor at each point, W, shape (n+1,) or one number; NaN where the
        driveline says it.

    Raises
    ------
    InputError
        Shapes differ, there are fewer than two points, a value is not finite or out of range,
        or time does not increase.

    Notes
    -----
    The arrays are copied and read-only.
    """

    name: str
    time: np.ndarray
    speed: np.ndarray
    grade: np.ndarray = field(default_factory=lambda: np.zeros(()))
    source: str = ""
    title: str = ""
    oil_temperature: np.ndarray = field(default_factory=lambda: np.full((), np.nan))
    heat_request: np.ndarray = field(default_factory=lambda: np.zeros(()))
    ambient_temperature: np.ndarray = field(default_factory=lambda: np.full((), np.nan))
    auxiliary_power: np.ndarray = field(default_factory=lambda: np.full((), np.nan))

    def __post_init__(self) -> None:
        """Copy, check and lock the arrays."""
        for key in ("time", "speed", *SIDE):
            object.__setattr__(self, key, self._floats(key))
        for key in SIDE:
            if getattr(self, key).ndim == 0:
                object.__setattr__(self, key, np.full(self.time.shape, getattr(self, key)))
        self._check_shapes()
        names = ("time (s)", "speed (m/s)", "grade (rise over run)")
        labels = Labels(*names, 1.0, 1.0, lambda i: f"cycle {self.name}: point {i}")
        check_points(self.time, self.speed, self.grade, labels)
        given = {key: getattr(self, key) for key in CONDITIONS}
        check_conditions(given, self.heat_request, labels)
        for key in ("time", "speed", *SIDE):
            getattr(self, key).setflags(write=False)

    def _floats(self, key: str) -> np.ndarray:
        try:
            return np.array(getattr(self, key), dtype=np.float64, order="C")
        except (TypeError, ValueError):
            raise InputError(f"cycle {self.name}: {key} is not an array of numbers") from None

    def _check_shapes(self) -> None:
        if self.time.ndim != 1 or self.time.size < 2:
            raise InputError(
                f"cycle {self.name}: time has shape {self.time.shape}; give one axis of 2 points "
                "or more"
            )
        for key in ("speed", *SIDE):
            shape = getattr(self, key).shape
            if shape != self.time.shape:
                raise InputError(
                    f"cycle {self.name}: {key} has shape {shape} but time {self.time.shape}; "
                    "give one value per point"
                )

    @property
    def dt(self) -> np.ndarray:
        """Length of each step in s, shape (n,)."""
        return np.diff(self.time)

    @property
    def mean_speed(self) -> np.ndarray:
        """Mean speed over each step in m/s, shape (n,)."""
        return mean_of_steps(self.speed)

    @property
    def acceleration(self) -> np.ndarray:
        """Acceleration over each step in m/s2, shape (n,)."""
        rate: np.ndarray = np.diff(self.speed) / self.dt
        return rate

    @property
    def mean_grade(self) -> np.ndarray:
        """Mean grade over each step as rise over run, dimensionless, shape (n,)."""
        return mean_of_steps(self.grade)

    @property
    def duration(self) -> float:
        """Time from the first to the last point in s."""
        return float(self.time[-1] - self.time[0])

    @property
    def distance(self) -> float:
        """Length of the drive in m, by the trapezoid rule (exact for speed linear in a step)."""
        return float(self.mean_speed @ self.dt)

    @property
    def travelled(self) -> np.ndarray:
        """Distance from the start at every point, m, (points,); see `distance`."""
        return np.concatenate(([0.0], np.cumsum(self.mean_speed * self.dt)))

    @property
    def max_speed(self) -> float:
        """Highest speed in m/s."""
        return float(self.speed.max())

    @property
    def sha256(self) -> str:
        """Hex digest over the bytes of all points (little-endian float64, SI).

        Temperatures, heat request and load count where they are given.
        """
        digest = hashlib.sha256()
        arrays = [self.time, self.speed, self.grade]
        if np.isfinite(self.oil_temperature).any() or self.heat_request.any():
            arrays += [self.oil_temperature, self.heat_request]
        electric = [self.ambient_temperature, self.auxiliary_power]
        if any(np.isfinite(values).any() for values in electric):
            arrays += electric
        for array in arrays:
            digest.update(array.astype("<f8").tobytes())
        return digest.hexdigest()

    def cut(self, start: float, stop: float) -> "Cycle":
        """Return the piece from `start` to `stop`, its time starting at 0.

        Parameters
        ----------
        start, stop
            Times in s on this cycle's axis; between points speed and grade are interpolated.

        Raises
        ------
        InputError
            `start` and `stop` are not in order or not within the cycle.
        """
        first, last = self.time[0], self.time[-1]
        if not first <= start < stop <= last:
            raise InputError(
                f"cycle {self.name}: cut from {start:g} to {stop:g} s is not possible; "
                f"give {first:g} <= start < stop <= {last:g}"
            )
        inside = (self.time > start + TIME_STEP_MIN) & (self.time < stop - TIME_STEP_MIN)
        time = np.concatenate(([start], self.time[inside], [stop]))
        return dataclasses.replace(
            self,
            name=f"{self.name}_{start:g}_{stop:g}",
            time=time - start,
            speed=np.interp(time, self.time, self.speed),
            grade=np.interp(time, self.time, self.grade),
            **{key: np.interp(time, self.time, getattr(self, key)) for key in CONDITIONS},
            heat_request=self.heat_request[np.searchsorted(self.time, time, "right") - 1],
        )


def read_cycle(name_or_path: str | os.PathLike[str]) -> Cycle:
    """Return a shipped cycle by name, or one from a CSV file.

    Parameters
    ----------
    name_or_path
        A name of :func:`cycle_names`, or the path of a file for :func:`read_cycle_csv`. A name
        wins over a file of the same name; write `./name` for the file.

    Returns
    -------
    Cycle
        In SI units.

    Raises
    ------
    InputError
        There is neither such a name nor such a file, or the file is wrong.
    """
    text = os.fspath(name_or_path)
    if text in cycle_names():
        return _shipped(text)
    if os.path.exists(text):
        return read_cycle_csv(text)
    near = difflib.get_close_matches(text, cycle_names(), n=3, cutoff=0.4)
    hint = f"close names are {', '.join(near)}" if near else f"names are {', '.join(cycle_names())}"
    raise InputError(f"cycle {text[:200]!r}: is neither a shipped cycle nor a file; {hint}")


def read_cycle_csv(path: str | os.PathLike[str]) -> Cycle:
    """Read a cycle from a CSV file with columns `time_s,speed_km_per_h[,grade_percent]`.

    Further columns are `oil_temperature_C`, `ambient_temperature_C`, `auxiliary_power_kW` and
    `heat_request` (1: the engine has to run).
    UTF-8 with or without byte-order mark; blank lines and lines that begin with `#` are passed
    over; any increasing time base. The result is in SI.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, or a value is not allowed; the message
        names file, line, column and value.

    Warns
    -----
    InputWarning
        A column is not read, or times, speeds or grades look like a slip of units.
    """
    path = Path(path)
    points = read_points(path)
    stem, name = (_printable(text) for text in (path.stem, path.name))
    return Cycle(stem, **points, source=name, title=stem)


@functools.cache
def _shipped(name: str) -> Cycle:
    recipe = recipes()[name]
    made = _make(recipe)
    return dataclasses.replace(made, name=name, source=recipe["source"], title=recipe["title"])


def _make(recipe: dict[str, Any]) -> Cycle:
    if "file" in recipe:
        return read_cycle_csv(cycles_folder() / recipe["file"])
    if "operations" in recipe:
        return _read_operations(cycles_folder() / recipe["operations"])
    parts = recipe["join"] if "join" in recipe else [recipe["cut"]]
    return functools.reduce(join_cycles, [_part(part) for part in parts])


def _part(part: str | dict[str, Any]) -> Cycle:
    if isinstance(part, str):
        return _shipped(part)
    return _shipped(part["cycle"]).cut(part["from_s"], part["to_s"])


def join_cycles(one: Cycle, other: Cycle) -> Cycle:
    """Return a cycle that drives `other` after `one`; the first point of `other` is left out."""
    later = other.time[1:] - other.time[0] + one.time[-1]
    sides: dict[str, Any] = {
        key: np.concatenate((getattr(one, key), getattr(other, key)[1:]))
        for key in ("grade", *CONDITIONS)
    }
    return Cycle(
        name=one.name,
        time=np.concatenate((one.time, later)),
        speed=np.concatenate((one.speed, other.speed[1:])),
        **sides,
        heat_request=np.concatenate((one.heat_request[:-1], other.heat_request)),
    )


def _read_operations(path: Path) -> Cycle:
    """Sample a table of operations, each linear in speed, once a second."""
    keys = ["duration_s", "speed_start_km_per_h", "speed_end_km_per_h"]
    columns, _ = read_columns(path, keys)
    duration, start, end = (columns[key] for key in keys)
    corner = np.concatenate(([0.0], np.cumsum(duration)))
    time = np.arange(corner[-1] + 1.0)
    speed = np.interp(time, corner, np.concatenate((start[:1], end))) * KM_PER_H
    return Cycle(path.stem, time, speed)


def _printable(text: str) -> str:
    """Return a file's name as it can be shown and written: one line, no control characters."""
    return "".join(c if c.isprintable() else "?" for c in text)


def mean_of_steps(points: np.ndarray) -> np.ndarray:
    """Return the mean of the two ends of each step."""
    mean: np.ndarray = 0.5 * (points[:-1] + points[1:])
    return mean
