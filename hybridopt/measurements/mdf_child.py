"""Reads an MDF file in a process of its own, since a damaged file can crash its library.

Run as a script: `mdf_child.py FILE` prints the channels as JSON; with a folder and numbers
group:index it writes the time stamps and values of those channels there as .npy files, and prints
as JSON why it could not, by place; with a folder and `frames` it writes the frames of buses there.
Imports nothing of this package.
"""

import contextlib
import json
import logging
import mmap
import os
import re
import struct
import sys
import warnings
import zlib
from pathlib import Path
from typing import Any

MEMORY = 8 << 30  # bytes, at most
LEAST_MEMORY = 2 << 30  # bytes, for a small file
MAX_RATIO = 100  # of unpacked to stored bytes
ALWAYS = 50_000_000  # bytes that a file may unpack to, however small it is
SECONDS = 300  # of processor time
MAX_SAMPLES = 50_000_000
MAX_CHANNELS = 200_000
WORD = 32  # bytes, longest word of a channel of words
TOO_LARGE, NO_MEMORY, PACKED, NO_FRAMES = 4, 5, 6, 7  # exit codes
FRAME = "CAN_DataFrame"
"""Name of the channel that holds the frames of a bus (ASAM MDF bus logging, ASAM MDF 4.1, from
memory)."""
LONGEST = 64  # bytes of a frame
FRAMES = "frames"
_PIECE = 1 << 16  # bytes that are unpacked at a time
_BLOCK = re.compile(rb"##DZ.{20}(?:DT|SD|RD|DV|DI)[\0-\5]", re.DOTALL)
"""How a packed block begins: ASAM MDF 4.1, 5.26, and 4.3 for kinds beyond 1 (from memory)."""


def held_bytes(path: str, most: int) -> int:
    """Return how many bytes a file holds, packed blocks unpacked; more than `most` end the process.

    A block is counted with what it says that it unpacks to, or what it does, whichever is more.
    """
    held = os.path.getsize(path)
    if not held:
        return 0
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        for found in _BLOCK.finditer(content):
            at = found.start()
            if len(content) < at + 48:
                break
            kind, (claimed, packed) = content[at + 26], struct.unpack_from("<QQ", content, at + 32)
            block = memoryview(content)[at + 48 : at + 48 + packed]
            held += max(claimed, _inflated(block, most) if kind < 2 else 0)
            block.release()
            if held > most:
                sys.exit(PACKED)
    return held


def _inflated(block: memoryview, most: int) -> int:
    """Return how many bytes a block unpacks to, counted until they are more than `most`."""
    unpacker, size = zlib.decompressobj(), 0
    with contextlib.suppress(zlib.error):  # the reading library will say it
        for begin in range(0, len(block), _PIECE):
            size += len(unpacker.decompress(block[begin : begin + _PIECE]))
            if size > most or unpacker.eof:
                break
    return size


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


def save_channel(mdf: Any, group: int, index: int, stem: Path, held: int) -> None:
    """Write time stamps (s) and values of one channel; what the logger marked invalid is NaN."""
    import numpy as np

    records = mdf.groups[group].channel_group
    if records.cycles_nr > MAX_SAMPLES or records.cycles_nr * records.samples_byte_nr > held:
        sys.exit(TOO_LARGE)
    signal = mdf.get(group=group, index=index, ignore_invalidation_bits=True)
    words = signal.samples.dtype.kind in "SU"
    values = np.array(signal.samples, dtype=f"S{WORD}" if words else np.float64)
    time = np.array(signal.timestamps, dtype=np.float64)
    invalid = signal.invalidation_bits
    if invalid is not None:
        values[np.asarray(invalid, dtype=bool)] = b"" if words else np.nan
    if values.ndim != 1 or values.shape != time.shape:
        raise ValueError("values and time stamps do not fit")
    np.save(f"{stem}_time.npy", time, allow_pickle=False)
    np.save(f"{stem}_values.npy", values, allow_pickle=False)


def save_frames(mdf: Any, folder: Path, held: int) -> None:
    """Write the frames of all groups that log a bus: time, identifier, lengths, bytes."""
    import numpy as np

    parts: dict[str, list[Any]] = {"time": [], "identifier": [], "length": [], "bytes": []}
    for g, group in enumerate(mdf.groups):
        names = {channel.name: i for i, channel in enumerate(group.channels)}
        if f"{FRAME}.ID" not in names or f"{FRAME}.DataBytes" not in names:
            continue
        records = group.channel_group
        if records.cycles_nr > MAX_SAMPLES or records.cycles_nr * records.samples_byte_nr > held:
            sys.exit(TOO_LARGE)

        def part(name: str, g: int = g, names: dict[str, int] = names) -> Any:
            return mdf.get(group=g, index=names[f"{FRAME}.{name}"], raw=True)

        identifiers, content = part("ID"), np.atleast_2d(part("DataBytes").samples)
        number = np.array(identifiers.samples, dtype=np.int64) & 0x1FFFFFFF
        extended = number > 0x7FF
        if f"{FRAME}.IDE" in names:
            extended |= np.array(part("IDE").samples) != 0
        length = np.full(number.size, content.shape[1], dtype=np.int64)
        for name in ("DataLength", "DLC"):
            if f"{FRAME}.{name}" in names:
                length = np.minimum(np.array(part(name).samples, dtype=np.int64), length)
                break
        wide = np.zeros((number.size, LONGEST), dtype=np.uint8)
        wide[:, : min(content.shape[1], LONGEST)] = content[:, :LONGEST]
        for key, values in (
            ("time", np.array(identifiers.timestamps, dtype=np.float64)),
            ("identifier", number | extended.astype(np.int64) << 31),
            ("length", np.clip(length, 0, LONGEST)),
            ("bytes", wide),
        ):
            parts[key].append(values)
    if not parts["time"]:
        sys.exit(NO_FRAMES)
    for key, arrays in parts.items():
        np.save(folder / f"{key}.npy", np.concatenate(arrays), allow_pickle=False)


def _limit_itself(stored: int) -> bool:
    """Limit memory and processor time, as far as the system can; the caller limits the time.

    A file of few bytes, `stored`, may take less. Return whether memory was limited further already.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"  # each thread reserves memory
    if sys.platform == "win32":
        return False
    import resource

    room = resource.getrlimit(resource.RLIMIT_AS)[0]
    memory = min(MEMORY, LEAST_MEMORY + MAX_RATIO * stored)
    for what, most in (
        (resource.RLIMIT_AS, memory),
        (resource.RLIMIT_CPU, SECONDS),
        (resource.RLIMIT_CORE, 0),
    ):
        with contextlib.suppress(OSError, ValueError):  # macOS knows no limit of memory
            resource.setrlimit(what, (most, most))
    return 0 <= room < memory


def main(path: str, folder: str = "", *places: str) -> None:
    """Print the channels of a file, or write some of them."""
    stored = os.path.getsize(path)
    limited = _limit_itself(stored)
    held = held_bytes(path, max(ALWAYS, MAX_RATIO * stored))
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
            if places == (FRAMES,):
                save_frames(mdf, Path(folder), held)
                places = ()
            reasons = {}
            for place in places:
                group, index = map(int, place.split(":"))
                try:
                    save_channel(mdf, group, index, Path(folder) / f"{group}_{index}", held)
                except MemoryError:
                    raise
                except Exception as error:
                    reasons[place] = f"{type(error).__name__}: {error}"[:300]
            if reasons:
                print(json.dumps(reasons))
    except MemoryError:  # of a damaged file too, unless less is allowed than it needs
        sys.exit(NO_MEMORY if limited else "MemoryError: it claims too much")


if __name__ == "__main__":
    main(*sys.argv[1:])
