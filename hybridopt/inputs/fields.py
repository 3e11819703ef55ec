"""Checked reading of one TOML table into a frozen dataclass.

Each field of a component says its key in files (with the unit in the key), the factor to SI and
the range allowed; :func:`read_section` does the rest, so that every component reports bad
input in the same words.
"""

import dataclasses
import difflib
import math
import reprlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from ..base.errors import InputError
from ..base.faults import Faults

Section = TypeVar("Section")
_SHORT = reprlib.Repr()
_SHORT.maxstring = _SHORT.maxother = 80
_SHORT.maxlevel = 2


@dataclass(frozen=True)
class Place:
    """Where a value was read: the TOML table, its file, and the files of keys from elsewhere."""

    file: Path
    table: str
    origin: Mapping[str, Path] = dataclasses.field(default_factory=dict)

    def file_of(self, key: str) -> Path:
        """Return the file that gives a key, or an entry `key[i]` of it."""
        return self.origin.get(key.partition("[")[0], self.file)

    def error(self, key: str, problem: str) -> InputError:
        """Return the error for one key: file, field, what is wrong and how to mend it."""
        name = key if key.isprintable() and len(key) <= 80 else shown(key)
        return InputError(f"{self.file_of(key)}: [{self.table}] {name}: {problem}")


def quantity(
    key: str,
    factor: float = 1.0,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    default: Any = dataclasses.MISSING,
) -> Any:
    """Declare a number (or list of numbers) of a component.

    Parameters
    ----------
    key
        Name in TOML files, ending in the unit.
    factor
        Multiplies the value of the file to give SI.
    low, high
        Smallest and largest value allowed, in the unit of the file.
    default
        SI value when the key is absent; without it the key is required.
    """
    meta = {"key": key, "factor": factor, "low": low, "high": high}
    return dataclasses.field(default=default, metadata=meta)


def ranges(key: str, factor: float = 1.0, *, low: float, high: float) -> Any:
    """Declare a list of ranges of a component, `[[from, to], ...]`; without the key it is empty.

    Parameters are those of :func:`quantity`.
    """
    meta = {"key": key, "factor": factor, "low": low, "high": high, "ranges": True}
    return dataclasses.field(default=(), metadata=meta)


def switch(key: str, default: bool | None) -> Any:
    """Declare a true/false function switch of a component."""
    return dataclasses.field(default=default, metadata={"key": key})


def choice(key: str, words: tuple[str, ...], default: str) -> Any:
    """Declare a word of a component, one of `words`."""
    return dataclasses.field(default=default, metadata={"key": key, "words": words})


def read_section(
    cls: type[Section], table: dict[str, Any], place: Place, /, **given: Any
) -> Section:
    """Build the dataclass `cls` from a TOML table.

    Parameters
    ----------
    table
        The TOML table, keys with units.
    place
        Where it came from, for messages.
    given
        Fields read elsewhere (maps and curves), by field name.

    Raises
    ------
    InputError
        Keys are missing, unknown, of the wrong type or out of range.
    """
    return cls(**given, **read_values(cls, table, place))


def read_values(cls: type, table: dict[str, Any], place: Place) -> dict[str, Any]:
    """Return the values of a TOML table for the fields of a dataclass, by field.

    Parameters and errors are those of :func:`read_section`.
    """
    fields = {f.metadata["key"]: f for f in dataclasses.fields(cls) if "key" in f.metadata}
    values: dict[str, Any] = {}
    faults = Faults()
    with faults.caught():
        refuse_unknown(table, set(fields), place)
    for key, field in fields.items():
        with faults.caught():
            if key in table:
                values[field.name] = _value(table[key], field, place, key)
            elif field.default is dataclasses.MISSING:
                raise place.error(key, "is missing; add it with its value in the unit of its name")
    faults.raise_found()
    return values


def refuse_unknown(table: dict[str, Any], known: set[str], place: Place) -> None:
    """Raise InputError for keys that are not `known`, naming the nearest one that is."""
    faults = Faults()
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, sorted(known), n=1)
            hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(sorted(known))}"
            faults.add(place.error(key, f"is not known here; {hint}").sentences)
    faults.raise_found()


def _value(raw: Any, field: "dataclasses.Field[Any]", place: Place, key: str) -> Any:
    if "words" in field.metadata:
        if raw not in field.metadata["words"]:
            words = ", ".join(repr(word) for word in field.metadata["words"])
            raise place.error(key, f"is {shown(raw)}; write one of {words}")
        return raw
    if "factor" not in field.metadata:
        if not isinstance(raw, bool):
            raise place.error(key, f"is {shown(raw)}; write true or false")
        return raw
    if "ranges" in field.metadata:
        return _ranges(raw, field, place, key)
    is_list = str(field.type).startswith("tuple")
    if isinstance(raw, list) and is_list:
        faults, numbers = Faults(), []
        for i, item in enumerate(raw):
            with faults.caught():
                numbers.append(_number(item, field, place, f"{key}[{i}]"))
        faults.raise_found()
        return tuple(numbers)
    if is_list:
        raise place.error(key, f"is {shown(raw)}; write a list of numbers, one per gear")
    return _number(raw, field, place, key)


def _ranges(
    raw: Any, field: "dataclasses.Field[Any]", place: Place, key: str
) -> tuple[tuple[float, float], ...]:
    """Return ranges, each a pair of numbers in rising order."""
    read = []
    for item in raw if isinstance(raw, list | tuple) else [raw]:
        pair = item if isinstance(item, list | tuple) and len(item) == 2 else None
        if pair is None:
            raise place.error(key, f"is {shown(raw)}; write a list of ranges, [[from, to], ...]")
        first, last = (_number(end, field, place, key) for end in pair)
        if not first < last:
            raise place.error(key, f"has the range {shown(item)}; its end must be above its start")
        read.append((first, last))
    return tuple(read)


def _number(raw: Any, field: "dataclasses.Field[Any]", place: Place, key: str) -> float:
    low, high = field.metadata["low"], field.metadata["high"]
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not abs(raw) < math.inf:
        raise place.error(key, f"is {shown(raw)}; write a finite number")
    if not low <= raw <= high:
        raise place.error(key, f"is {_short(raw)}; allowed is {_range_text(low, high)}")
    factor: float = field.metadata["factor"]
    return float(raw) * factor


def _short(raw: float) -> str:
    return f"{raw:g}" if abs(raw) < 1e300 else "too large"  # an integer of any length may come


def _range_text(low: float, high: float) -> str:
    if math.isinf(high):
        return f"{low:g} or more"
    if math.isinf(low):
        return f"{high:g} or less"
    return f"{low:g} to {high:g}"


def shown(raw: Any) -> str:
    """Return a value of a file as messages show it: short, on one line, whatever it is."""
    try:
        return _SHORT.repr(raw)
    except ValueError:  # Python refuses to print integers of thousands of digits
        return "a number of thousands of digits"
