"""Reads a DBC file in a process of its own, since a damaged file can hang its library.

Run as a script: `dbc_child.py FILE` prints its signals as a JSON list. Imports nothing of this
package.
"""

import contextlib
import json
import os
import sys
import warnings
from typing import Any

MEMORY = 2 << 30  # bytes
SECONDS = 120  # of processor time
MAX_SIGNALS = 100_000
NO_MEMORY, TOO_MANY = 5, 6  # exit codes


def list_signals(text: str) -> list[dict[str, Any]]:
    """Return the signals of a DBC text, as what their fields are called in `BusSignal`."""
    import cantools

    database: Any = cantools.database.load_string(text, "dbc", strict=False)
    signals: list[dict[str, Any]] = []
    for message in database.messages:
        for signal in message.signals:
            choices = signal.choices or {}
            signals.append(
                {
                    "message": str(message.name),
                    "name": str(signal.name),
                    "identifier": int(message.frame_id) | bool(message.is_extended_frame) << 31,
                    "start": int(signal.start),
                    "length": int(signal.length),
                    "big_endian": signal.byte_order == "big_endian",
                    "signed": bool(signal.is_signed),
                    "real": bool(signal.is_float),
                    "scale": float(signal.scale),
                    "offset": float(signal.offset),
                    "least": _number(signal.minimum),
                    "most": _number(signal.maximum),
                    "unit": str(signal.unit or ""),
                    "words": {str(int(raw)): str(word)[:40] for raw, word in choices.items()},
                    "selector": signal.multiplexer_signal,
                    "selected": [int(one) for one in signal.multiplexer_ids or ()],
                }
            )
            if len(signals) > MAX_SIGNALS:
                sys.exit(TOO_MANY)
    return signals


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _limit_itself() -> None:
    """Limit memory and processor time, as far as the system can."""
    if sys.platform == "win32":
        return
    import resource

    for what, most in (
        (resource.RLIMIT_AS, MEMORY),
        (resource.RLIMIT_CPU, SECONDS),
        (resource.RLIMIT_CORE, 0),
    ):
        with contextlib.suppress(OSError, ValueError):  # macOS knows no limit of memory
            resource.setrlimit(what, (most, most))


def main(path: str) -> None:
    """Print the signals of a file."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"  # each thread reserves memory
    _limit_itself()
    warnings.simplefilter("ignore")
    with open(path, "rb") as file:
        text = file.read().decode("cp1252", "replace")
    try:
        print(json.dumps(list_signals(text)))
    except MemoryError:
        sys.exit(NO_MEMORY)


if __name__ == "__main__":
    main(*sys.argv[1:])
