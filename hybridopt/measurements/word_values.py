"""Words in logs that stand for values: gears and switches."""

import re
from collections.abc import Callable

from .channels import SWITCHES
from .time_stamps import number

NO_GEAR = frozenset("p n park parked neutral none idle".split())
GEAR_NOT_TOLD = frozenset("d r s m l b drive reverse sport manual rev".split())
"""Words for a gear that is there and not known, or is none of those forward."""
NOT_TOLD = -1.0
"""Stands for such a gear until all values are on one time base, where it becomes NaN."""
ON = frozenset("on true yes closed engaged active applied pressed locked closing".split())
OFF = frozenset("off false no open opened disengaged inactive released unlocked".split()) | {
    "not active",
    "not applied",
    "not pressed",
}
_FORWARD = re.compile(r"(?:[dsml]|gear|drive)?[ _-]?([1-9]|1[0-9])(?:st|nd|rd|th)?[.]?(?: gear)?")

WORDED = ("gear", *SWITCHES)
"""Signals that words may stand for."""


def cell_reader(signal: str, decimal: str) -> Callable[[str], float]:
    """Return what turns a cell of a signal into a number.

    It raises ValueError where the cell holds none; a gear that is not told is `NOT_TOLD`.
    """
    words = gear_in_words if signal == "gear" else switch_in_words if signal in SWITCHES else None

    def read(cell: str) -> float:
        try:
            return number(cell, decimal)
        except ValueError:
            if words is None:
                raise
            return words(cell)

    return read


def gear_in_words(cell: str) -> float:
    """Return the gear that a word such as D3, 3rd or N means, `NOT_TOLD` for R or D.

    Raises
    ------
    ValueError
        It means no gear.
    """
    word = " ".join(cell.strip().lower().split())
    if word in NO_GEAR:
        return 0.0
    if word in GEAR_NOT_TOLD:
        return NOT_TOLD
    found = _FORWARD.fullmatch(word)
    if found is None:
        raise ValueError(cell)
    return float(found[1])


def switch_in_words(cell: str) -> float:
    """Return 1 for words such as on or closed, 0 for off or open.

    Raises
    ------
    ValueError
        It is none of them.
    """
    word = " ".join(cell.strip().lower().replace("_", " ").split())
    if word not in ON | OFF:
        raise ValueError(cell)
    return float(word in ON)
