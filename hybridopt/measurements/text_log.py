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
from .log import LEFT_OUT, Journal, LogColumn, Samples, make_columns
from .text_layout import find_layout
from .text_lines import read_lines, split_line
from .time_stamps import StampReader, to_seconds
from .word_values import cell_reader

MAX_ROWS = 20_000_000
BLANKS = frozenset(
    "- -- --- ? nan n/a na n.a. null none nil #n/a nodata no_data invalid missing unknown".split()
) | {"", "no data"}
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
        self.columns = tuple(
            dataclasses.replace(column, empty=empty, whole=whole)
            for column, (empty, whole) in zip(columns, traits, strict=True)
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
        stamps, decimal = StampReader(self._layout.decimal), self._layout.decimal
        time = _ColumnReader(chosen["time"], stamps.seconds)
        others = {
            signal: _ColumnReader(column, cell_reader(signal, decimal))
            for signal, column in chosen.items()
            if signal != "time"
        }
        for line, cells in self._rows():
            second = time.read(line, cells)
            if math.isnan(second):
                continue
            time.values.append(second)
            for column in others.values():
                column.values.append(column.read(line, cells))
            if len(time.values) > MAX_ROWS:
                raise InputError(f"{self.path}: has more than {MAX_ROWS} rows; cut the log")
        no_time = time.unreadable + time.blanks
        time.refuse_many(self.path, len(time.values) + no_time)
        for signal, column in list(others.items()):
            try:
                column.refuse_many(self.path, len(time.values))
            except InputError as error:
                if signal not in optional:
                    raise
                journal.note(LEFT_OUT + signal, 1, str(error).removeprefix(f"{self.path}: "))
                del others[signal]
        if not len(time.values):
            raise InputError(f"{self.path}: column {time.name} holds no time stamp")
        stated = time_unit or chosen["time"].unit
        logged = np.array(time.values)
        seconds, text = to_seconds(self.path, time.name, logged, stamps, stated)
        journal.note("time_unit", 0, f"time: {text}")
        if no_time:
            journal.note(
                "rows_without_time", no_time, f"rows without a time stamp dropped: {no_time}"
            )
        for signal, column in others.items():
            column.note(signal, journal)
        return {name: Samples(seconds, np.array(column.values)) for name, column in others.items()}

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
