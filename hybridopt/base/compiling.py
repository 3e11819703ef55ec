"""What is compiled and who is told; numba need not be imported to ask for it."""

from collections.abc import Callable
from typing import Any

Watcher = Callable[[bool], object]
"""Called with True when compiling begins, with False when it ends; it may begin within itself."""

watchers: list[Watcher] = []
"""Told of every compiling in this process."""


def is_compiled(made: Any) -> bool:
    """Return whether the cache holds machine code of a kernel, of the package as it is now."""
    entry = getattr(getattr(made, "_cache", None), "_cache_file", None)
    return entry is not None and bool(entry._load_index())
