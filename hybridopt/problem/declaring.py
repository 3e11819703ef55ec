"""A setting declared once: default, unit, range and help; its other forms follow from these.

A field of a dataclass made by :func:`setting` says all there is to know of it; :func:`declared`
returns that by name, as a :class:`Declaration`, which gives the check with its message, the option
of the command line, the key of study files and the row of a table of settings.
"""

import dataclasses
import math
import numbers
import types
import typing
from typing import Any, NamedTuple

from ..base.errors import InputError


class NumberKind(NamedTuple):
    """Unit in which people give a number, what that is inside, and the range allowed inside."""

    suffix: str  # of options, and of keys in files
    symbol: str
    inside: str
    factor: float  # multiplies a number in this unit to give the one inside
    low: float
    high: float
    above: bool = False  # `low` itself is not allowed

    def holds(self, value: Any) -> bool:
        """Return whether a value is a number within the range."""
        if not isinstance(value, numbers.Real):
            return False
        return self.low <= float(value) <= self.high and not (self.above and value == self.low)

    def range(self, factor: float) -> str:
        """Return the range in words, divided by a factor."""
        low, high = f"{self.low / factor:.7g}", f"{self.high / factor:.7g}"
        if self.above:
            return f"above {low}" + (f", up to {high}" if self.high < math.inf else "")
        return f"{low} to {high}"


PLAIN = NumberKind("", "", "", 1.0, -math.inf, math.inf)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Declaration:
    """What a setting is: a number, one of some words, or true or false; `kind` is its type.

    A number with words is not checked here: they only say what is allowed.
    """

    name: str = ""
    kind: type = bool
    default: Any
    help: str
    number: NumberKind = PLAIN
    words: tuple[str, ...] = ()
    metavar: str = ""  # for a value in the help of the command line, where the unit does not do

    @property
    def key(self) -> str:
        """Key in study files, with the unit."""
        return f"{self.name}_{self.number.suffix}".rstrip("_")

    @property
    def option(self) -> str:
        """Option of the command line, with the unit."""
        return "--" + self.key.replace("_", "-").lower()

    @property
    def refusal(self) -> str:
        """Option of the command line that says no, where that is not the default anyway."""
        return "--no-" + self.option[2:]

    @property
    def usual(self) -> str:
        """Default as people give it; empty where there is none."""
        return "" if self.default is None else self.written(self.default)

    @property
    def range(self) -> str:
        """Values allowed as people give them, without the unit."""
        return " or ".join(self.words) or self.number.range(self.number.factor)

    @property
    def allowed(self) -> str:
        """Values allowed inside and, where those are other numbers, as people give them."""
        inside = " or ".join(self.words) or self.number.range(1.0)
        more = f" ({self.range} {self.number.symbol})" if inside != self.range else ""
        return f"{inside} {self.number.inside}".rstrip() + more

    def check(self, value: Any) -> None:
        """Raise InputError unless the value is allowed; None is where it is the default."""
        if value is None and self.default is None:
            return
        if self.kind is bool:
            good = value in (True, False)
        elif self.words:
            good = self.kind is int or value in self.words
        else:
            good = self.number.holds(value)
        if not good:
            raise InputError(f"setting {self.name} is {value!r}; allowed is {self.allowed}")

    def from_given(self, value: Any) -> Any:
        """Return the setting of a value that people give."""
        return value * self.number.factor if self.kind is float else value

    def written(self, value: Any) -> str:
        """Return a value of the setting as people give it."""
        if self.kind is float:
            return f"{value / self.number.factor:.12g}"
        return str(value).lower() if self.kind is bool else str(value)

    def arguments(self, value: Any) -> list[str]:
        """Return the words that give a command a value other than the default."""
        if self.kind is bool:
            return [self.option if value else self.refusal]
        return [self.option, self.written(value)]


def setting(default: Any, text: str, number: NumberKind = PLAIN, **more: Any) -> Any:
    """Declare a field of a dataclass as a setting.

    Parameters
    ----------
    default
        Value inside; None where the driveline or the cycle decides, or for no limit.
    text
        What it is, for people; one or two sentences.
    number
        Unit and range, where it is a number.
    **more
        Attributes of :class:`Declaration`.
    """
    if isinstance(default, bool):
        more["words"] = ("true", "false")
    declaration = Declaration(default=default, help=text, number=number, **more)
    return dataclasses.field(default=default, metadata={"setting": declaration})


def declared(cls: Any) -> dict[str, Declaration]:
    """Return the declarations of a dataclass whose fields are settings, by name and in order."""
    found = {}
    for field in dataclasses.fields(cls):
        kinds = [k for k in typing.get_args(field.type) if k is not types.NoneType] or [field.type]
        declaration = field.metadata["setting"]
        found[field.name] = dataclasses.replace(declaration, name=field.name, kind=kinds[0])
    return found


def parameters(settings: dict[str, Declaration]) -> str:
    """Return the sections "Parameters" and "Raises" of the docstring of a dataclass of settings."""
    lines = ["Parameters", "----------"]
    for one in settings.values():
        lines += [f"{one.name} : {one.kind.__name__}, {one.allowed}; default {one.default!r}"]
        lines += [f"    {one.help}"]
    lines += ["", "Raises", "------", "InputError"]
    return "\n".join([*lines, "    A setting is out of range; the message names it."])


def guide_rows(settings: dict[str, Declaration]) -> list[tuple[str, ...]]:
    """Return option, key of study files, unit, range, default and help of each setting."""
    return [(s.option, s.key, s.number.symbol, s.range, s.usual, s.help) for s in settings.values()]
