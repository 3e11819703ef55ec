"""What the operating systems do not all offer."""

import math
import os
import sys

_RESERVED = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{number}" for port in ("com", "lpt") for number in "123456789¹²³"
}
_FORBIDDEN = frozenset('<>:"/\\|?*')


def usable_cores() -> int:
    """Return the number of processor cores that this process may use, 1 at least."""
    if hasattr(os, "sched_getaffinity"):  # absent on macOS and Windows
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def memory_room() -> float:
    """Return how many bytes of memory this process may address, infinite without a limit."""
    if sys.platform == "win32":
        return math.inf
    import resource

    room = resource.getrlimit(resource.RLIMIT_AS)[0]
    return math.inf if room == resource.RLIM_INFINITY else float(room)


def windows_refuses(name: str) -> str:
    """Say in words why Windows allows no file of a name; empty where it does.

    Source: "Naming Files, Paths, and Namespaces", the vendor's documentation, from memory.
    """
    bad = sorted({c for c in name if c in _FORBIDDEN or ord(c) < 32})
    if bad:
        return f"holds {' '.join(repr(c) for c in bad)}"
    if name.partition(".")[0].rstrip(" ").lower() in _RESERVED:
        return f"is a reserved one, {name.partition('.')[0]}"
    return "ends in a dot or a blank" if name.endswith((".", " ")) else ""


def on_windows() -> bool:
    """Whether this is Windows."""
    return sys.platform == "win32"
