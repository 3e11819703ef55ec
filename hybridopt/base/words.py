"""Numbers and names as short text, for tables, plots and pages alike."""

import json
import math
import textwrap
from collections.abc import Mapping
from typing import Any


def fixed(value: float, digits: int) -> str:
    """Return a number with that many digits after the point, and no minus before a zero.

    "-" stands for what is not finite.
    """
    if not math.isfinite(value):
        return "-"
    return f"{round(value, digits) + 0.0:.{digits}f}"


def fitted(value: float, digits: int, room: int, unit: str = "") -> str:
    """Return a number right in its column, a blank before it, with fewer digits if it is long.

    Parameters
    ----------
    value, digits
        As for :func:`fixed`.
    room
        Characters of the column.
    unit
        What follows the number.
    """
    for fewer in range(digits, -1, -1):
        text = f"{fixed(value, fewer)}{unit}"
        if len(text) < room:
            break
    return f" {text:>{room - 1}}"


def cut(text: object, room: int) -> str:
    """Return a text on one line, cut to the room there is."""
    line = " ".join(str(text).split())
    return line if len(line) <= room else line[: room - 3] + "..."


def in_air(attrs: Mapping[str, Any]) -> str:
    """Return at which temperature of the air a result was made; empty where it does not count."""
    ambient = json.loads(attrs["settings"]).get("ambient_temperature")
    return "" if ambient is None else f", in air of {ambient:g} °C"


def warm_up_lines(ambient: float | None) -> list[str]:
    """Return what to know of drives from a cold start in air, degC; no line where that is None."""
    if ambient is None:
        return []
    text = (
        f"Cold starts in air of {ambient:g} C. With the oil temperature as a state the bound is "
        "far off (guide theory, Warm-up): look at what lies above the optimum. Where a controller "
        "loses is not worked out then."
    )
    return textwrap.wrap(text, 80)
