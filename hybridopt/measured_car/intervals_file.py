"""Intervals of parameters from a JSON file, for the uncertainty of an assessment."""

import json
import math
from pathlib import Path
from typing import Any

from ..base.errors import InputError
from ..files.csv_table import read_text

LARGEST_FILE = 10_000_000  # bytes
LISTS = ("estimates", "parameters", "identified")
"""Names under which a list of estimates may stand in an object."""


def read_intervals(path: str | Path) -> dict[str, tuple[float, float, float]]:
    """Return value, lower and upper end of parameters by key of the driveline file.

    Parameters
    ----------
    path
        JSON: objects with `key`, `value`, `low` and `high` in a list, such as the estimates of an
        identification; or one object {key: [value, low, high]}.

    Raises
    ------
    InputError
        The file cannot be read, or an entry is no interval.
    """
    path = Path(path)
    try:
        given = json.loads(read_text(path, LARGEST_FILE))
    except (ValueError, RecursionError):
        raise InputError(f"{path}: is no valid JSON; give what identify --json printed") from None
    if isinstance(given, dict):
        given = next((given[n] for n in LISTS if isinstance(given.get(n), list)), given)
    entries = _entries(given)
    found = {}
    for key, values in entries:
        good = [
            float(x)
            for x in values
            if isinstance(x, int | float) and not isinstance(x, bool) and math.isfinite(x)
        ]
        if not isinstance(key, str) or len(good) != 3 or not good[1] <= good[0] <= good[2]:
            raise InputError(
                f"{path}: {str(key)[:80]!r} has no value between a lower and an upper end; give "
                "three numbers in this order: value, low, high"
            )
        found[key] = (good[0], good[1], good[2])
    if not found:
        raise InputError(f"{path}: holds no intervals; give what identify --json printed")
    return found


def _entries(given: Any) -> list[tuple[Any, list[Any]]]:
    if isinstance(given, list):
        rows = [one if isinstance(one, dict) else {} for one in given]
        return [(r.get("key"), [r.get(n) for n in ("value", "low", "high")]) for r in rows]
    if isinstance(given, dict):
        return [(key, x if isinstance(x, list) else []) for key, x in given.items()]
    return []
