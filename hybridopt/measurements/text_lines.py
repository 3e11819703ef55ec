"""Lines of a text log: its encoding, and reading that no hostile file can blow up."""

import codecs
import csv
from collections.abc import Iterator
from io import TextIOWrapper
from pathlib import Path

from ..base.errors import InputError
from ..files.reading import open_ordinary
from .log import MAX_BYTES

MAX_LINE = 200_000  # characters
CHUNK = 1 << 20  # bytes
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NO_TEXT = bytes(sorted({*range(9), 11, *range(14, 27), *range(28, 32), 127}))


def find_encoding(path: Path) -> str:
    """Return the encoding of a text file: by its mark, its zeros, else utf-8, else latin-1.

    Raises
    ------
    InputError
        The bytes are not those of a text.
    """
    with open_ordinary(path, MAX_BYTES) as file:
        head = file.read(CHUNK)
    for mark, encoding in _MARKS:
        if head.startswith(mark):
            return encoding
    for zeros, encoding in ((head[1::2], "utf-16-le"), (head[::2], "utf-16-be")):
        if len(zeros) > 4 and zeros.count(0) > 0.6 * len(zeros):
            return encoding
    odd = len(head) - len(head.translate(None, _NO_TEXT))
    if odd > 1e-4 * len(head):
        raise InputError(f"{path}: is neither text nor MDF; export the log as CSV or MDF")
    return "utf-8" if _is_utf8(path) else "latin-1"


def _is_utf8(path: Path) -> bool:
    try:
        with open_ordinary(path, MAX_BYTES) as file, TextIOWrapper(file, "utf-8") as text:
            while text.read(CHUNK):
                pass
    except UnicodeDecodeError:
        return False
    return True


def read_lines(path: Path, encoding: str) -> Iterator[str]:
    """Yield the lines of a text file one by one.

    Raises
    ------
    InputError
        A line is longer than `MAX_LINE` characters, or bytes do not fit the encoding.
    """
    number = 0
    try:
        with open_ordinary(path, MAX_BYTES) as file, TextIOWrapper(file, encoding) as text:
            while line := text.readline(MAX_LINE):
                number += 1
                if len(line) == MAX_LINE:
                    raise InputError(
                        f"{path}: line {number}: is longer than {MAX_LINE} characters, so it is no "
                        "row of a log; export the log as CSV or MDF"
                    )
                yield line
    except (UnicodeError, OSError) as error:
        words = getattr(error, "strerror", None) or f"is no {encoding} text"
        raise InputError(f"{path}: after line {number}: cannot be read ({words})") from None


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line, stripped; a broken quote leaves the line in one piece.

    A delimiter of one blank stands for any run of blanks.
    """
    if delimiter == " ":
        return line.split()
    if '"' in line:
        try:
            row = next(csv.reader([line.rstrip("\r\n")], delimiter=delimiter))
        except (csv.Error, StopIteration):
            return [line.strip()]
        return [cell.strip() for cell in row]
    return [cell.strip() for cell in line.split(delimiter)]
