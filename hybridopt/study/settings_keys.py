"""Settings of the optimiser as study files name them, with the unit in the key."""

from collections.abc import Mapping
from typing import Any

from ..base.errors import InputError
from ..inputs.fields import Place, refuse_unknown, shown
from ..problem.declaring import Declaration
from ..problem.settings import SETTINGS, Settings
from .parameters import is_finite

SETTING_KEYS = {setting.key: setting for setting in SETTINGS.values()}
"""Declaration of a setting by key."""


def settings_of(values: Mapping[str, Any], place: Place) -> Settings:
    """Return the settings that keys and values of a study file ask for.

    Raises
    ------
    InputError
        A key is unknown, or a value of the wrong kind or out of range.
    """
    refuse_unknown(dict(values), set(SETTING_KEYS), place)
    given = {
        SETTING_KEYS[key].name: _value(key, value, SETTING_KEYS[key], place)
        for key, value in values.items()
    }
    try:
        return Settings(**given)
    except InputError as error:
        raise InputError(f"{place.file}: [{place.table}] {error}") from None


def _value(key: str, value: Any, setting: Declaration, place: Place) -> Any:
    if setting.kind in (bool, str):
        if not isinstance(value, setting.kind):
            wanted = "true or false" if setting.kind is bool else "a word"
            raise place.error(key, f"is {shown(value)}; write {wanted}")
        return value
    if not is_finite(value):
        raise place.error(key, f"is {shown(value)}; write a finite number")
    if setting.kind is int and value != round(value):
        raise place.error(key, f"is {value:g}; write a whole number")
    return round(value) if setting.kind is int else setting.from_given(float(value))
