"""Numbers and names as short text, for tables, plots and pages alike."""

import math


def fixed(value: float, digits: int) -> str:
    """Return a number with that many digits after the point, and no minus before a zero.

    "-" stands for what is not finite.
    """
    if not math.isfinite(value):
        return "-"
    return f"{round(value, digits) + 0.0:.{digits}f}"


def cut(text: object, room: int) -> str:
    """Return a text on one line, cut to the room there is."""
    line = " ".join(str(text).split())
    return line if len(line) <= room else line[: room - 3] + "..."
