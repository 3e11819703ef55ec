"""Settings of the optimiser as study files name them, with the unit in the key."""

from collections.abc import Mapping
from typing import Any

from ..base.errors import InputError
from ..base.units import KM_PER_H, PERCENT
from ..inputs.fields import Place, refuse_unknown, shown
from ..problem.settings import Settings
from .parameters import is_finite

SETTING_KEYS: dict[str, tuple[str, float]] = {
    "soc_points": ("soc_points", 1),
    "splits": ("splits", 1),
    "soc_min_percent": ("soc_min", PERCENT),
    "soc_max_percent": ("soc_max", PERCENT),
    "soc_start_percent": ("soc_start", PERCENT),
    "terminal": ("terminal", 1),
    "soc_target_percent": ("soc_target", PERCENT),
    "two_sided": ("two_sided", 1),
    "start_cost_g": ("start_cost", 1),
    "shift_cost_g": ("shift_cost", 1),
    "min_on_time_s": ("min_on_time", 1),
    "min_off_time_s": ("min_off_time", 1),
    "min_gear_time_s": ("min_gear_time", 1),
    "stop_speed_max_km_per_h": ("stop_speed_max", KM_PER_H),
    "stop_soc_min_percent": ("stop_soc_min", PERCENT),
    "stop_oil_temperature_C": ("stop_oil_temperature", 1),
    "brake_shift_speed_km_per_h": ("brake_shift_speed", KM_PER_H),
    "skip_shifts": ("skip_shifts", 1),
    "gear_start": ("gear_start", 1),
    "engine_on_start": ("engine_on_start", 1),
    "penalty_factor": ("penalty_factor", 1),
    "thermal_limits": ("thermal_limits", 1),
    "corridor": ("corridor", 1),
    "memory_limit_GB": ("memory_limit", 1e9),
}
"""Setting and factor by key."""


def settings_of(values: Mapping[str, Any], place: Place) -> Settings:
    """Return the settings that keys and values of a study file ask for.

    Raises
    ------
    InputError
        A key is unknown, or a value of the wrong kind or out of range.
    """
    refuse_unknown(dict(values), set(SETTING_KEYS), place)
    given = {}
    for key, value in values.items():
        name, factor = SETTING_KEYS[key]
        given[name] = _value(key, value, name, factor, place)
    try:
        return Settings(**given)
    except InputError as error:
        raise InputError(f"{place.file}: [{place.table}] {error}") from None


def _value(key: str, value: Any, name: str, factor: float, place: Place) -> Any:
    declared = Settings.__dataclass_fields__[name].type
    kind = getattr(declared, "__name__", str(declared)).partition(" ")[0]  # of `int | None`: int
    if kind in ("bool", "str"):
        if type(value).__name__ != kind:
            wanted = "true or false" if kind == "bool" else "a word"
            raise place.error(key, f"is {shown(value)}; write {wanted}")
        return value
    if not is_finite(value):
        raise place.error(key, f"is {shown(value)}; write a finite number")
    if kind == "int":
        if value != round(value):
            raise place.error(key, f"is {value:g}; write a whole number")
        return round(value)
    return float(value) * factor
