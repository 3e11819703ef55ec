"""Points of a test bench: a CSV file in the units of the bench, as fuel rate or loss in SI."""

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from ..base.units import KW, RPM
from ..files.csv_table import read_columns, read_header
from ..inputs.map_quantities import (
    FUEL_COLUMNS,
    LOSS_COLUMNS,
    NEEDS_POWER,
    find_column,
    fuel_rate,
    motor_loss,
)

ENGINE, MOTOR = "engine", "motor"
KINDS = (ENGINE, MOTOR)
SPEED_COLUMNS = {"speed_rpm": RPM, "speed_rad_per_s": 1.0}
BAR = 1e5  # Pa
MAX_POINTS = 10_000
MIN_POINTS = {ENGINE: 6, MOTOR: 8}
"""Fewest points: the plain trend has 4 and 6 coefficients."""
NAMED = 8  # lines named in a sentence


@dataclass(frozen=True, eq=False)
class BenchPoints:
    """Measured points of one machine.

    Attributes
    ----------
    path : the file
    kind : "engine" or "motor"
    column : the quantity that was given, a column name
    speed, torque : rad/s and N m, (n,); speed is 0 or more
    value : fuel rate in g/s or loss in W, (n,)
    lines : line of the file of each point, (n,)
    notes : what was converted, left out or turned, in sentences
    """

    path: Path
    kind: str
    column: str
    speed: np.ndarray
    torque: np.ndarray
    value: np.ndarray
    lines: np.ndarray
    notes: tuple[str, ...]

    @property
    def unit(self) -> str:
        """Unit of :attr:`value`."""
        return "g/s" if self.kind == ENGINE else "W"

    def without(self, left_out: np.ndarray) -> "BenchPoints":
        """Return the points but for some, by index."""
        kept = np.delete(np.arange(self.speed.size), left_out)
        arrays = {name: getattr(self, name)[kept] for name in ("speed", "torque", "value", "lines")}
        return replace(self, **arrays)


def read_points(
    path: Path, kind: str, heating_value: float | None = None, displacement: float | None = None
) -> BenchPoints:
    """Read the points of a test bench.

    Parameters
    ----------
    path
        CSV with a header. Columns by name: `speed_rpm` or `speed_rad_per_s`; `torque_Nm`,
        `power_kW` (at the shaft) or, of an engine, `bmep_bar`; one of
        :data:`.map_quantities.FUEL_COLUMNS` or :data:`.map_quantities.LOSS_COLUMNS`. The first
        in these orders is taken.
    kind
        "engine" or "motor".
    heating_value
        Lower heating value of the fuel, J/g; for `efficiency_percent` of an engine.
    displacement
        Of a four-stroke engine, m3; for `bmep_bar`.

    Returns
    -------
    BenchPoints
        In SI, without what says nothing about a map: engine points below 0 N m, and points
        without shaft power where the quantity is not defined there.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, a value is out of range, or points are too
        few.

    Notes
    -----
    Torque of a four-stroke engine: mean effective pressure x displacement / (4 pi).
    """
    header = read_header(path)
    columns = FUEL_COLUMNS if kind == ENGINE else LOSS_COLUMNS
    of_speed = find_column(path, header, tuple(SPEED_COLUMNS), "the speed")
    loads = ("torque_Nm", "power_kW") + (("bmep_bar",) if kind == ENGINE else ())
    of_load = find_column(path, header, loads, "the load")
    of_value = find_column(path, header, columns, "the fuel" if kind == ENGINE else "the loss")
    table, numbers = read_columns(path, [of_speed, of_load, of_value])
    lines = np.array(numbers, dtype=np.int64)
    if lines.size > MAX_POINTS:
        raise InputError(
            f"{path}: has {lines.size} points, at most {MAX_POINTS} are read; average them first"
        )
    notes = [f"columns taken: {of_speed}, {of_load}, {of_value}"]
    speed = table[of_speed] * SPEED_COLUMNS[of_speed]
    _need_speeds(path, kind, of_speed, table[of_speed], lines)
    torque = _torque(path, of_load, table[of_load], speed, displacement)
    if (speed < 0.0).any():
        turned = speed < 0.0
        torque = np.where(turned, -torque, torque)  # the same power in the same quadrant
        speed = np.abs(speed)
        notes.append(f"{_count(turned)} at negative speed turned to positive speed, same power")
    keep = _kept(kind, of_load, of_value, speed, torque, lines, notes)
    speed, torque, given, lines = speed[keep], torque[keep], table[of_value][keep], lines[keep]
    if speed.size < MIN_POINTS[kind]:
        raise InputError(
            f"{path}: has {speed.size} points that can be used; a map needs at least "
            f"{MIN_POINTS[kind]}, add points"
        )

    def where(at: int) -> str:
        return f"{path}: line {lines[at]}"

    if kind == ENGINE:
        value = fuel_rate(of_value, given, speed, torque, heating_value, where)
    else:
        value = motor_loss(of_value, given, speed, torque, where)
    if value.max() <= 0.0:
        raise InputError(f"{path}: {of_value}: every point is 0 or less; mend the column")
    if not np.isfinite(value).all() or np.abs(value).max() > 1e12 or np.abs(torque).max() > 1e9:
        raise InputError(f"{path}: {of_value} gives values too large for any machine; mend them")
    return BenchPoints(path, kind, of_value, speed, torque, value, lines, tuple(notes))


def _need_speeds(path: Path, kind: str, column: str, given: np.ndarray, lines: np.ndarray) -> None:
    wrong = given <= 0.0 if kind == ENGINE else np.abs(given) > 1e6
    if wrong.any():
        at = int(np.argmax(wrong))
        allowed = "above 0" if kind == ENGINE else "-1e6 to 1e6"
        raise InputError(
            f"{path}: line {lines[at]}: {column} is {given[at]:g}; allowed is {allowed}; "
            "mend or leave out the row"
        )


def _torque(
    path: Path, column: str, given: np.ndarray, speed: np.ndarray, displacement: float | None
) -> np.ndarray:
    """Return torque in N m, NaN where power says nothing about it."""
    if column == "torque_Nm":
        return given
    if column == "power_kW":
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(speed == 0.0, np.nan, given * KW / speed)
    if displacement is None:
        raise InputError(
            f"{path}: bmep_bar: needs the engine's displacement; give it with --displacement-l"
        )
    return given * BAR * displacement / (4.0 * math.pi)


def _kept(
    kind: str,
    of_load: str,
    of_value: str,
    speed: np.ndarray,
    torque: np.ndarray,
    lines: np.ndarray,
    notes: list[str],
) -> np.ndarray:
    """Mark the points that say something, and note the others."""
    standing = np.isnan(torque)
    if standing.any():
        notes.append(f"{_count(standing)} at 0 rpm left out: {of_load} says nothing about torque")
    below = ~standing & (torque < 0.0) & (kind == ENGINE)
    if below.any():
        notes.append(f"{_count(below)} below 0 Nm left out: the overrun curve covers them")
    idle = ~standing & ~below & (speed * torque == 0.0) & (of_value in NEEDS_POWER)
    if idle.any():
        rest = (
            "the fuel at 0 Nm continues each speed as a straight line (Willans)"
            if kind == ENGINE
            else "the loss there continues its neighbours"
        )
        notes.append(
            f"{_count(idle)} without shaft power left out ({named_lines(lines[idle])}): "
            f"{of_value} is not defined there; {rest}"
        )
    elif kind == ENGINE and torque.size and not (torque == 0.0).any():
        notes.append(
            "no point at 0 Nm: the fuel there continues each speed as a straight line (Willans)"
        )
    kept: np.ndarray = ~(standing | below | idle)
    return kept


def _count(marks: np.ndarray) -> str:
    count = int(marks.sum())
    return f"{count} point{'' if count == 1 else 's'}"


def named_lines(numbers: np.ndarray) -> str:
    """Return line numbers in words, the first few of many."""
    shown = ", ".join(str(number) for number in numbers[:NAMED].tolist())
    more = "" if numbers.size <= NAMED else f" and {numbers.size - NAMED} more"
    return f"line{'' if numbers.size == 1 else 's'} {shown}{more}"
