"""Signals of a bus, as a DBC file describes them, and their values in many frames at once."""

import importlib.util
import json
import math
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import FailedError, InputError
from ..files.reading import read_ordinary
from .dbc_child import MAX_SIGNALS, NO_MEMORY, TOO_MANY
from .log import printable

CHILD = Path(__file__).with_name("dbc_child.py")
MAX_BYTES = 10_000_000
PATIENCE = 180.0  # s
LONGEST_FRAME = 64  # bytes
MAX_FILES = 32
NESTED = 8  # selectors of selectors


@dataclass(frozen=True)
class BusSignal:
    """Where a signal lies in the frames of its message, and what its bits mean.

    Attributes
    ----------
    message, name, unit : as the DBC file has them
    identifier : of the message, bit 31 set where it is an extended one
    start, length : bits; of a big-endian signal `start` is the place of its highest bit
    big_endian, signed, real : how the bits make a number; `real` is IEEE 754
    scale, offset : value = scale * number + offset
    least, most : range of the value, None where it is not stated
    words : of numbers that stand for words
    selector, selected : name of the signal that chooses what the frame holds, and its numbers for
        which this one is there; "" and () where it always is
    """

    message: str
    name: str
    unit: str
    identifier: int
    start: int
    length: int
    big_endian: bool
    signed: bool
    real: bool
    scale: float
    offset: float
    least: float | None
    most: float | None
    words: Mapping[int, str]
    selector: str
    selected: tuple[int, ...]

    @property
    def bits(self) -> list[tuple[int, int]]:
        """Byte and bit of each bit, the lowest first."""
        if not self.big_endian:
            places = range(self.start, self.start + self.length)
            return [divmod(place, 8) for place in places]
        first = 8 * (self.start // 8) + 7 - self.start % 8  # counted from the frame's begin
        return [
            (place // 8, 7 - place % 8) for place in range(first + self.length - 1, first - 1, -1)
        ]


def read_dbc(path: Path) -> list[BusSignal]:
    """Read the signals of a DBC file.

    Raises
    ------
    InputError
        The package that reads it is missing, or the file is absent, too large, or no DBC.
    """
    if importlib.util.find_spec("cantools") is None:
        raise InputError(
            f"{path}: is a DBC file, and reading it needs the package cantools; install it with: "
            "python -m pip install 'hybridopt[bus]'"
        )
    read_ordinary(path, MAX_BYTES)
    command = [sys.executable, "-P", str(CHILD), str(path.resolve())]
    try:
        done = subprocess.run(command, capture_output=True, timeout=PATIENCE, check=False)
    except subprocess.TimeoutExpired:
        raise InputError(f"{path}: reading took more than {PATIENCE:g} s; is it damaged?") from None
    if done.returncode == NO_MEMORY:
        raise FailedError(
            f"{path}: too little memory to read it as DBC; cut it, or raise the limit"
        )
    if done.returncode == TOO_MANY:
        raise InputError(f"{path}: holds more than {MAX_SIGNALS} signals; cut it")
    if done.returncode:
        lines = done.stderr.decode("utf-8", "replace").strip().splitlines()
        reason = printable(lines[-1]) if lines else f"ended by signal {-done.returncode}"
        raise InputError(f"{path}: cannot be read as DBC ({reason})")
    return usable_signals(path, json.loads(done.stdout))


def usable_signals(path: Path, records: Sequence[Mapping[str, Any]]) -> list[BusSignal]:
    """Return the signals that a frame can hold, of what the child process listed.

    Raises
    ------
    InputError
        None is left.
    """
    signals = []
    for record in records:
        known = dict(record)
        known["words"] = {int(raw): word for raw, word in record["words"].items()}
        known["selector"] = record["selector"] or ""
        known["selected"] = tuple(record["selected"])
        signal = BusSignal(**known)
        if _fits(signal):
            signals.append(signal)
    if not signals:
        raise InputError(f"{path}: holds no signal that fits into a frame of its message")
    return signals


def _fits(signal: BusSignal) -> bool:
    """Return whether a signal lies within a frame and its numbers are sane."""
    if not 1 <= signal.length <= 64 or signal.start < 0 or signal.start >= 8 * LONGEST_FRAME:
        return False
    if signal.real and signal.length not in (16, 32, 64):
        return False
    numbers = (signal.scale, signal.offset, signal.least or 0.0, signal.most or 0.0)
    finite = all(math.isfinite(one) for one in numbers) and signal.scale != 0.0
    return finite and max(byte for byte, _ in signal.bits) < LONGEST_FRAME


def raw_numbers(signal: BusSignal, data: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Return the bits of a signal as numbers, NaN where frames are too short.

    Parameters
    ----------
    signal
        Of the message whose frames are given.
    data
        Bytes, uint8, shape (n, width).
    lengths
        Bytes that each frame holds, shape (n,).

    Returns
    -------
    array of float, shape (n,)
        Whole numbers beyond 2^53 lose their last bits.
    """
    places = signal.bits
    needed = max(byte for byte, _ in places) + 1
    if data.shape[1] < needed:
        return np.full(data.shape[0], np.nan)
    number = np.zeros(data.shape[0], dtype=np.uint64)
    for power, (byte, bit) in enumerate(places):
        number |= ((data[:, byte] >> np.uint8(bit)) & 1).astype(np.uint64) << np.uint64(power)
    values = _as_float(signal, number)
    values[lengths < needed] = np.nan
    return values


def _as_float(signal: BusSignal, number: np.ndarray) -> np.ndarray:
    """Return bits as floats: IEEE 754, two's complement, or natural numbers."""
    if signal.real:
        whole, kind = f"u{signal.length // 8}", f"f{signal.length // 8}"
        with np.errstate(invalid="ignore"):
            real: np.ndarray = number.astype(whole).view(kind).astype(np.float64)
        return real
    if not signal.signed:
        return number.astype(np.float64)
    if signal.length == 64:
        return number.view(np.int64).astype(np.float64)
    whole_number = number.astype(np.int64)
    negative = whole_number >= 1 << (signal.length - 1)
    values: np.ndarray = whole_number.astype(np.float64)
    values[negative] -= float(1 << signal.length)
    return values


def present(
    signal: BusSignal, siblings: Mapping[str, BusSignal], data: np.ndarray, lengths: np.ndarray
) -> np.ndarray:
    """Mark the frames that hold a signal; others of the message hold other signals there.

    Parameters
    ----------
    signal, data, lengths
        As in :func:`raw_numbers`.
    siblings
        Signals of the same message by name.
    """
    there = np.ones(data.shape[0], dtype=bool)
    for _ in range(NESTED):
        selector = siblings.get(signal.selector)
        if selector is None:
            break
        there &= np.isin(raw_numbers(selector, data, lengths), signal.selected)
        signal = selector
    return there
