"""ASAM MDF 3 and 4 logs, read by asammdf in a process of its own (`mdf_child.py`)."""

import importlib.util
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

import numpy as np

from ..base.errors import FailedError, InputError
from .bus_frames import Frames
from .log import LEFT_OUT, Journal, LogColumn, Samples, make_columns, printable
from .mdf_child import (
    ALWAYS,
    FRAME,
    FRAMES,
    MAX_RATIO,
    MAX_SAMPLES,
    NO_FRAMES,
    NO_MEMORY,
    PACKED,
    TOO_LARGE,
)
from .text_log import BLANKS
from .word_values import cell_reader

CHILD = Path(__file__).with_name("mdf_child.py")
PATIENCE = 600.0  # s
_NO_ROOM = b"Memory allocation still failed"  # what the library of linear algebra says
UNFINISHED = b"UnFin"
"""How an MDF file begins that its logger did not close."""


class MdfLog:
    """An MDF log; see :class:`.log.Log`."""

    needs_time = False

    def __init__(self, path: Path, finished: bool = True):
        self.path, self._finished = path, finished
        whole = "" if finished else " (never finished; what it holds was counted anew)"
        self.kind = f"MDF{whole}, each channel with its own time base"
        records = json.loads(ask_child(path, finished))
        self.columns = make_columns(
            [record["name"] for record in records],
            [record["unit"] for record in records],
            [tuple(record["place"]) for record in records],
        )

    def read(
        self,
        chosen: Mapping[str, LogColumn],
        time_unit: str,
        journal: Journal,
        optional: Collection[str] = (),
    ) -> dict[str, Samples]:
        """Read the chosen channels, each with its own time stamps.

        Raises
        ------
        InputError
            A channel cannot be read as numbers, or the file is damaged.
        """
        samples = {}
        with tempfile.TemporaryDirectory(prefix="hybridopt-") as folder:
            places = {signal: ":".join(map(str, c.place)) for signal, c in chosen.items()}
            told = ask_child(self.path, self._finished, folder, *places.values())
            reasons = json.loads(told) if told else {}
            for signal, place in places.items():
                stem = Path(folder) / place.replace(":", "_")
                try:
                    samples[signal] = self._load(signal, chosen[signal], stem, reasons.get(place))
                except InputError as error:
                    if signal not in optional:
                        raise
                    journal.note(LEFT_OUT + signal, 1, str(error).removeprefix(f"{self.path}: "))
        journal.note("time_unit", 0, "time: s, of each channel's time base")
        return samples

    def _load(self, signal: str, column: LogColumn, stem: Path, reason: str | None) -> Samples:
        """Return what the child wrote of a channel, words as the values that they stand for."""
        if reason is not None:
            raise InputError(
                f"{self.path}: cannot be read as MDF ({printable(reason)}); it is damaged, or the "
                f"channel {column.name} holds no numbers"
            )
        time, values = (np.load(f"{stem}_{kind}.npy") for kind in ("time", "values"))
        if values.dtype.kind == "S":
            values = self._in_words(signal, column, values)
        samples = Samples(time, values).pick(np.isfinite(time))
        if not np.isfinite(samples.values).any():
            raise InputError(f"{self.path}: channel {column.name} holds no values")
        return samples

    def _in_words(self, signal: str, column: LogColumn, cells: np.ndarray) -> np.ndarray:
        """Return the values that a channel of words stands for, NaN for blanks."""
        words, places = np.unique(cells, return_inverse=True)
        read, values = cell_reader(signal, "."), np.full(words.size, np.nan)
        for number, word in enumerate(words.tolist()):
            cell = word.decode("utf-8", "replace").strip("\0 ")
            try:
                values[number] = read(cell)
            except ValueError:
                if cell.lower() not in BLANKS:
                    raise InputError(
                        f"{self.path}: cannot be read as MDF numbers: the channel {column.name} "
                        f"holds no numbers but words such as {printable(cell)[:40]!r}"
                    ) from None
        return values[places]

    def alike(self, columns: Sequence[LogColumn]) -> bool:
        """Return False: channels have time bases of their own, so they are asked for."""
        return False


def ask_child(path: Path, finished: bool, *request: str) -> str:
    """Run the child on this file and return what it prints; its own files go when it ends."""
    if importlib.util.find_spec("asammdf") is None:
        raise InputError(
            f"{path}: is an MDF file, and reading it needs the package asammdf; install it "
            "with: python -m pip install 'hybridopt[mdf]'"
        )
    command = [sys.executable, "-P", str(CHILD), str(path.resolve()), *request]
    try:
        with tempfile.TemporaryDirectory(prefix="hybridopt-") as own:
            places = os.environ | dict.fromkeys(("TMPDIR", "TEMP", "TMP"), own)
            done = subprocess.run(
                command, capture_output=True, timeout=PATIENCE, check=False, env=places
            )
    except subprocess.TimeoutExpired:
        raise InputError(f"{path}: reading took more than {PATIENCE:g} s; is it damaged?") from None
    if done.returncode == NO_MEMORY or done.returncode and _NO_ROOM in done.stderr:
        raise FailedError(
            f"{path}: the memory that a process may use here is too little to read it as "
            "MDF; raise the limit (ulimit -v), or export the log as CSV"
        )
    if done.returncode == TOO_LARGE:
        raise InputError(
            f"{path}: claims more than {MAX_SAMPLES} samples in a channel or more than it "
            "holds, or too many channels; cut the log, or mend it"
        )
    if done.returncode == PACKED:
        raise InputError(
            f"{path}: would unpack to more than {MAX_RATIO} times its size and "
            f"{ALWAYS / 1e6:g} MB; store it without compression"
        )
    if done.returncode == NO_FRAMES:
        raise InputError(
            f"{path}: holds no frames of a bus (channel {FRAME}), so DBC files say nothing of it; "
            "leave them out"
        )
    if done.returncode and not finished:
        raise InputError(
            f"{path}: is an MDF file that was never finished, and its content cannot be "
            f"counted anew ({_reason(done)}); let the logger or its software close it, or "
            "export it as CSV"
        )
    if done.returncode:
        raise InputError(
            f"{path}: cannot be read as MDF ({_reason(done)}); it is damaged, or the "
            "channel holds no numbers"
        )
    return done.stdout.decode("utf-8", "replace")


def read_mdf_frames(path: Path, wanted: Collection[int]) -> Frames:
    """Return the frames of the messages wanted, see :class:`.bus_frames.Frames`.

    Raises
    ------
    InputError
        The file is damaged, or holds no frames or none that is wanted.
    """
    with tempfile.TemporaryDirectory(prefix="hybridopt-") as folder:
        ask_child(path, True, folder, FRAMES)
        time, identifier, length, content = (
            np.load(Path(folder) / f"{name}.npy")
            for name in ("time", "identifier", "length", "bytes")
        )
    known = np.isin(identifier, list(wanted)) & np.isfinite(time)
    if not known.any():
        raise InputError(f"{path}: none of its {time.size} frames is of a message of the DBC files")
    order = np.flatnonzero(known)[np.argsort(time[known], kind="stable")]
    begin = content.shape[1] * np.arange(order.size)
    flat = np.ascontiguousarray(content[order]).ravel()
    return Frames(time[order], identifier[order], begin, length[order], flat, 0)


def _reason(done: subprocess.CompletedProcess[bytes]) -> str:
    if done.returncode < 0:
        return f"the reading process ended by signal {-done.returncode}"
    lines = done.stderr.decode("utf-8", "replace").strip().splitlines()
    named = [line for line in lines if line[:1].isalpha() and ":" in line]
    return printable(named[-1] if named else "no reason given")
