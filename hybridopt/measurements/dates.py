"""Dates and clock times as loggers and spreadsheets write them beside ISO 8601."""

import re
from datetime import date

import numpy as np

from ..base.errors import InputError

DAY = 86_400.0  # s
ISO = re.compile(r"\d{4}[-/]\d\d[-/]\d\d|\d{8}T\d{4}")
MINUTES = re.compile(r"(\d{1,2}):(\d\d[.,]\d+)")
_CLOCK_TEXT = r"(\d{1,2}):(\d\d)(?::(\d\d(?:[.,:]\d+)?))?(?: ?([AaPp])\.?[Mm]\.?)?"
_CLOCK = re.compile(_CLOCK_TEXT)
_DATED = re.compile(  # a year of two digits only where no hyphen lets it pass for a day
    r"(\d{1,2})[-/. ](\d{1,2}|[A-Za-z]{3,9})[-/. ](\d{4}|(?<!-)\d\d)"
    rf"(?:[ T,]+({_CLOCK_TEXT}))?"
)
_MONTHS = "jan feb mar apr may jun jul aug sep oct nov dec".split()
MAX_DATES = 10_000


def is_stamp(cell: str) -> bool:
    """Return whether a cell looks like a date or a clock time."""
    return bool(
        ISO.match(cell)
        or _DATED.fullmatch(cell)
        or MINUTES.fullmatch(cell)
        or clock_seconds(cell) is not None
    )


def clock_seconds(cell: str) -> float | None:
    """Return a clock time (of 24 hours, or of 12 with AM and PM) in s, None where it is none."""
    found = _CLOCK.fullmatch(cell)
    if not found or not (found[3] or found[4]):  # 12:30 alone may be minutes or hours
        return None
    hours = int(found[1])
    if found[4]:
        hours = hours % 12 + (12 if found[4] in "Pp" else 0)
    rest = (found[3] or "0").replace(",", ".").replace(":", ".")
    return 3600.0 * hours + 60.0 * int(found[2]) + float(rest)


class Dates:
    """Dates such as 09/05/2023, whose order of day and month the whole log decides."""

    def __init__(self) -> None:
        self._places: dict[tuple[str, str, str], int] = {}

    def seconds(self, cell: str) -> float:
        """Return the seconds of the day of a dated stamp, plus `DAY` for each date met before.

        Raises
        ------
        ValueError
            The cell holds no date.
        """
        found = _DATED.fullmatch(cell)
        if not found or len(self._places) > MAX_DATES:
            raise ValueError(cell)
        clock = 0.0
        if found[4]:
            text = found[4] if found[7] or found[8] else f"{found[4]}:00"
            clock = clock_seconds(text) or 0.0
        place = self._places.setdefault((found[1], found[2].lower(), found[3]), len(self._places))
        return DAY * place + min(clock, DAY - 1e-3)

    def days(self, label: str) -> tuple[np.ndarray, str]:
        """Return the days since 1970 of each date, in the order met, and what was taken as what.

        Raises
        ------
        InputError
            A date is none, whichever of its first two numbers is the month.

        Notes
        -----
        Of two orders that give dates the one in which the log spans fewer days is taken.
        """
        orders = {"day first": (0, 1), "month first": (1, 0)}
        found = {text: self._ordinals(*order) for text, order in orders.items()}
        possible = {text: days for text, days in found.items() if days is not None}
        if not possible:
            shown = "/".join(next(iter(self._places)))
            raise InputError(
                f"{label} holds dates such as {shown!r} that are neither day, month, year nor "
                "month, day, year throughout; write them as 2023-05-09 14:07:36.58"
            )
        spans = {text: int(np.ptp(days)) for text, days in possible.items()}
        text = min(spans, key=lambda order: spans[order])
        told = len(spans) == 1 or len(set(spans.values())) > 1
        return possible[text], f"dates, {text} -> s" if told else "dates of one day -> s"

    def _ordinals(self, day: int, month: int) -> np.ndarray | None:
        """Return the days since 1970 with day and month at these places, None where one is none."""
        days = []
        for parts in self._places:
            try:
                days.append(_day(parts[2], parts[month], parts[day]))
            except (ValueError, IndexError):
                return None
        return np.array(days, dtype=np.int64)


def _day(year: str, month: str, day: str) -> int:
    """Return a date's days since 1970.

    Raises
    ------
    ValueError
        It is none.
    """
    if day.isalpha():  # 09-Aug-2022, read with the month first
        month, day = day, month
    number = int(month) if month.isdigit() else 1 + _MONTHS.index(month[:3])
    full = int(year) + (2000 if len(year) == 2 else 0)
    return date(full, number, int(day)).toordinal() - date(1970, 1, 1).toordinal()
