"""Compiled kernels: numba functions whose cache notices an edit in any kernel of the package."""

import hashlib
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, overload

import llvmlite
import numba
import numpy
from numba import njit
from numba.core import event
from numba.core.options import DefaultOptions

from .compiling import watchers
from .kernel_cache import PACKAGE, KernelCache, NullCache, use_temporary_folder

MARK = b"compiled import kernel\n"  # stands in every file with kernels
TUPLES = b"(NamedTuple)"  # stands in the files that define what kernels take
NOT_COUNTED = "_nrt"  # numba's option for counting references, not one of its documented ones
_IMPORTS = re.compile(rb"^from (\.+)([\w.]*) import", re.MULTILINE)

Kernel = Callable[..., Any]


@overload
def kernel(function: Kernel, *, borrows: bool = False, **options: Any) -> Kernel: ...
@overload
def kernel(*, borrows: bool = False, **options: Any) -> Callable[[Kernel], Kernel]: ...
def kernel(function: Any = None, *, borrows: bool = False, **options: Any) -> Any:
    """Compile a function with numba and keep the machine code in numba's cache.

    Parameters
    ----------
    function
        Takes floats, contiguous float64 or int64 arrays and named tuples of them; fills arrays or
        returns numbers; never raises.
    borrows
        Neither the function nor what it calls makes an array, and it returns none. References to
        the arrays it takes are then not counted, which is otherwise most of the time of a short
        function that takes named tuples of many arrays.
    options
        Further ones of numba, such as `inline` or `parallel`.

    Notes
    -----
    By itself numba compiles again only where a function's own file has changed. Kernels call
    kernels of other files and take constants from them, so the state of all such files is part of
    the version of each index of the cache. An index of another version is passed over unread: its
    types may not be there any more.
    """
    if borrows and hasattr(DefaultOptions, NOT_COUNTED):
        options[NOT_COUNTED] = False

    def compiled(python: Callable[..., Any]) -> Any:
        made = njit(error_model="numpy", **options)(python)
        if hasattr(made, "enable_caching"):  # absent where compiling is switched off
            made._cache = _kernel_cache(python)
        return made

    return compiled if function is None else compiled(function)


def _kernel_cache(python: Callable[..., Any]) -> KernelCache | NullCache:
    """Return the cache of a kernel: in numba's folder, a temporary one, or none at all."""
    makers = numba.__version__, llvmlite.__version__, numpy.__version__
    version = (*makers, kernel_sources())
    try:
        return KernelCache(python, version)
    except RuntimeError:  # no folder is writable
        try:
            use_temporary_folder()
            return KernelCache(python, version)
        except (RuntimeError, OSError):
            return NullCache()


class _Told(event.Listener):  # type: ignore[misc]
    """Passes on when numba begins and ends to compile."""

    def on_start(self, event: Any) -> None:
        """Tell that compiling begins."""
        for tell in watchers:
            tell(True)

    def on_end(self, event: Any) -> None:
        """Tell that compiling ends."""
        for tell in watchers:
            tell(False)


event.register("numba:compile", _Told())


@cache
def kernel_sources() -> str:
    """Return the SHA-256 of all files of the package that decide what a kernel does.

    Those are the files with kernels, the files they import from (constants and codes), and those
    of the same rooms that define named tuples.
    """
    contents = {path: path.read_bytes() for path in sorted(PACKAGE.glob("*/*.py"))}
    kernels = {path for path, text in contents.items() if MARK in text}
    rooms = {path.parent for path in kernels}
    chosen = kernels.union(*(_imported(path, contents[path]) for path in kernels))
    chosen |= {p for p, text in contents.items() if p.parent in rooms and TUPLES in text}
    digest = hashlib.sha256()
    for path in sorted(chosen & contents.keys()):
        digest.update(path.relative_to(PACKAGE).as_posix().encode() + contents[path])
    return digest.hexdigest()


def _imported(path: Path, text: bytes) -> set[Path]:
    """Return the files that a file imports from by a relative import."""
    found = set()
    for dots, module in _IMPORTS.findall(text):
        folder = path.parents[len(dots) - 1]
        found.add(folder.joinpath(*module.decode().split(".")).with_suffix(".py"))
    return found
