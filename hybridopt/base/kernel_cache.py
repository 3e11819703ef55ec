"""Numba's cache of machine code, which no damaged file, full disk or read-only folder stops.

Machine code is kept by what it was made of, not by where the package lies: all copies of the same
sources share it, and no others do.
"""

import atexit
import contextlib
import hashlib
import os
import pickle
import shutil
import tempfile
import warnings
from functools import cache, partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from numba.core import config
from numba.core.caching import CompileResultCacheImpl, FunctionCache, NullCache
from numba.misc.appdirs import AppDirs

from .warning import InputWarning

__all__ = ["PACKAGE", "KernelCache", "NullCache", "guarded", "use_temporary_folder"]
PACKAGE = Path(__file__).parents[1]
SEAL = 32  # bytes of a SHA-256 behind the content of each file
NAME, DIGITS = "hybridopt-kernels-", 16  # of the folder of a version, its digest behind the name
KEPT = 8  # versions of the package whose machine code stays, those used last
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
        All that decides what a kernel does. An index of another version is passed over unread.

    Raises
    ------
    RuntimeError
        No folder is writable.
    """

    def __init__(self, python: Any, version: tuple[str, ...]) -> None:
        digest = hashlib.sha256(repr(version).encode()).hexdigest()[:DIGITS]
        self._impl_class = partial(_Implementation, digest=digest)
        super().__init__(python, version)


def guarded(kind: Any) -> Any:
    """Return a kind of cache, such as numba-cuda's, guarded as :class:`KernelCache` is."""
    return type(kind.__name__, (_Guarded, kind), {})


class _Implementation(CompileResultCacheImpl):  # type: ignore[misc]
    """Numba's way to keep machine code, in the folder of a version where that can be."""

    def __init__(self, python: Any, digest: str) -> None:
        shared = SimpleNamespace(from_function=partial(_shared, digest))
        self._locator_classes = (shared, *CompileResultCacheImpl._locator_classes)
        super().__init__(python)


def _shared(digest: str, python: Any, file: str) -> "_Shared | None":
    """Return the place of a function; None if it is no kernel of the package, or cannot be."""
    if not Path(file).is_relative_to(PACKAGE):
        return None
    user = AppDirs(appname="hybridopt", appauthor=False).user_cache_dir
    try:
        folder = _folder_of(Path(config.CACHE_DIR or user), digest)
    except OSError:
        return None
    return _Shared(folder / Path(file).parent.relative_to(PACKAGE), python, file)


class _Shared:
    """Where the machine code of a kernel of the package lies, as numba asks for it."""

    def __init__(self, folder: Path, python: Any, file: str) -> None:
        self._folder, self._py_file = folder, file
        self._line = python.__code__.co_firstlineno

    def ensure_cache_path(self) -> None:
        """Make the folder if it is not there."""
        self._folder.mkdir(parents=True, exist_ok=True)

    def get_cache_path(self) -> str:
        """Return the folder."""
        return str(self._folder)

    def get_source_stamp(self) -> str:
        """Return the digest of the function's file."""
        return _digest_of(self._py_file)

    def get_disambiguator(self) -> str:
        """Return what tells functions of one name in a file apart."""
        return str(self._line)


@cache
def _digest_of(file: str) -> str:
    return hashlib.sha256(Path(file).read_bytes()).hexdigest()


@cache
def _folder_of(root: Path, digest: str) -> Path:
    """Return the folder of a version, once in a process; those used least lately are removed.

    Raises
    ------
    OSError
        It cannot be written to.
    """
    folder = root / f"{NAME}{digest}"
    folder.mkdir(parents=True, exist_ok=True)
    tempfile.TemporaryFile(dir=folder).close()
    os.utime(folder)
    with contextlib.suppress(OSError):
        versions = root.glob(NAME + DIGITS * "[0-9a-f]")
        used = sorted(versions, key=lambda path: path.stat().st_mtime)
        for old in used[:-KEPT]:
            shutil.rmtree(old, ignore_errors=True)
    return folder


def _sealed(kind: Any) -> Any:
    return type(kind.__name__, (_Seal, kind), {})


class _Seal:
    """Index and machine code of a kernel, each with a checksum that is looked at first.

    An index that is absent, old or damaged is empty. Machine code says what it is for: of two
    processes that write at once, the index may be of one and the code of the other.
    """

    def save(self, key: Any, data: Any) -> None:
        """Keep machine code with its key."""
        files: Any = super()
        files.save(key, (key, data))

    def load(self, key: Any) -> Any:
        """Return the machine code of a key, None if it is not there."""
        files: Any = super()
        kept, data = files.load(key) or (None, None)
        return data if kept == key else None

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
