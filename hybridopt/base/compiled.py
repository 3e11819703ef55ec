"""Compiled kernels: numba functions whose cache notices an edit in any kernel of the package."""

import hashlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, overload

from numba import njit

PACKAGE = Path(__file__).parents[1]
MARK = b"import kernel"  # what a file with kernels says


Kernel = Callable[..., Any]


@overload
def kernel(function: Kernel, **options: Any) -> Kernel: ...
@overload
def kernel(**options: Any) -> Callable[[Kernel], Kernel]: ...
def kernel(function: Any = None, **options: Any) -> Any:
    """Compile a function with numba and keep the machine code in numba's cache.

    Parameters
    ----------
    function
        Takes floats, contiguous float64 or int64 arrays and named tuples of them; fills arrays or
        returns numbers; never raises.
    options
        Further ones of numba, such as `inline` or `parallel`.

    Notes
    -----
    By itself numba compiles again only where a function's own file has changed. Kernels call
    kernels of other files, so the state of all such files is part of each cache index's version.
    An index of another version is passed over unread: its types may not be there any more.
    """

    def compiled(python: Callable[..., Any]) -> Any:
        made = njit(cache=True, error_model="numpy", **options)(python)
        entry = getattr(getattr(made, "_cache", None), "_cache_file", None)
        if entry is not None:  # absent where compiling is switched off
            entry._version = (entry._version, kernel_sources())
        return made

    return compiled if function is None else compiled(function)


@cache
def kernel_sources() -> str:
    """Return the SHA-256 of all files of the package that hold kernels."""
    digest = hashlib.sha256()
    for path in sorted(PACKAGE.glob("*/*.py")):
        content = path.read_bytes()
        if MARK in content:
            digest.update(path.name.encode() + content)
    return digest.hexdigest()
