"""A recorded log as named columns, whatever kind of file it is."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from .units import split_unit

MAX_BYTES = 2_000_000_000
NAME_LENGTH = 120


@dataclass(frozen=True)
class LogColumn:
    """One column or channel of a log.

    Attributes
    ----------
    name
        As in the file, made printable; repeated names end in #1, #2 and so on.
    words, unit
        The name without its unit, and the unit the file states ("" where it states none).
    place
        What the log needs to find it again.
    empty, whole
        Whether the first lines of the log hold no value of it, or whole numbers up to 255 only
        (False where the log does not tell).
    """

    name: str
    words: str
    unit: str
    place: tuple[int, ...]
    empty: bool = False
    whole: bool = False


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


LEFT_OUT = "left_out_"
"""How the name of an intervention begins that tells why a signal was left out."""


class Journal(list[Intervention]):
    """Everything done to the data of a log, in order; each stage of an import adds to it."""

    def note(self, name: str, count: int, text: str) -> None:
        """Add an intervention."""
        self.append(Intervention(name, count, text))

    def note_marked(self, name: str, marked: np.ndarray, text: str) -> None:
        """Add an intervention on the marked samples, if there are any; `{}` takes their number."""
        count = int(np.count_nonzero(marked))
        if count:
            self.note(name, count, text.replace("{}", str(count)))


class Log(Protocol):
    """What a log of any kind can do."""

    path: Path
    kind: str
    columns: tuple[LogColumn, ...]
    needs_time: bool

    def read(
        self,
        chosen: Mapping[str, LogColumn],
        time_unit: str,
        journal: Journal,
        optional: Collection[str] = (),
    ) -> dict[str, Samples]:
        """Return the samples of the chosen columns by signal, in the file's unit.

        Signals that are `optional` are left out where they cannot be read, and the journal says
        why under the name `left_out_SIGNAL`.
        """
        ...

    def alike(self, columns: Sequence[LogColumn]) -> bool:
        """Return whether the columns hold the same in every row."""
        ...


def make_columns(
    names: Sequence[str], units: Sequence[str], places: Sequence[tuple[int, ...]]
) -> tuple[LogColumn, ...]:
    """Return columns with printable names that differ from each other."""
    shown = [printable(raw) or f"column {p[-1] + 1}" for raw, p in zip(names, places, strict=True)]
    times = Counter(shown)
    number: Counter[str] = Counter()
    columns = []
    for name, stated, place in zip(shown, units, places, strict=True):
        number[name] += 1
        words, unit = split_unit(name)
        own = name if times[name] == 1 else f"{name}#{number[name]}"
        columns.append(LogColumn(own, words, printable(stated) or unit, place))
    return tuple(columns)


def printable(text: str) -> str:
    """Return text on one line without control characters, at most `NAME_LENGTH` long."""
    shown = "".join(c if c.isprintable() else " " for c in text[: 4 * NAME_LENGTH])
    return " ".join(shown.split())[:NAME_LENGTH]
