"""Text logs: CSV and its relatives, read as a stream and only in the columns asked for.

Row by row in plain Python: readers of whole tables let a broken quote swallow the rest of a file,
or hold its text in memory.
"""

import dataclasses
import math
from array import array
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .column_clocks import own_clocks
from .log import LEFT_OUT, Journal, LogColumn, Samples, make_columns
from .text_layout import find_layout
from .text_lines import read_lines, split_line
from .time_stamps import UNSTATED, StampReader, to_seconds
from .word_values import cell_reader

MAX_ROWS = 20_000_000
BLANKS = frozenset(
    "- -- --- ? nan n/a na n.a. null none nil #n/a nodata no_data invalid missing unknown sna nv "
    "#nv #na #div/0! #wert! #value! *** init inf +inf -inf infinity".split()
) | {"", "no data", "not available", "signal not available"}
UNREADABLE_SHARE = 0.1  # of the filled cells of a column


class TextLog:
    """A text log, its layout found; see :class:`.log.Log`."""

    needs_time = True

    def __init__(self, path: Path):
        self.path = path
        self._layout = find_layout(path)
        self.kind = self._layout.text
        names, traits = self._layout.names, self._layout.traits
        columns = make_columns(names, self._layout.units, [(i,) for i in range(len(names))])
        self._clocks = own_clocks(columns)
        if self._clocks and self.alike([columns[i] for i in sorted(set(self._clocks))]):
            self._clocks = ()
        if self._clocks:
            self.kind += ", each column by the column of time before it"
        self._all = tuple(
            dataclasses.replace(column, empty=empty, whole=whole)
            for column, (empty, whole) in zip(columns, traits, strict=True)
        )
        self.columns = tuple(
            dataclasses.replace(column, words="time") if i == 0 and self._clocks else column
            for i, column in enumerate(self._all)
            if not self._clocks or i == 0 or self._clocks[i] != i
        )

    def read(
        self,
        chosen: Mapping[str, LogColumn],
        time_unit: str,
        journal: Journal,
        optional: Collection[str] = (),
    ) -> dict[str, Samples]:
        """Read the chosen columns in one pass.

        Parameters
        ----------
        chosen
            Column by signal, `time` among them.
        time_unit
            Unit of bare numbers of time, "" where the file's own word counts.
        journal
            Takes what is done.
        optional
            Signals that are left out where too much of them is no value.

        Raises
        ------
        InputError
            Too many rows, or too much in a column is neither number nor blank.
        """
        groups = self._groups(chosen)
        for row, (line, cells) in enumerate(self._rows()):
            for group in groups:
                group.read(line, cells)
            if row >= MAX_ROWS:
                raise InputError(f"{self.path}: has more than {MAX_ROWS} rows; cut the log")
        samples, text = {}, ""
        for group in groups:
            group.refuse_many(self.path, journal, optional)
            if text:  # the first tells the unit of those that state none
                stated = group.unit or time_unit or ("s" if text == UNSTATED else "")
                seconds, _ = group.seconds(self.path, stated)
            else:
                seconds, text = group.seconds(self.path, time_unit or group.unit)
                journal.note("time_unit", 0, f"time: {text}")
            lost = group.time.unreadable + (0 if self._clocks else group.time.blanks)
            if lost:
                words = f"rows without a time stamp dropped: {lost}"
                journal.note("rows_without_time", lost, words)
            for signal, column in group.columns.items():
                column.note(signal, journal)
                samples[signal] = Samples(seconds, np.array(column.values))
        return {signal: samples[signal] for signal in chosen if signal in samples}

    def _groups(self, chosen: Mapping[str, LogColumn]) -> "list[_Group]":
        """Return the columns chosen by their columns of time, that of the channel `time` first."""
        first, decimal = chosen["time"], self._layout.decimal
        groups = {first.place[0]: _Group(first, decimal)}
        for signal, column in chosen.items():
            if signal != "time":
                clock = self._clocks[column.place[0]] if self._clocks else first.place[0]
                group = groups.setdefault(clock, _Group(self._all[clock], decimal))
                group.columns[signal] = _ColumnReader(column, cell_reader(signal, decimal))
        return [group for group in groups.values() if group.columns]

    def alike(self, columns: Sequence[LogColumn]) -> bool:
        """Return whether the columns hold the same in every row."""
        places = [column.place[0] for column in columns]
        return all(
            len({cells[i] if i < len(cells) else "" for i in places}) == 1
            for _, cells in self._rows()
        )

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        """Yield line number and cells of each line that is not blank, from the first numbers on."""
        layout, first = self._layout, self._layout.first
        lines = islice(read_lines(self.path, layout.encoding), first, None)
        for line, text in enumerate(lines, start=first + 1):
            if text.strip():
                yield line, split_line(text, layout.delimiter)


class _ColumnReader:
    """Reads the cells of a column, and counts those that hold no value."""

    def __init__(self, column: LogColumn, parse: Callable[[str], float]) -> None:
        self.name, self.index, self.parse = column.name, column.place[0], parse
        self.values = array("d")
        self.unreadable, self.blanks = 0, 0
        self.first = (0, "")  # line and cell of the first unreadable one

    def read(self, line: int, cells: list[str]) -> float:
        """Return the value in a row, NaN where it has none."""
        cell = cells[self.index] if self.index < len(cells) else ""
        try:
            return self.parse(cell)
        except ValueError:
            if cell.lower() in BLANKS:
                self.blanks += 1
            else:
                self.first = self.first if self.unreadable else (line, cell[:40])
                self.unreadable += 1
            return math.nan

    def refuse_many(self, path: Path, rows: int) -> None:
        """Refuse a column of `rows` cells of which many are unreadable."""
        if self.unreadable > UNREADABLE_SHARE * max(rows - self.blanks, 0):
            line, cell = self.first
            raise InputError(
                f"{path}: line {line}: {self.name} is {cell!r}, and {self.unreadable} cells of "
                "that column are no numbers; name another column, or mend the file"
            )

    def note(self, signal: str, journal: Journal) -> None:
        """Note the cells without a value."""
        if self.unreadable:
            line, cell = self.first
            text = f"unreadable cells dropped: {self.unreadable}, first {cell!r} in line {line}"
            journal.note(f"{signal}_unreadable", self.unreadable, f"{signal}: {text}")
        if self.blanks:
            text = f"{signal}: blank cells passed over: {self.blanks}"
            journal.note(f"{signal}_blank", self.blanks, text)


class _Group:
    """A column of time and those that go by it."""

    def __init__(self, clock: LogColumn, decimal: str) -> None:
        self.stamps, self.unit = StampReader(decimal), clock.unit
        self.time = _ColumnReader(clock, self.stamps.seconds)
        self.columns: dict[str, _ColumnReader] = {}

    def read(self, line: int, cells: list[str]) -> None:
        """Take a row, if it has a stamp."""
        second = self.time.read(line, cells)
        if not math.isnan(second):
            self.time.values.append(second)
            for column in self.columns.values():
                column.values.append(column.read(line, cells))

    def refuse_many(self, path: Path, journal: Journal, optional: Collection[str]) -> None:
        """Refuse columns with many unreadable cells; optional ones are left out and noted."""
        self.time.refuse_many(path, len(self.time.values) + self.time.unreadable + self.time.blanks)
        for signal, column in list(self.columns.items()):
            try:
                column.refuse_many(path, len(self.time.values))
            except InputError as error:
                if signal not in optional:
                    raise
                journal.note(LEFT_OUT + signal, 1, str(error).removeprefix(f"{path}: "))
                del self.columns[signal]

    def seconds(self, path: Path, stated: str) -> tuple[np.ndarray, str]:
        """Return the stamps in s, and what was taken as what."""
        if not len(self.time.values):
            raise InputError(f"{path}: column {self.time.name} holds no time stamp")
        logged = np.array(self.time.values)
        return to_seconds(path, self.time.name, logged, self.stamps, stated)
