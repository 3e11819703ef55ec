"""A lock on a folder that keeps other processes away and ends with the process that holds it."""

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from ..base.errors import FailedError

LOCK_FILE = ".lock"  # in the folder, on Windows, where a folder itself cannot be locked


@contextlib.contextmanager
def locked_folder(folder: Path) -> Iterator[None]:
    """Hold the lock of a folder.

    Parameters
    ----------
    folder
        It exists. All processes of one machine that lock it exclude each other.

    Raises
    ------
    FailedError
        Another process holds it, or the system refuses.
    """
    try:
        handle = _opened(folder)
    except OSError as error:
        raise FailedError(f"{folder}: could not be locked ({error.strerror})") from None
    try:
        try:
            _lock(handle)
        except (BlockingIOError, PermissionError):  # of POSIX, of Windows
            raise FailedError(f"{folder}: another run is writing there; wait for it") from None
        yield
    finally:
        os.close(handle)  # gives the lock back


if sys.platform == "win32":
    import msvcrt

    def _opened(folder: Path) -> int:
        return os.open(folder / LOCK_FILE, os.O_RDWR | os.O_CREAT)

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _opened(folder: Path) -> int:
        return os.open(folder, os.O_RDONLY)

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
