"""Reads an MDF file in a process of its own, since a damaged file can crash its library.

Run as a script: `mdf_child.py FILE` prints the channels as JSON; with a folder and numbers
group:index it writes the time stamps and values of those channels there as .npy files.
Imports nothing of this package.
"""

import contextlib
import json
import logging
import os
import sys
import warnings
from pathlib import Path
from typing import Any

MEMORY = 8 << 30  # bytes
SECONDS = 300  # of processor time
MAX_SAMPLES = 50_000_000
MAX_CHANNELS = 200_000
TOO_LARGE, NO_MEMORY = 4, 5  # exit codes


def list_channels(mdf: Any) -> list[dict[str, Any]]:
    """Return name, unit and place of every channel that is no time base."""
    channels: list[dict[str, Any]] = []
    for g, group in enumerate(mdf.groups):
        for i, channel in enumerate(group.channels):
            if i != mdf.masters_db.get(g):
                unit = str(mdf.get_channel_unit(channel.name, g, i) or "")
                channels.append({"name": str(channel.name), "unit": unit, "place": [g, i]})
            if len(channels) > MAX_CHANNELS:
                sys.exit(TOO_LARGE)
    return channels


def save_channel(mdf: Any, group: int, index: int, stem: Path) -> None:
    """Write time stamps (s) and values of one channel; what the logger marked invalid is NaN."""
    import numpy as np

    if mdf.groups[group].channel_group.cycles_nr > MAX_SAMPLES:
        sys.exit(TOO_LARGE)
    signal = mdf.get(group=group, index=index, ignore_invalidation_bits=True)
    values = np.array(signal.samples, dtype=np.float64)
    time = np.array(signal.timestamps, dtype=np.float64)
    invalid = signal.invalidation_bits
    if invalid is not None:
        values[np.asarray(invalid, dtype=bool)] = np.nan
    if values.ndim != 1 or values.shape != time.shape:
        raise ValueError("values and time stamps do not fit")
    np.save(f"{stem}_time.npy", time, allow_pickle=False)
    np.save(f"{stem}_values.npy", values, allow_pickle=False)


def _limit_itself() -> bool:
    """Limit memory and processor time, as far as the system can; the caller limits the time.

    Return whether memory was limited further already.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"  # each thread reserves memory
    if sys.platform == "win32":
        return False
    import resource

    room = resource.getrlimit(resource.RLIMIT_AS)[0]

    for what, most in (
        (resource.RLIMIT_AS, MEMORY),
        (resource.RLIMIT_CPU, SECONDS),
        (resource.RLIMIT_CORE, 0),
    ):
        with contextlib.suppress(OSError, ValueError):  # macOS knows no limit of memory
            resource.setrlimit(what, (most, most))
    return 0 <= room < MEMORY


def main(path: str, folder: str = "", *places: str) -> None:
    """Print the channels of a file, or write some of them."""
    limited = _limit_itself()
    warnings.simplefilter("ignore")
    logging.disable()
    try:
        from asammdf import MDF
    except (ImportError, OSError, MemoryError):  # it is installed: its libraries found no room
        sys.exit(NO_MEMORY)
    try:
        with MDF(path) as mdf:
            if not places:
                print(json.dumps(list_channels(mdf)))
            for place in places:
                group, index = map(int, place.split(":"))
                save_channel(mdf, group, index, Path(folder) / f"{group}_{index}")
    except MemoryError:  # of a damaged file too, unless less is allowed than it needs
        sys.exit(NO_MEMORY if limited else "MemoryError: it claims too much")


if __name__ == "__main__":
    main(*sys.argv[1:])
