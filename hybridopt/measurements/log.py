"""A recorded log as named columns, whatever kind of file it is."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from .units import split_unit

MAX_BYTES = 2_000_000_000
NAME_LENGTH = 120


@dataclass(frozen=True)
class Column:
    """One column or channel of a log.

    Attributes
    ----------
    name
        As in the file, made printable; repeated names end in #1, #2 and so on.
    words, unit
        The name without its unit, and the unit the file states ("" where it states none).
    place
        What the log needs to find it again.
    """

    name: str
    words: str
    unit: str
    place: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Samples:
    """Values of one signal with their time stamps, s; NaN marks a blank. Shape (n,) each."""

    time: np.ndarray
    values: np.ndarray

    def pick(self, which: np.ndarray | slice) -> "Samples":
        """Return the samples marked, listed or sliced by `which`."""
        return Samples(self.time[which], self.values[which])


@dataclass(frozen=True)
class Intervention:
    """One thing done to the data: a word for machines, how often, and a sentence for people."""

    name: str
    count: int
    text: str


class Log(Protocol):
    """What a log of any kind can do."""

    path: Path
    kind: str
    columns: tuple[Column, ...]
    needs_time: bool

    def read(
        self, chosen: Mapping[str, Column], time_unit: str
    ) -> tuple[dict[str, Samples], list[Intervention]]:
        """Return the samples of the chosen columns by signal, in the file's unit."""
        ...


def make_columns(names: list[str], units: list[str], places: list[tuple[int, ...]]) -> list[Column]:
    """Return columns with printable names that differ from each other."""
    shown = [printable(raw) or f"column {p[-1] + 1}" for raw, p in zip(names, places, strict=True)]
    times = Counter(shown)
    number: Counter[str] = Counter()
    columns = []
    for name, stated, place in zip(shown, units, places, strict=True):
        number[name] += 1
        words, unit = split_unit(name)
        own = name if times[name] == 1 else f"{name}#{number[name]}"
        columns.append(Column(own, words, printable(stated) or unit, place))
    return columns


def printable(text: str) -> str:
    """Return text on one line without control characters, at most `NAME_LENGTH` long."""
    shown = "".join(c if c.isprintable() else " " for c in text[: 4 * NAME_LENGTH])
    return " ".join(shown.split())[:NAME_LENGTH]
