"""A bus recording with DBC files, as a log of signals."""

import dataclasses
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .bus_frames import Frames, read_trace
from .bus_signals import MAX_FILES, BusSignal, present, raw_numbers, read_dbc
from .log import LEFT_OUT, Journal, LogColumn, Samples, make_columns, printable
from .mdf_log import read_mdf_frames
from .word_values import WORDED, cell_reader


class BusLog:
    """A bus recording; see :class:`.log.Log`."""

    needs_time = False

    def __init__(self, path: Path, dbc: Sequence[Path], mdf: bool = False):
        if len(dbc) > MAX_FILES:
            raise InputError(f"{len(dbc)} DBC files given; at most {MAX_FILES} are read")
        self.path = path
        signals = [signal for file in dbc for signal in read_dbc(Path(file))]
        self._frames, signals = load_frames(path, signals, mdf)
        self._signals = _first_of_each(signals)
        kind = "MDF with frames of a bus" if mdf else "trace of a bus"
        count, messages = self._frames.time.size, len({s.identifier for s in self._signals})
        self.kind = f"{kind}, {count} frames of {messages} messages"
        self.columns = bus_columns(self._signals)

    def read(
        self,
        chosen: Mapping[str, LogColumn],
        time_unit: str,
        journal: Journal,
        optional: Collection[str] = (),
    ) -> dict[str, Samples]:
        """Return the values of the chosen signals, each with the times of its frames.

        Raises
        ------
        InputError
            A signal that is not optional holds no value.
        """
        samples = {}
        for name, column in chosen.items():
            signal = self._signals[column.place[0]]
            siblings = {s.name: s for s in self._signals if s.identifier == signal.identifier}
            time, values, beyond = signal_values(name, signal, siblings, self._frames)
            if np.isfinite(values).any():
                samples[name] = Samples(time, values)
            elif name in optional:
                journal.note(LEFT_OUT + name, 1, f"signal {column.name} holds no values")
            else:
                raise InputError(f"{self.path}: signal {column.name} holds no values")
            if beyond:
                text = f"{name}: values outside the range of the DBC file dropped: {beyond}"
                journal.note(f"{name}_beyond", beyond, text)
        journal.note("time_unit", 0, "time: s, of each frame")
        damaged = self._frames.damaged
        if damaged:
            journal.note("frames_damaged", damaged, f"damaged frames passed over: {damaged}")
        return samples

    def alike(self, columns: Sequence[LogColumn]) -> bool:
        """Return False: signals have time bases of their own, so they are asked for."""
        return False


def load_frames(
    path: Path, signals: Sequence[BusSignal], mdf: bool
) -> tuple[Frames, list[BusSignal]]:
    """Return the frames of a recording, and the signals of messages that occur in it."""
    wanted = {signal.identifier for signal in signals}
    frames = read_mdf_frames(path, wanted) if mdf else read_trace(path, wanted)
    seen = set(np.unique(frames.identifier).tolist())
    return frames, [signal for signal in signals if signal.identifier in seen]


def _first_of_each(signals: Sequence[BusSignal]) -> list[BusSignal]:
    """Return the signals, one of each message and name: the first DBC file wins."""
    return list({(s.identifier, s.name): s for s in reversed(signals)}.values())[::-1]


def bus_columns(signals: Sequence[BusSignal]) -> tuple[LogColumn, ...]:
    """Return a column for each signal, named MESSAGE.SIGNAL; the words are the signal's own."""
    names, units = [signal.name for signal in signals], [signal.unit for signal in signals]
    columns = make_columns(names, units, [(i,) for i in range(len(signals))])
    shown = [printable(f"{signal.message}.{signal.name}") for signal in signals]
    times, count = Counter(shown), Counter[str]()
    named = []
    for column, name in zip(columns, shown, strict=True):
        count[name] += 1
        own = name if times[name] == 1 else f"{name}#{count[name]}"
        named.append(dataclasses.replace(column, name=own))
    return tuple(named)


def signal_values(
    channel: str, signal: BusSignal, siblings: Mapping[str, BusSignal], frames: Frames
) -> tuple[np.ndarray, np.ndarray, int]:
    """Return times and values of a signal, and how many lay outside its range (now NaN).

    Numbers that stand for words are the gear or switch that the word means, else NaN.
    """
    time, data, lengths = frames.of(signal.identifier)
    there = present(signal, siblings, data, lengths)
    raw = raw_numbers(signal, data[there], lengths[there])
    values = signal.scale * raw + signal.offset
    beyond = np.zeros(values.size, dtype=bool)
    if signal.least is not None and signal.most is not None and signal.least < signal.most:
        slack = 1e-9 * (signal.most - signal.least) + 0.5 * abs(signal.scale)
        beyond = (values < signal.least - slack) | (values > signal.most + slack)
        values[beyond] = np.nan
    read = cell_reader(channel, ".") if channel in WORDED else None
    for number, word in signal.words.items():
        try:
            meant = np.nan if read is None else read(word)
        except ValueError:
            meant = np.nan
        if read is not None or not _counts(word):
            values[raw == number] = meant
    return time[there], values, int(np.count_nonzero(beyond))


def _counts(word: str) -> bool:
    """Return whether a word is a number with or without a unit, so that its value is one."""
    return word[:1].isdigit() or word[:1] == "-"
