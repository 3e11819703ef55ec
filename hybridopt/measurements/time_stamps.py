"""Time stamps of text logs: numbers, dates, clock times, to seconds.

Cells are read one by one, since a log is a stream that must not fill the memory.
"""

import math
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .dates import DAY, ISO, MINUTES, Dates, clock_seconds
from .units import find_unit

UNSTATED_MAX = 2.0  # s, usual raster up to which bare numbers are taken as seconds
UNSTATED = "no unit stated; taken as s"
SINCE_1970 = {1e17: "ns", 1e14: "us", 1e11: "ms"}
"""Bare numbers above these count that unit since 1970."""
SPREADSHEET_DAYS = (20_000.0, 80_000.0)  # days since 1899-12-30: the years 1954 to 2119
_ZONE_APART = re.compile(r" +(?=[+-]\d\d:?\d\d$)| +[A-Z][A-Za-z]{1,4}$")
"""What keeps a zone from its stamp; one of letters, such as CEST, is that of the whole log."""
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d*)?")
_KIND_TEXTS = {
    "number": "numbers",
    "clock": "clock times",
    "minutes": "minutes and seconds",
    "zoned": "ISO dates with zone",
    "local": "ISO dates without zone",
    "dated": "dates with the year last",
}


class StampReader:
    """Turns the time cells of a log into seconds, one by one, and notes their kinds.

    Parameters
    ----------
    decimal
        Decimal sign of numbers.

    Attributes
    ----------
    kinds : set of "number", "clock", "minutes" (and seconds, no hours), "zoned" (ISO date with
        zone), "local" (without) and "dated" (in seconds of the day plus `DAY` times the place of
        its date in `dates`)
    dates : the dates met
    """

    def __init__(self, decimal: str):
        self.decimal = decimal
        self.kinds: set[str] = set()
        self.dates = Dates()

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
            stamp, kind = self._words(cell)
        self.kinds.add(kind)
        return stamp

    def _words(self, cell: str) -> tuple[float, str]:
        """Return a clock time or a date in s, and its kind."""
        if (clock := clock_seconds(cell)) is not None:
            return clock, "clock"
        if found := MINUTES.fullmatch(cell):
            return 60.0 * int(found[1]) + float(found[2].replace(",", ".")), "minutes"
        if not ISO.match(cell):
            return self.dates.seconds(cell), "dated"
        stamp = datetime.fromisoformat(_ZONE_APART.sub("", cell).replace("/", "-"))
        if stamp.tzinfo:
            return stamp.timestamp(), "zoned"
        return stamp.replace(tzinfo=UTC).timestamp(), "local"


def number(cell: str, decimal: str) -> float:
    """Return the number in a cell; where the decimal sign is a point, commas may part thousands.

    Raises
    ------
    ValueError
        The cell holds none, or not a finite one.
    """
    if decimal == ",":
        if "." in cell:
            raise ValueError(cell)
        cell = cell.replace(",", ".")
    elif "," in cell and _THOUSANDS.fullmatch(cell):
        cell = cell.replace(",", "")
    value = float(cell)
    if "_" in cell or not math.isfinite(value):
        raise ValueError(cell)
    return value


def to_seconds(
    path: Path, name: str, stamps: np.ndarray, reader: StampReader, stated: str
) -> tuple[np.ndarray, str]:
    """Bring stamps of one kind to seconds.

    Parameters
    ----------
    path, name
        File and column, for messages.
    stamps
        From :meth:`StampReader.seconds`, at least one.
    reader
        That read them.
    stated
        Unit of bare numbers, "" when it is not known.

    Returns
    -------
    stamps : s
    text : what was taken as what

    Raises
    ------
    InputError
        Kinds are mixed, a date is none, or the unit of bare numbers is neither stated nor plain.
    """
    if len(reader.kinds) > 1:
        words = " and ".join(sorted(_KIND_TEXTS[kind] for kind in reader.kinds))
        raise InputError(f"{path}: column {name} mixes {words}; write all time stamps in one way")
    (kind,) = reader.kinds
    match kind:
        case "clock":
            return _over_the_top(stamps, DAY, "clock time -> s", "midnight passed")
        case "minutes":
            return _over_the_top(stamps, 3600.0, "minutes and seconds -> s", "full hours passed")
        case "dated":
            days, text = reader.dates.days(f"{path}: column {name}")
            place = np.floor(stamps / DAY).astype(np.int64)
            return stamps + DAY * (days[place] - place), text
        case "number":
            return _of_numbers(path, name, stamps, stated)
    return stamps, f"{_KIND_TEXTS[kind]} -> s"


def _of_numbers(path: Path, name: str, stamps: np.ndarray, stated: str) -> tuple[np.ndarray, str]:
    """Bring bare numbers to seconds, by the unit stated or by their size."""
    if stated:
        unit = find_unit("time", stated)
        if unit is None:
            raise _unit_error(path, name, f"has the unit {stated!r}, which is none of time")
        return unit.to_si(stamps), f"{unit.sign} -> s"
    usual = float(np.median(np.abs(stamps)))
    for least, sign in SINCE_1970.items():
        unit = find_unit("time", sign)
        if usual > least and unit:
            return unit.to_si(stamps), f"no unit stated; taken as {sign} since 1970 -> s"
    if SPREADSHEET_DAYS[0] < usual < SPREADSHEET_DAYS[1] and 0.0 < np.ptp(stamps) < 2.0:
        return stamps * DAY, "no unit stated; taken as a spreadsheet's days -> s"
    steps = np.abs(np.diff(stamps))
    raster = float(np.median(steps[steps > 0.0])) if steps.any() else 0.0
    if raster > UNSTATED_MAX:
        raise _unit_error(path, name, f"states no unit and usually steps by {raster:g}")
    return stamps, UNSTATED


def _unit_error(path: Path, name: str, problem: str) -> InputError:
    return InputError(
        f"{path}: column {name} {problem}; give it, such as --channel time={name}:ms "
        "(s, ms, us, min or h)"
    )


def _over_the_top(
    stamps: np.ndarray, period: float, text: str, passed: str
) -> tuple[np.ndarray, str]:
    """Count periods on where a clock falls back by most of one."""
    rounds = np.cumsum(np.diff(stamps, prepend=stamps[0]) < -0.9 * period)
    note = f", {passed} {rounds[-1]} times" if rounds[-1] else ""
    return stamps + period * rounds, text + note
