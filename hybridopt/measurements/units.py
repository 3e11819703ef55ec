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
_S, _MS, _US, _NS = (_factor(sign, 1e-3**i) for i, sign in enumerate(("s", "ms", "us", "ns")))
_MIN, _HOUR, _DAY = _factor("min", 60.0), _factor("h", 3600.0), _factor("d", 86_400.0)
_M, _FT, _KM = _factor("m", 1.0), _factor("ft", FOOT), _factor("km", 1e3)
_PERCENT, _RATIO = _factor("%", PERCENT), _factor("1", 1.0)
_DEG = Unit("deg", lambda values: np.tan(values * (math.pi / 180.0)))
_RAD = Unit("rad", np.tan)

UNITS: dict[str, dict[str, Unit]] = {
    "time": {
        **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), _S),
        **dict.fromkeys(("ms", "msec", "msecs", "millis", "millisecond", "milliseconds"), _MS),
        **dict.fromkeys(("us", "µs", "μs", "usec", "microsecond", "microseconds"), _US),
        **dict.fromkeys(("ns", "nsec", "nanosecond", "nanoseconds"), _NS),
        **dict.fromkeys(("min", "minutes"), _MIN),
        **dict.fromkeys(("h", "hours"), _HOUR),
        **dict.fromkeys(("d", "days"), _DAY),
    },
    "speed": {
        **dict.fromkeys(("km/h", "kmh", "kph", "kmph", "km/hr", "km/hour", "kmhr", "km/u"), _KM_H),
        **dict.fromkeys(("km h", "km per h", "km h-1", "km/std", "kilometers per hour"), _KM_H),
        **dict.fromkeys(("kilometer per hour", "kilometres per hour", "kilometers/hour"), _KM_H),
        **dict.fromkeys(("m/s", "mps", "m/sec", "m s", "m per s", "m s-1", "meters/second"), _M_S),
        **dict.fromkeys(("meters per second", "metres per second", "metres/second"), _M_S),
        **dict.fromkeys(("mph", "mi/h", "mi/hr", "mile/h", "miles/h", "mi per h", "mi h-1"), _MPH),
        **dict.fromkeys(("miles per hour", "mile per hour", "miles/hour"), _MPH),
        **dict.fromkeys(("kn", "kt", "kts", "knot", "knots"), _KNOT),
    },
    "altitude": {
        **dict.fromkeys(("m", "meter", "meters", "metre", "metres", "masl", "m asl", "m msl"), _M),
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
_KNOWN = {alias for table in UNITS.values() for alias in table} - {"1", "-", "d"}
_BRACKETS = re.compile(r"[\[({<]\s*([^\[({<\])}>]{0,24}?)\s*[\])}>]")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z][a-z])|(?<=[a-z])(?=[A-Z]{2})|(?<=[A-Z])(?=[A-Z][a-z])")
_EXPONENTS = str.maketrans({"⁻": "-", "¹": "1", "·": " ", "*": " ", "^": ""})
_ORIGINS = {"gps", "gnss", "obd", "obd2", "obdii", "obd ii", "can", "ecu", "utc", "local", "raw"}
"""What brackets hold beside units: where a value comes from."""


def find_unit(signal: str, text: str) -> Unit | None:
    """Return the unit of a signal written as `text`, or None when it is not one."""
    return UNITS[signal].get(_plain(text))


def is_unit(text: str) -> bool:
    """Return whether `text` alone is a unit of some signal."""
    return _plain(text) in _KNOWN


def split_unit(name: str) -> tuple[str, str]:
    """Return a column name's words and unit: `speed [mph]`, `speed, mph`, `speed_km_per_h`."""
    groups = list(_BRACKETS.finditer(name))
    known = [group for group in groups if is_unit(group[1])]
    last = [g for g in groups if g.end() == len(name) and _plain(g[1]) not in _ORIGINS]
    for group in (known or last)[-1:]:
        rest = name[: group.start()] + " " + name[group.end() :]
        if normal(rest):
            return normal(rest), group[1]
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
    """Return a name in lower case, camel case, brackets and separators as single blanks."""
    return " ".join(re.sub(r"[\[\](){}<>]+", " ", _plain(_CAMEL.sub(" ", text.strip()))).split())


def _plain(text: str) -> str:
    """Return a unit in lower case, without brackets round it, with one way to write powers."""
    bare = text.strip().strip("[](){}<>").translate(_EXPONENTS)
    return " ".join(re.sub(r"[_.:;\s\"']+", " ", bare).lower().split())
