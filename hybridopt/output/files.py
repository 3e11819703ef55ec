"""Writing files so that nothing a user had is lost."""

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from ..errors import FailedError, InputError


def check_target(path: Path, overwrite: bool) -> None:
    """Raise InputError when a file cannot be written there, before the work begins.

    Raises
    ------
    InputError
        The file exists and `overwrite` is not set, or its folder does not exist.
    """
    if len(path.name.encode()) > 200:
        raise InputError(f"{path.name[:40]}...: the file name is longer than 200 bytes; shorten it")
    if not path.parent.is_dir():
        raise InputError(f"{path}: the folder {path.parent} does not exist; make it first")
    if path.is_dir():
        raise InputError(f"{path}: is a folder; give a file name")
    if path.exists() and not overwrite:
        raise InputError(f"{path}: exists already; choose another name or allow overwriting")


def write_atomically(path: Path, write: Callable[[Path], object], overwrite: bool = False) -> None:
    """Call `write` on a temporary file in the same folder, then rename it to `path`.

    Raises
    ------
    InputError
        As :func:`check_target`.
    FailedError
        The system refused (disk full, no permission); nothing is left under the final name.
    """
    check_target(path, overwrite)
    temporary = None
    try:
        handle, name = tempfile.mkstemp(prefix=".", suffix=path.suffix, dir=path.parent)
        os.close(handle)
        temporary = Path(name)
        write(temporary)
        temporary.chmod(0o666 & ~_umask())
        os.replace(temporary, path)
    except OSError as error:
        raise FailedError(f"{path}: could not be written ({error.strerror or error})") from None
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
