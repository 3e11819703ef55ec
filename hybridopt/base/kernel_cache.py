"""Numba's cache of machine code, which no damaged file, full disk or read-only folder stops."""

import atexit
import contextlib
import hashlib
import os
import pickle
import shutil
import tempfile
import warnings
from functools import cache
from pathlib import Path
from typing import Any

from numba.core import config
from numba.core.caching import FunctionCache, IndexDataCacheFile, NullCache

from .warning import InputWarning

__all__ = ["KernelCache", "NullCache", "use_temporary_folder"]
SEAL = 32  # bytes of a SHA-256 behind the content of each file
_MEND = "set NUMBA_CACHE_DIR to a folder that can be written to"


class KernelCache(FunctionCache):  # type: ignore[misc]
    """The cache of one kernel: what cannot be read is compiled anew, what cannot be kept is not.

    Parameters
    ----------
    python
        The function.
    version
        An index of another version is passed over unread.

    Raises
    ------
    RuntimeError
        No folder is writable.
    """

    def __init__(self, python: Any, version: tuple[str, ...]) -> None:
        super().__init__(python)
        stamp = self._impl.locator.get_source_stamp()
        self._cache_file = _SealedFiles(self._cache_path, self._impl.filename_base, stamp)
        self._cache_file._version = version

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the machine code for a signature, None where it is not there or damaged."""
        try:
            return super().load_overload(sig, target_context)
        except Exception:  # what a damaged file raises is of any kind
            with contextlib.suppress(OSError):
                Path(self._cache_file._index_path).unlink()
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep the machine code for a signature, if the system lets it."""
        try:
            super().save_overload(sig, data)
        except OSError as error:
            _say(
                f"compiled code could not be kept ({error.strerror or error}), so a later run "
                f"compiles it again; make room, or {_MEND}"
            )


class _SealedFiles(IndexDataCacheFile):  # type: ignore[misc]
    """Index and machine code of a kernel, each with a checksum that is looked at first.

    An index that is absent, old or damaged is empty.
    """

    def _dump(self, obj: Any) -> bytes:
        content: bytes = super()._dump(obj)
        return content + hashlib.sha256(content).digest()

    def _load_index(self) -> Any:
        try:
            with open(self._index_path, "rb") as file:
                if pickle.load(file) == self._version:
                    _check_seal(file.read())
            return super()._load_index()
        except Exception:  # absent, or damaged in any way: it is written anew
            return {}

    def _load_data(self, name: str) -> Any:
        content = Path(self._data_path(name)).read_bytes()
        _check_seal(content)
        return pickle.loads(content)  # what stands behind its end is passed over


def _check_seal(content: bytes) -> None:
    if hashlib.sha256(content[:-SEAL]).digest() != content[-SEAL:]:
        raise ValueError("not as it was written")


@cache
def use_temporary_folder() -> None:
    """Have this process and those it starts keep machine code in a folder that ends with it.

    Raises
    ------
    OSError
        There is no room for temporary files.
    """
    _say(
        "no folder for compiled code can be written to, so it is compiled anew in every run, which "
        f"takes up to a minute; {_MEND}"
    )
    folder = tempfile.mkdtemp(prefix="hybridopt-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    config.CACHE_DIR = os.environ["NUMBA_CACHE_DIR"] = folder


@cache
def _say(words: str) -> None:
    """Warn, but of the same thing only once."""
    warnings.warn(words, InputWarning, stacklevel=2)
