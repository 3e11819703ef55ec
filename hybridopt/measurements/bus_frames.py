"""Frames of a bus: from a text trace, a line for each frame.

Two layouts are read, both common for traces of a CAN bus (common practice, no source):

    (1436509052.249713) can0 123#DEADBEEF        identifier of 3 or 8 hexadecimal digits
    (1436509052.249713) can0 123 [4] DE AD BE EF

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
_REMOTE = re.compile(
    r"\s*\([0-9.]+\)\s+\S{1,32}\s+[0-9A-Fa-f]{3,8}(?:#R[0-9]?|\s+\[[0-9]\]\s+remote request)\s*",
    re.ASCII,
)


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
    lines = islice(read_lines(path, find_encoding(path)), HEAD_LINES)
    return any(_FRAME.fullmatch(line) for line in lines)


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
    for line in read_lines(path, find_encoding(path)):
        found = _FRAME.fullmatch(line)
        data = (
            None if found is None else bytes.fromhex(found[3] if found[3] is not None else found[5])
        )
        stated = None if found is None else found[4]
        if found is None or data is None or (stated is not None and int(stated) != len(data)):
            damaged += bool(line.strip()) and not _REMOTE.fullmatch(line)
            continue
        number = int(found[2], 16)
        if number > HIGHEST:
            damaged += 1
            continue
        seen += 1
        key = number | EXTENDED if len(found[2]) == 8 else number
        if key in wanted:
            time.append(float(found[1]))
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
