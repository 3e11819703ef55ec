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
from numba.core.caching import FunctionCache, NullCache

from .warning import InputWarning

__all__ = ["KernelCache", "NullCache", "guarded", "use_temporary_folder"]
SEAL = 32  # bytes of a SHA-256 behind the content of each file
_MEND = "set NUMBA_CACHE_DIR to a folder that can be written to"


class _Guarded:
    """A cache of one kernel: what cannot be read is compiled anew, what cannot be kept is not.

    To be mixed into a kind of cache, of numba or of numba-cuda.
    """

    def __init__(self, python: Any, version: tuple[str, ...]) -> None:
        super().__init__(python)  # type: ignore[call-arg]
        cache: Any = self
        stamp = cache._impl.locator.get_source_stamp()
        sealed = _sealed(type(cache._cache_file))
        cache._cache_file = sealed(cache._cache_path, cache._impl.filename_base, stamp)
        cache._cache_file._version = version

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the machine code for a signature, None where it is not there or damaged."""
        cache: Any = super()
        try:
            return cache.load_overload(sig, target_context)
        except Exception:  # what a damaged file raises is of any kind
            with contextlib.suppress(OSError):
                Path(self._cache_file._index_path).unlink()  # type: ignore[attr-defined]
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep the machine code for a signature, if the system lets it."""
        cache: Any = super()
        try:
            cache.save_overload(sig, data)
        except OSError as error:
            _say(
                f"compiled code could not be kept ({error.strerror or error}), so a later run "
                f"compiles it again; make room, or {_MEND}"
            )


class KernelCache(_Guarded, FunctionCache):  # type: ignore[misc]
    """The guarded cache of a kernel on the CPU.

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


def guarded(kind: Any) -> Any:
    """Return a kind of cache, such as numba-cuda's, guarded as :class:`KernelCache` is."""
    return type(kind.__name__, (_Guarded, kind), {})


def _sealed(kind: Any) -> Any:
    return type(kind.__name__, (_Seal, kind), {})


class _Seal:
    """Index and machine code of a kernel, each with a checksum that is looked at first.

    An index that is absent, old or damaged is empty.
    """

    def _dump(self, obj: Any) -> bytes:
        files: Any = super()
        content: bytes = files._dump(obj)
        return content + hashlib.sha256(content).digest()

    def _load_index(self) -> Any:
        files: Any = self
        try:
            with open(files._index_path, "rb") as file:
                if pickle.load(file) == files._version:
                    _check_seal(file.read())
            files = super()
            return files._load_index()
        except Exception:  # absent, or damaged in any way: it is written anew
            return {}

    def _load_data(self, name: str) -> Any:
        files: Any = self
        content = Path(files._data_path(name)).read_bytes()
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
