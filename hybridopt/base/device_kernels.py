"""Kernels that are launched on a device, whose code is kept as that of the CPU's is."""

import contextlib
import hashlib
from collections.abc import Callable
from functools import cache
from typing import Any

import numba

from .kernel_cache import PACKAGE, guarded

ROOMS = "dp", "physics", "problem"  # of functions that run on a device


def device_kernel(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Compile a function for a device, where it is launched, and keep the code in numba's cache.

    Parameters
    ----------
    options
        Those of `numba.cuda.jit`.

    Notes
    -----
    The state of all files of the rooms that such kernels call into is part of the version of
    their cache, as are the options. Without a folder for it they are compiled in every process.
    """
    from numba import cuda

    def compiled(python: Callable[..., Any]) -> Any:
        made = cuda.jit(**options)(python)
        if hasattr(made, "enable_caching"):  # absent in the simulator
            with contextlib.suppress(RuntimeError):  # no folder is writable
                made.enable_caching()
                version = numba.__version__, device_sources(), repr(sorted(options.items()))
                made._cache = guarded(type(made._cache))(python, version)
        return made

    return compiled


@cache
def device_sources() -> str:
    """Return the SHA-256 of all files of the rooms whose functions run on a device."""
    digest = hashlib.sha256()
    for path in sorted(p for room in ROOMS for p in PACKAGE.glob(f"{room}/*.py")):
        digest.update(path.relative_to(PACKAGE).as_posix().encode() + path.read_bytes())
    return digest.hexdigest()
