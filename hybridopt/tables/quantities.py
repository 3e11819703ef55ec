"""What the files of tables hold: quantities with names, units and ranges, and checks of values."""

import hashlib
import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

from ..base.errors import InputError
from ..inputs.fields import shown

MAX_VALUE = 1e9  # in the unit of files; larger ones are slips of the keyboard


class TableQuantity(NamedTuple):
    """Name and SI unit of a quantity, and its unit in files for people.

    Attributes
    ----------
    name : in files with SI units
    unit : SI
    file_unit : as in the key, such as km/h
    factor : times a value in `file_unit` gives SI
    low, high : range of an axis, or of a constant, in `file_unit`
    """

    name: str
    unit: str
    file_unit: str
    factor: float
    low: float
    high: float


def fault(value: float, quantity: TableQuantity, factor: float = 1.0) -> str:
    """Return what is wrong with a value, or nothing.

    Parameters
    ----------
    value
        In the unit of files, or in SI.
    quantity
        What it is.
    factor
        That of the quantity where the value is in SI.
    """
    low, high = quantity.low * factor, quantity.high * factor
    room = 1e-9 * max(abs(low), abs(high))
    if math.isfinite(value) and low - room <= value <= high + room:
        return ""
    unit = quantity.unit if factor != 1.0 else quantity.file_unit
    unit = "" if unit == "1" else f" {unit}"
    return f"is {value:g}; allowed is a number from {low:g} to {high:g}{unit}"


def unit_factor(unit: object, quantity: TableQuantity, place: str) -> float:
    """Return what a value in a unit that a file states is multiplied by for SI.

    Raises
    ------
    InputError
        It is neither the unit of SI nor that of the trade; `place` says where it stands.
    """
    units = {quantity.file_unit: quantity.factor, quantity.unit: 1.0}
    if not isinstance(unit, str) or unit not in units:
        allowed = " or ".join(sorted(units, reverse=True))
        raise InputError(f"{place}: unit is {shown(unit)}; allowed is {allowed}")
    return units[unit]


def check_axis(axis: Sequence[float] | np.ndarray, places: Sequence[str]) -> None:
    """Raise InputError where an axis does not increase; `places` says where each value stands."""
    for i in range(1, len(axis)):
        if not axis[i] > axis[i - 1]:
            raise InputError(
                f"{places[i]}: is {axis[i]:g} after {axis[i - 1]:g}; an axis must increase, so "
                "sort it, with its values, and give each point once"
            )


def digest(arrays: Iterable[np.ndarray]) -> str:
    """Return the SHA-256 of values and shapes, hexadecimal; it changes when a cell is edited."""
    found = hashlib.sha256()
    for array in arrays:
        found.update(repr(array.shape).encode())
        found.update((np.ascontiguousarray(array, dtype="<f8") + 0.0).tobytes())  # no -0
    return found.hexdigest()
