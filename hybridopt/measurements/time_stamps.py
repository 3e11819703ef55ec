"""Time stamps of text logs: numbers, ISO 8601 dates with or without zone, and clock times."""

import math
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .units import find_unit

DAY = 86_400.0  # s
UNSTATED_MAX = 2.0  # s, usual raster up to which bare numbers are taken as seconds
EPOCH_MS = 1e11  # bare numbers above this count milliseconds since 1970
_CLOCK = re.compile(r"(\d{1,2}):(\d\d):(\d\d(?:[.,]\d+)?)")
_ISO = re.compile(r"\d{4}-\d\d-\d\d")


class StampReader:
    """Turns the time cells of a log into seconds, one by one, and says how.

    Parameters
    ----------
    decimal
        Decimal sign of numbers.
    """

    def __init__(self, decimal: str):
        self.decimal = decimal
        self.kinds: set[str] = set()

    def seconds(self, cell: str) -> float:
        """Return the stamp in s (numbers as they are), or NaN when the cell is none."""
        if not cell:
            return math.nan
        try:
            value = number(cell, self.decimal)
            self.kinds.add("number")
            return value
        except ValueError:
            return self._date(cell)

    def _date(self, cell: str) -> float:
        clock = _CLOCK.fullmatch(cell)
        if clock:
            self.kinds.add("clock")
            hours, minutes, rest = clock.groups()
            return 3600.0 * int(hours) + 60.0 * int(minutes) + float(rest.replace(",", "."))
        if not _ISO.match(cell):
            return math.nan
        try:
            stamp = datetime.fromisoformat(cell)
        except ValueError:
            return math.nan
        self.kinds.add("zoned" if stamp.tzinfo else "local")
        stamp = stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)
        try:
            return (stamp - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
        except OverflowError:
            return math.nan


def number(cell: str, decimal: str) -> float:
    """Return the number in a cell.

    Raises
    ------
    ValueError
        The cell holds none, or not a finite one.
    """
    if decimal == ",":
        if "." in cell:
            raise ValueError(cell)
        cell = cell.replace(",", ".")
    value = float(cell)
    if "_" in cell or not math.isfinite(value):
        raise ValueError(cell)
    return value


def to_seconds(
    path: Path, name: str, stamps: np.ndarray, kinds: set[str], stated: str
) -> tuple[np.ndarray, str]:
    """Bring stamps of one kind to seconds.

    Parameters
    ----------
    path, name
        File and column, for messages.
    stamps
        As :class:`StampReader` gives them, without NaN.
    kinds
        Its `kinds`.
    stated
        Unit of bare numbers, "" when it is not known.

    Returns
    -------
    stamps : s
    text : what was taken as what

    Raises
    ------
    InputError
        Kinds are mixed, or the unit of bare numbers is neither stated nor plain.
    """
    if len(kinds) > 1:
        words = " and ".join(sorted(_KIND_TEXTS[kind] for kind in kinds))
        raise InputError(f"{path}: column {name} mixes {words}; write all time stamps in one way")
    if kinds == {"clock"}:
        return _over_midnight(stamps)
    if kinds != {"number"}:
        return stamps, f"{_KIND_TEXTS[kinds.pop()] if kinds else 'time stamps'} -> s"
    if stated:
        unit = find_unit("time", stated)
        if unit is None:
            raise _unit_error(path, name, f"has the unit {stated!r}, which is none of time")
        seconds: np.ndarray = unit.to_si(stamps)
        return seconds, f"{unit.sign} -> s"
    if stamps.size and np.median(np.abs(stamps)) > EPOCH_MS:
        return stamps * 1e-3, "no unit stated; taken as ms since 1970 -> s"
    raster = float(np.median(np.abs(np.diff(stamps)))) if stamps.size > 1 else 0.0
    if raster > UNSTATED_MAX:
        raise _unit_error(path, name, f"states no unit and usually steps by {raster:g}")
    return stamps, "no unit stated; taken as s"


def _unit_error(path: Path, name: str, problem: str) -> InputError:
    return InputError(
        f"{path}: column {name} {problem}; give it, such as --channel time={name}:ms "
        "(s, ms, us, min or h)"
    )


def _over_midnight(stamps: np.ndarray) -> tuple[np.ndarray, str]:
    """Count days on where the clock falls back by most of a day."""
    days = np.cumsum(np.concatenate(([False], np.diff(stamps) < -0.9 * DAY)))
    passed = int(days[-1]) if days.size else 0
    note = f", midnight passed {passed} times" if passed else ""
    return stamps + DAY * days, f"clock time -> s{note}"


_KIND_TEXTS = {
    "number": "numbers",
    "clock": "clock times",
    "zoned": "ISO dates with zone",
    "local": "ISO dates without zone",
}
