"""Time stamps of text logs: numbers, ISO 8601 dates with or without zone, and clock times.

Cells are read one by one, since a log is a stream that must not fill the memory.
"""

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
_KIND_TEXTS = {
    "number": "numbers",
    "clock": "clock times",
    "zoned": "ISO dates with zone",
    "local": "ISO dates without zone",
}


class StampReader:
    """Turns the time cells of a log into seconds, one by one, and notes their kinds.

    Parameters
    ----------
    decimal
        Decimal sign of numbers.

    Attributes
    ----------
    kinds : set of "number", "clock", "zoned" (ISO date with zone) and "local" (without)
    """

    def __init__(self, decimal: str):
        self.decimal = decimal
        self.kinds: set[str] = set()

    def seconds(self, cell: str) -> float:
        """Return the stamp in s (numbers as they are, dates since 1970).

        Raises
        ------
        ValueError
            The cell holds no time stamp.
        """
        try:
            stamp, kind = number(cell, self.decimal), "number"
        except ValueError:
            stamp, kind = _date(cell)
        self.kinds.add(kind)
        return stamp


def _date(cell: str) -> tuple[float, str]:
    """Return a clock time or an ISO date in s, and its kind."""
    if clock := _CLOCK.fullmatch(cell):
        hours, minutes, rest = clock.groups()
        return 3600.0 * int(hours) + 60.0 * int(minutes) + float(rest.replace(",", ".")), "clock"
    if not _ISO.match(cell):
        raise ValueError(cell)
    stamp = datetime.fromisoformat(cell)
    if stamp.tzinfo:
        return stamp.timestamp(), "zoned"
    return stamp.replace(tzinfo=UTC).timestamp(), "local"


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
        From :meth:`StampReader.seconds`, at least one.
    kinds
        From :attr:`StampReader.kinds`.
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
    (kind,) = kinds
    if kind == "clock":
        return _over_midnight(stamps)
    if kind != "number":
        return stamps, f"{_KIND_TEXTS[kind]} -> s"
    if stated:
        unit = find_unit("time", stated)
        if unit is None:
            raise _unit_error(path, name, f"has the unit {stated!r}, which is none of time")
        return unit.to_si(stamps), f"{unit.sign} -> s"
    if np.median(np.abs(stamps)) > EPOCH_MS:
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
    days = np.cumsum(np.diff(stamps, prepend=stamps[0]) < -0.9 * DAY)
    note = f", midnight passed {days[-1]} times" if days[-1] else ""
    return stamps + DAY * days, f"clock time -> s{note}"
