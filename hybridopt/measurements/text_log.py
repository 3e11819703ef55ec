"""Text logs: CSV and its relatives, read as a stream and only in the columns asked for."""

import math
from array import array
from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .log import Column, Intervention, Samples, make_columns
from .text_layout import find_layout
from .text_lines import read_lines, split_line
from .time_stamps import StampReader, number, to_seconds

MAX_ROWS = 20_000_000
BLANKS = ("", "-", "nan", "n/a", "na", "null", "none", "nil", "#n/a")
UNREADABLE_SHARE = 0.1  # of the filled cells of a column


class TextLog:
    """A text log, its layout found; see :class:`hybridopt.measurements.log.Log`."""

    needs_time = True

    def __init__(self, path: Path):
        self.path = path
        self._layout = find_layout(path)
        self.kind = self._layout.text
        names, units = list(self._layout.names), list(self._layout.units)
        self.columns = tuple(make_columns(names, units, [(i,) for i in range(len(names))]))

    def read(
        self, chosen: Mapping[str, Column], time_unit: str
    ) -> tuple[dict[str, Samples], list[Intervention]]:
        """Read the chosen columns in one pass.

        Parameters
        ----------
        chosen
            Column by signal, `time` among them.
        time_unit
            Unit of bare numbers of time, "" where the file's own word counts.

        Raises
        ------
        InputError
            Too many rows, or too much in a column is neither number nor blank.
        """
        stamps = StampReader(self._layout.decimal)
        time = array("d")
        values = {signal: array("d") for signal in chosen if signal != "time"}
        bad = {signal: _Unreadable() for signal in chosen}
        for line, cells in self._rows():
            second = stamps.seconds(_cell(cells, chosen["time"]))
            if math.isnan(second):
                bad["time"].note(line, _cell(cells, chosen["time"]))
                continue
            time.append(second)
            for signal, column in values.items():
                column.append(self._value(cells, chosen[signal], line, bad[signal]))
            if len(time) > MAX_ROWS:
                raise InputError(f"{self.path}: has more than {MAX_ROWS} rows; cut the log")
        no_time = bad["time"].count + bad["time"].blanks
        for signal, seen in bad.items():
            rows = len(time) + (no_time if signal == "time" else 0)
            seen.refuse_many(self.path, chosen[signal].name, rows)
        if not len(time):
            raise InputError(f"{self.path}: column {chosen['time'].name} holds no time stamp")
        stated = time_unit or chosen["time"].unit
        seconds, text = to_seconds(
            self.path, chosen["time"].name, np.array(time), stamps.kinds, stated
        )
        done = [Intervention("time_unit", 0, f"time: {text}")]
        if no_time:
            text = f"rows without a time stamp dropped: {no_time}"
            done.append(Intervention("rows_without_time", no_time, text))
        for signal in values:
            done += bad[signal].told(signal)
        return {name: Samples(seconds, np.array(column)) for name, column in values.items()}, done

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        """Yield line number and cells of each line that is not blank, from the first numbers on."""
        layout, first = self._layout, self._layout.first
        lines = islice(read_lines(self.path, layout.encoding), first, None)
        for line, text in enumerate(lines, start=first + 1):
            if text.strip():
                yield line, split_line(text, layout.delimiter)

    def _value(self, cells: list[str], column: Column, line: int, bad: "_Unreadable") -> float:
        cell = _cell(cells, column)
        try:
            return number(cell, self._layout.decimal)
        except ValueError:
            bad.note(line, cell)
            return math.nan


class _Unreadable:
    """Counts the cells of a column that hold something other than a number or nothing."""

    def __init__(self) -> None:
        self.count, self.line, self.cell, self.blanks = 0, 0, "", 0

    def note(self, line: int, cell: str) -> None:
        if cell.lower() in BLANKS:
            self.blanks += 1
            return
        if not self.count:
            self.line, self.cell = line, cell[:40]
        self.count += 1

    def refuse_many(self, path: Path, name: str, rows: int) -> None:
        filled = rows - self.blanks
        if self.count > UNREADABLE_SHARE * max(filled, 0):
            raise InputError(
                f"{path}: line {self.line}: {name} is {self.cell!r}, and {self.count} cells of "
                "that column are no numbers; name another column, or mend the file"
            )

    def told(self, signal: str) -> list[Intervention]:
        done = []
        if self.count:
            text = f"{signal}: unreadable cells dropped: {self.count}, first {self.cell!r} in line "
            done.append(Intervention(f"{signal}_unreadable", self.count, text + str(self.line)))
        if self.blanks:
            text = f"{signal}: blank cells passed over: {self.blanks}"
            done.append(Intervention(f"{signal}_blank", self.blanks, text))
        return done


def _cell(cells: list[str], column: Column) -> str:
    index = column.place[0]
    return cells[index] if index < len(cells) else ""
