"""Units found in logs, by signal, and how names carry them."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.units import KM_PER_H, PERCENT

MILE = 1609.344  # m, exact by definition (international yard, 1959)
FOOT = 0.3048  # m, exact by the same definition
NAUTICAL_MILE = 1852.0  # m, exact (1929)
SI = {"time": "s", "speed": "m/s", "altitude": "m", "grade": "rise over run"}


@dataclass(frozen=True)
class Unit:
    """A unit by its usual sign, and what turns its values into SI."""

    sign: str
    to_si: Callable[[Any], Any]


def _factor(sign: str, factor: float) -> Unit:
    return Unit(sign, lambda values: values * factor)


_KM_H, _M_S = _factor("km/h", KM_PER_H), _factor("m/s", 1.0)
_MPH, _KNOT = _factor("mph", MILE / 3600.0), _factor("kn", NAUTICAL_MILE / 3600.0)
_S, _MS, _US = _factor("s", 1.0), _factor("ms", 1e-3), _factor("us", 1e-6)
_MIN, _HOUR = _factor("min", 60.0), _factor("h", 3600.0)
_M, _FT, _KM = _factor("m", 1.0), _factor("ft", FOOT), _factor("km", 1e3)
_PERCENT, _RATIO = _factor("%", PERCENT), _factor("1", 1.0)
_DEG = Unit("deg", lambda values: np.tan(values * (math.pi / 180.0)))
_RAD = Unit("rad", np.tan)

UNITS: dict[str, dict[str, Unit]] = {
    "time": {
        **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), _S),
        **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), _MS),
        **dict.fromkeys(("us", "µs", "μs", "microseconds"), _US),
        **dict.fromkeys(("min", "minutes"), _MIN),
        **dict.fromkeys(("h", "hours"), _HOUR),
    },
    "speed": {
        **dict.fromkeys(("km/h", "kmh", "kph", "km per h", "kmph", "km/hr", "km h"), _KM_H),
        **dict.fromkeys(("m/s", "mps", "m per s", "m s", "m/sec", "meters per second"), _M_S),
        **dict.fromkeys(("mph", "mi/h", "mile/h", "miles per hour", "mi per h"), _MPH),
        **dict.fromkeys(("kn", "kt", "kts", "knot", "knots"), _KNOT),
    },
    "altitude": {
        **dict.fromkeys(("m", "meter", "meters", "metre", "metres"), _M),
        **dict.fromkeys(("ft", "feet", "foot"), _FT),
        "km": _KM,
    },
    "grade": {
        **dict.fromkeys(("%", "percent", "pct"), _PERCENT),
        **dict.fromkeys(("deg", "°", "degree", "degrees"), _DEG),
        "rad": _RAD,
        **dict.fromkeys(("1", "-", "ratio", "m/m"), _RATIO),
    },
}
_KNOWN = {alias for table in UNITS.values() for alias in table} - {"1", "-"}
_BRACKETS = re.compile(r"^(.*\S)\s*[\[({<]\s*([^\[({<\])}>]{0,20}?)\s*[\])}>]$")


def find_unit(signal: str, text: str) -> Unit | None:
    """Return the unit of a signal written as `text`, or None when it is not one."""
    return UNITS[signal].get(normal(text))


def is_unit(text: str) -> bool:
    """Return whether `text` alone is a unit of some signal."""
    return normal(text) in _KNOWN


def split_unit(name: str) -> tuple[str, str]:
    """Return a column name's words and unit: `speed [mph]`, `speed, mph`, `speed_km_per_h`."""
    found = _BRACKETS.match(name)
    if found:
        return normal(found[1]), found[2]
    before, comma, after = name.rpartition(",")
    if comma and is_unit(after):
        return normal(before), after.strip()
    words = normal(name).split(" ")
    for size in (3, 2, 1):
        unit = " ".join(words[-size:])
        if len(words) > size and unit in _KNOWN:
            return " ".join(words[:-size]), unit
    return normal(name), ""


def normal(text: str) -> str:
    """Return text in lower case, camel case and separators as single blanks."""
    parted = re.sub(r"(?<=[a-z0-9])(?=[A-Z][a-z])", " ", text.strip().strip("[](){}<>"))
    return " ".join(re.sub(r"[_.:;\s\"']+", " ", parted).lower().split())
