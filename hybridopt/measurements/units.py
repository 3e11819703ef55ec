"""Units found in logs, by signal, and how names carry them."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.units import KM_PER_H, KW, PERCENT, RPM

MILE = 1609.344  # m, exact by definition (international yard, 1959)
FOOT = 0.3048  # m, exact by the same definition
NAUTICAL_MILE = 1852.0  # m, exact (1929)
GALLON = 3.785411784  # l, exact by definition (231 cubic inches of the United States)
POUND_FOOT = 1.3558179483314004  # N m, exact by definition of pound, foot and standard gravity
HORSEPOWER = 735.49875  # W, metric, exact by definition (75 kgf m/s)
ZERO_CELSIUS = 273.15  # K
FULL_BRAKE = 100.0  # bar, pressure that counts as 1 (common practice, no source)


@dataclass(frozen=True)
class Unit:
    """A unit by its usual sign, and what turns its values into SI.

    Attributes
    ----------
    volume : whether it turns a rate of fuel into l/s, which the fuel's density turns into g/s
    """

    sign: str
    to_si: Callable[[Any], Any]
    volume: bool = False


def _factor(sign: str, factor: float, volume: bool = False) -> Unit:
    return Unit(sign, lambda values: values * factor, volume)


_KM_H, _M_S = _factor("km/h", KM_PER_H), _factor("m/s", 1.0)
_MPH, _KNOT = _factor("mph", MILE / 3600.0), _factor("kn", NAUTICAL_MILE / 3600.0)
_S, _MS, _US, _NS = (_factor(sign, 1e-3**i) for i, sign in enumerate(("s", "ms", "us", "ns")))
_MIN, _HOUR, _DAY = _factor("min", 60.0), _factor("h", 3600.0), _factor("d", 86_400.0)
_M, _FT, _KM = _factor("m", 1.0), _factor("ft", FOOT), _factor("km", 1e3)
_PERCENT, _RATIO = _factor("%", PERCENT), _factor("1", 1.0)
_DEG = Unit("deg", lambda values: np.tan(values * (math.pi / 180.0)))
_RAD = Unit("rad", np.tan)
_RPM, _RAD_S, _HZ = _factor("rpm", RPM), _factor("rad/s", 1.0), _factor("1/s", 2.0 * math.pi)
_NM, _LB_FT = _factor("Nm", 1.0), _factor("lb ft", POUND_FOOT)
_G_S, _MG_S, _KG_S = _factor("g/s", 1.0), _factor("mg/s", 1e-3), _factor("kg/s", 1e3)
_KG_H, _G_H, _G_MIN = (
    _factor("kg/h", 1e3 / 3600.0),
    _factor("g/h", 1 / 3600.0),
    _factor("g/min", 1 / 60.0),
)
_L_H, _GAL_H = _factor("l/h", 1 / 3600.0, True), _factor("gal/h", GALLON / 3600.0, True)
_ML_S, _ML_MIN = _factor("ml/s", 1e-3, True), _factor("ml/min", 1e-3 / 60.0, True)
_W, _KW, _HP = _factor("W", 1.0), _factor("kW", KW), _factor("PS", HORSEPOWER)
_V, _MV, _A, _MA = _factor("V", 1.0), _factor("mV", 1e-3), _factor("A", 1.0), _factor("mA", 1e-3)
_DEG_C = _factor("degC", 1.0)
_DEG_F = Unit("degF", lambda values: (values - 32.0) / 1.8)
_KELVIN = Unit("K", lambda values: values - ZERO_CELSIUS)
_BAR, _KPA = _factor("bar", 1.0 / FULL_BRAKE), _factor("kPa", 0.01 / FULL_BRAKE)
_MPA = _factor("MPa", 10.0 / FULL_BRAKE)
_SPEEDS_OF_ROTATION = {
    **dict.fromkeys(("rpm", "1/min", "min-1", "/min", "min 1", "u/min", "r/min"), _RPM),
    **dict.fromkeys(("rev/min", "revs/min", "rpm s", "per min", "revolutions per minute"), _RPM),
    **dict.fromkeys(("rad/s", "rad s-1", "rad s", "rad per s", "rad/sec"), _RAD_S),
    **dict.fromkeys(("1/s", "hz", "rev/s", "rps", "s-1"), _HZ),
}
_TORQUES = {
    **dict.fromkeys(("nm", "n m", "n-m", "newton meter", "newton metres"), _NM),
    **dict.fromkeys(("lb ft", "lbft", "lb-ft", "lbf ft", "ft lb", "ft-lb"), _LB_FT),
}
_MASS_FLOWS = {
    **dict.fromkeys(("g/s", "g per s", "g s-1", "gram/sec", "g/sec", "grams/sec", "gs"), _G_S),
    **dict.fromkeys(("mg/s", "mg per s", "mg/sec"), _MG_S),
    **dict.fromkeys(("kg/s", "kg per s"), _KG_S),
    **dict.fromkeys(("kg/h", "kg/hr", "kg per h", "kg h-1"), _KG_H),
    **dict.fromkeys(("g/h", "g per h", "g/hr"), _G_H),
    **dict.fromkeys(("g/min", "g per min"), _G_MIN),
}
_VOLUME_FLOWS = {
    **dict.fromkeys(("l/h", "l/hr", "lph", "l per h", "l h-1", "liter/h", "litre/h"), _L_H),
    **dict.fromkeys(("liters/hour", "litres/hour", "l/hour", "liters per hour"), _L_H),
    **dict.fromkeys(("gal/h", "gph", "gal/hr", "us gal/h"), _GAL_H),
    **dict.fromkeys(("ml/s", "cm3/s", "cc/s", "ml per s"), _ML_S),
    **dict.fromkeys(("ml/min", "cm3/min", "cc/min", "ml per min"), _ML_MIN),
}
_POWERS = {
    **dict.fromkeys(("w", "watt", "watts"), _W),
    **dict.fromkeys(("kw", "kilowatt", "kilowatts"), _KW),
    **dict.fromkeys(("ps", "cv"), _HP),
}
_SHARES = {
    **dict.fromkeys(("%", "percent", "pct", "prozent"), _PERCENT),
    **dict.fromkeys(("1", "-", "ratio", "0..1", "0-1"), _RATIO),
}
_TEMPERATURES = {
    **dict.fromkeys(("degc", "°c", "c", "deg c", "celsius", "℃", "degree c", "gradc"), _DEG_C),
    **dict.fromkeys(("degf", "°f", "f", "deg f", "fahrenheit", "℉"), _DEG_F),
    **dict.fromkeys(("k", "kelvin", "degk"), _KELVIN),
}
_SWITCHES = _SHARES | dict.fromkeys(("bool", "boolean", "switch", "on/off", "0/1", "bit"), _RATIO)
_PRESSURES = {"bar": _BAR, "kpa": _KPA, "mpa": _MPA}
_NUMBERS = dict.fromkeys(("1", "-", "gear", "enum", "count", "counts", "number", "bool"), _RATIO)

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
    "engine_speed": _SPEEDS_OF_ROTATION,
    "motor_speed": _SPEEDS_OF_ROTATION,
    "engine_torque": _TORQUES,
    "fuel_rate": _MASS_FLOWS | _VOLUME_FLOWS,
    "air_flow": _MASS_FLOWS,
    "air_ratio": dict.fromkeys(("1", "-", "lambda", "ratio"), _RATIO),
    "motor_torque": _TORQUES,
    "motor_power": _POWERS,
    "gear": _NUMBERS,
    "battery_voltage": dict.fromkeys(("v", "volt", "volts"), _V) | {"mv": _MV},
    "battery_current": dict.fromkeys(("a", "amp", "amps", "ampere"), _A) | {"ma": _MA},
    "soc": _SHARES,
    "separating_clutch": _SWITCHES,
    "launch_clutch": _SWITCHES,
    "oil_temperature": _TEMPERATURES,
    "coolant_temperature": _TEMPERATURES,
    "ambient_temperature": _TEMPERATURES,
    "auxiliary_power": _POWERS,
    "brake": _SWITCHES | _PRESSURES,
}
"""Units of every signal of a log, by how they are written in lower case."""
_DRIVE = ("time", "speed", "altitude", "grade")
SI = {"time": "s", "speed": "m/s", "altitude": "m", "grade": "rise over run"} | {
    signal: next(unit.sign for unit in table.values() if unit.to_si(2.0) == 2.0)
    for signal, table in UNITS.items()
    if signal not in _DRIVE
}
_KNOWN = {alias for table in UNITS.values() for alias in table} - {"1", "-", "d", "gear", "switch"}
_SUFFIXES = {alias for signal in _DRIVE for alias in UNITS[signal]} - {"1", "-", "d"}
_SUFFIXES |= {alias for alias in _KNOWN if " per " in alias}
"""Units that the last words of any name may be; others may be words of the name itself."""
_SCALE = re.compile(r"\s*(-?)\s*(?:([0-9.]+(?:e[+-]?[0-9]+)?)\s*\*)?\s*(.*\S)", re.IGNORECASE)
_BRACKETS = re.compile(r"[\[({<]\s*([^\[({<\])}>]{0,24}?)\s*[\])}>]")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z][a-z])|(?<=[a-z])(?=[A-Z]{2})|(?<=[A-Z])(?=[A-Z][a-z])")
_EXPONENTS = str.maketrans({"⁻": "-", "¹": "1", "·": " ", "*": " ", "^": ""})
_ORIGINS = {"gps", "gnss", "obd", "obd2", "obdii", "obd ii", "can", "ecu", "utc", "local", "raw"}
"""What brackets hold beside units: where a value comes from."""


def find_unit(signal: str, text: str) -> Unit | None:
    """Return the unit of a signal written as `text`, or None when it is not one."""
    return UNITS[signal].get(_plain(text))


def stated_unit(signal: str, text: str) -> Unit | None:
    """Return the unit that the user states: one of the signal, `-UNIT` or `FACTOR*UNIT`.

    A sign turns the values round, a factor multiplies them: `-A`, `2.5*Nm`, `-0.1*kW`.
    """
    plain = find_unit(signal, text)
    parts = _SCALE.fullmatch(text)
    if plain or parts is None or signal == "time":
        return plain
    unit = find_unit(signal, parts[3])
    try:
        factor = float(parts[2] or 1.0)
    except ValueError:
        return None
    if unit is None or not 1e-12 < factor < 1e12:
        return None
    scale = -factor if parts[1] else factor
    sign = f"{parts[1]}{f'{factor:.12g}*' if parts[2] else ''}{unit.sign}"
    return Unit(sign, lambda values: unit.to_si(scale * values), unit.volume)


def last_unit(signal: str, words: str) -> str:
    """Return the last words of a name where they are a unit of the signal, "" where they are not.

    A name of one word may be a unit of several letters.
    """
    parts = words.split(" ")
    for size in (3, 2, 1):
        unit = " ".join(parts[-size:])
        whole = len(parts) <= size
        if unit != "1" and len(unit) > 2 * whole and find_unit(signal, unit):
            return unit
    return ""


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
        if len(words) > size and unit in _SUFFIXES:
            return " ".join(words[:-size]), unit
    return normal(name), ""


def normal(text: str) -> str:
    """Return a name in lower case, camel case, brackets and separators as single blanks."""
    return " ".join(re.sub(r"[\[\](){}<>]+", " ", _plain(_CAMEL.sub(" ", text.strip()))).split())


def _plain(text: str) -> str:
    """Return a unit in lower case, without brackets round it, with one way to write powers."""
    bare = text.strip().strip("[](){}<>").translate(_EXPONENTS)
    return " ".join(re.sub(r"[_.:;\s\"']+", " ", bare).lower().split())
