"""Frames of a bus: from a text trace, a line for each frame.

Three layouts are read, all common for traces of a CAN bus (common practice, no source):

    (1436509052.249713) can0 123#DEADBEEF        identifier of 3 or 8 hexadecimal digits
    (1436509052.249713) can0 123 [4] DE AD BE EF
    2.249713 1 123 Rx d 4 DE AD BE EF            x behind an identifier of 29 bits

Two signs # before the bytes, with a digit between, are a frame with a flexible data rate.
"""

import re
from array import array
from collections.abc import Collection
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .text_lines import find_encoding, read_lines

MAX_FRAMES = 50_000_000
EXTENDED = 1 << 31
HIGHEST = 0x1FFFFFFF
HEAD_LINES = 50
LONGEST = 64  # bytes
_FRAME = re.compile(
    r"\s*\(\s*([0-9]{1,15}(?:\.[0-9]{0,12})?)\)\s+\S{1,32}\s+"
    r"([0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})"
    r"(?:#(?:#[0-9A-Fa-f])?((?:[0-9A-Fa-f]{2}){0,64})|\s+\[([0-9]{1,2})\]((?:\s+[0-9A-Fa-f]{2}){0,64}))"
    r"\s*(?:[RTrt][Xx]?)?\s*",
    re.ASCII,
)
_ROW = re.compile(
    r"\s*([0-9]{1,15}(?:\.[0-9]{1,12})?)\s+[0-9]{1,3}\s+([0-9A-Fa-f]{1,8})(x?)\s+[RT]x\s+d\s+"
    r"([0-9]{1,2})((?:\s+[0-9A-Fa-f]{2}){0,64})(?:\s+[A-Za-z].{0,200})?",
    re.ASCII,
)
_REMOTE = re.compile(
    r"\s*\([0-9.]+\)\s+\S{1,32}\s+[0-9A-Fa-f]{3,8}(?:#R[0-9]?|\s+\[[0-9]\]\s+remote request)\s*"
    r"|\s*[0-9.]+\s+[0-9]{1,3}\s+[0-9A-Fa-f]{1,8}x?\s+[RT]x\s+r\b.*",
    re.ASCII,
)
_BESIDE = re.compile(  # what a table of frames holds between them: heads, notes, events
    r"//.*|(?i:date|base|internal|no internal|begin|end)\b.*"
    r"|[0-9.]+\s+(?:[0-9]{1,3}\s+)?[A-Z][a-z][A-Za-z]+\b.*",
    re.ASCII,
)
_HEAD = re.compile(r"\s*base\s+(\w{1,20})\s+timestamps\s+(\w{1,20}).*", re.ASCII)


@dataclass(frozen=True, eq=False)
class Frames:
    """Frames of a bus in the order of the file.

    Attributes
    ----------
    time : s, (n,)
    identifier : bit 31 set where it is an extended one, (n,)
    begin, length : where the bytes of each frame lie in `content`, (n,)
    content : bytes of all frames, uint8
    damaged : lines or frames that could not be read
    """

    time: np.ndarray
    identifier: np.ndarray
    begin: np.ndarray
    length: np.ndarray
    content: np.ndarray
    damaged: int

    def of(self, identifier: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return time, bytes (n, width) and lengths of the frames of one message."""
        rows = np.flatnonzero(self.identifier == identifier)
        width = int(self.length[rows].max(initial=0))
        places = self.begin[rows][:, None] + np.arange(width)
        inside = np.arange(width) < self.length[rows][:, None]
        data = np.zeros((rows.size, width), dtype=np.uint8)
        data[inside] = self.content[places[inside]]
        return self.time[rows], data, self.length[rows]


def is_trace(path: Path) -> bool:
    """Return whether one of the first lines of a text file is a frame."""
    lines = (row.strip() for row in islice(read_lines(path, find_encoding(path)), HEAD_LINES))
    return any(_FRAME.fullmatch(line) or _ROW.fullmatch(line) for line in lines)


def _frame(line: str) -> tuple[float, int, bytes] | None:
    """Return time, identifier and bytes of a line; None where it is no whole frame."""
    if found := _FRAME.fullmatch(line):
        stamp, digits, joined, stated, apart = found.groups()
        extended = len(digits) == 8
    elif found := _ROW.fullmatch(line):
        stamp, digits, wide, stated, apart = found.groups()
        joined, extended = None, bool(wide)
    else:
        return None
    data = bytes.fromhex(apart if joined is None else joined)
    number = int(digits, 16)
    if (stated is not None and int(stated) != len(data)) or number > HIGHEST:
        return None
    return float(stamp), number | EXTENDED if extended else number, data


def _check_head(path: Path, line: str) -> None:
    """Refuse a table of frames in other numbers or times than those read."""
    head = _HEAD.fullmatch(line)
    if head is not None and (head[1], head[2]) != ("hex", "absolute"):
        raise InputError(
            f"{path}: its head states base {head[1]} and {head[2]} time stamps; write it with base "
            "hex and absolute ones"
        )


def read_trace(path: Path, wanted: Collection[int]) -> Frames:
    """Read the frames of a text trace.

    Parameters
    ----------
    path
        The file.
    wanted
        Identifiers of the messages to keep.

    Raises
    ------
    InputError
        The file holds no frame, none that is wanted, or too many.
    """
    time, identifier, begin, length = array("d"), array("L"), array("q"), array("B")
    content, damaged, seen = bytearray(), 0, 0
    for number, row in enumerate(read_lines(path, find_encoding(path))):
        line = row.strip()
        if number < HEAD_LINES:
            _check_head(path, line)
        if (frame := _frame(line)) is None:
            passed = not line or _REMOTE.fullmatch(line) or _BESIDE.fullmatch(line)
            damaged += not passed
            continue
        seen += 1
        at, key, data = frame
        if key in wanted:
            time.append(at)
            identifier.append(key)
            begin.append(len(content))
            length.append(len(data))
            content += data
        if seen > MAX_FRAMES:
            raise InputError(f"{path}: holds more than {MAX_FRAMES} frames; cut the trace")
    if not seen:
        raise InputError(
            f"{path}: holds no frame of a bus; a trace has lines such as "
            "(1436509052.249713) can0 123#DEADBEEF"
        )
    if not time:
        raise InputError(f"{path}: none of its {seen} frames is of a message of the DBC files")
    return Frames(
        np.array(time),
        np.array(identifier, dtype=np.int64),
        np.array(begin, dtype=np.int64),
        np.array(length, dtype=np.int64),
        np.frombuffer(bytes(content), dtype=np.uint8),
        damaged,
    )
