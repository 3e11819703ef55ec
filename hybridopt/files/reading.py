"""Opening files from outside: ordinary ones only, of a size that is known before they are read."""

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from ..base.errors import InputError

_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


@contextlib.contextmanager
def open_ordinary(path: Path, most: int) -> Iterator[BinaryIO]:
    """Open an ordinary file of at most `most` bytes, or a link to one, for reading bytes.

    Pipes and devices are never opened: they can be without end, or wait for ever.

    Raises
    ------
    InputError
        It is absent, a folder, a pipe or a device, too large, or cannot be read.
    """
    try:
        _check(path, os.stat(path), most)
        file = os.fdopen(os.open(path, _FLAGS), "rb")
    except (OSError, ValueError) as error:
        raise cannot_read(path, error) from None
    with file:
        _check(path, os.fstat(file.fileno()), most)  # it may be another one by now
        yield file


def read_ordinary(path: Path, most: int) -> bytes:
    """Return the bytes of a file; parameters and errors as :func:`open_ordinary`."""
    with open_ordinary(path, most) as file:
        try:
            return file.read(os.fstat(file.fileno()).st_size)
        except OSError as error:
            raise cannot_read(path, error) from None


def cannot_read(path: Path, error: OSError | ValueError) -> InputError:
    """Return what to raise for a file that the system does not give."""
    return InputError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})")


def _check(path: Path, facts: os.stat_result, most: int) -> None:
    if stat.S_ISDIR(facts.st_mode):
        raise InputError(f"{path}: is a folder; give a file")
    if not stat.S_ISREG(facts.st_mode):
        raise InputError(f"{path}: is a pipe or device, no ordinary file; give a file")
    if facts.st_size > most:
        unit, word = (1e9, "GB") if most >= 1e9 else (1e6, "MB")
        size = facts.st_size / unit
        raise InputError(
            f"{path}: is {size:.1f} {word}; at most {most / unit:g} {word} is read; cut it"
        )
