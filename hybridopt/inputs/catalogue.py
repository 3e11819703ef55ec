"""The shipped cycles, schedules and recorded drives: names, and the recipe of each."""

import functools
import tomllib
from pathlib import Path
from typing import Any

from ..base.errors import FailedError, InputError

SCHEDULE, DRIVE = KINDS = ("schedule", "drive")  # published; recorded on the road
PACKAGE = Path(__file__).parents[1]
FOLDERS = (PACKAGE / "cycles", PACKAGE.parent / "cycles")  # installed, source checkout


@functools.cache
def cycles_folder() -> Path:
    """Return the folder that holds the shipped cycles.

    Raises
    ------
    FailedError
        The folder is in neither place, so the installation is incomplete.
    """
    for folder in FOLDERS:
        if (folder / "catalogue.toml").is_file():
            return folder
    raise FailedError("cycles/catalogue.toml is not in the installed package; install it again")


@functools.cache
def recipes() -> dict[str, dict[str, Any]]:
    """Return the tables of `catalogue.toml` by name of the cycle; its head explains their keys."""
    return tomllib.loads((cycles_folder() / "catalogue.toml").read_text(encoding="utf-8"))


def cycle_kind(name: str) -> str:
    """Return the kind of a shipped cycle, one of :data:`KINDS`."""
    return str(recipes()[name].get("kind", SCHEDULE))


def cycle_names(kind: str = "") -> tuple[str, ...]:
    """Return the names of the shipped cycles, in the order of the catalogue.

    Parameters
    ----------
    kind
        "schedule" for the published ones alone, "drive" for the recorded ones; empty for all.

    Returns
    -------
    tuple of str
        For :func:`read_cycle`.

    Raises
    ------
    InputError
        The kind is unknown.
    """
    if kind and kind not in KINDS:
        raise InputError(f"kind of cycle {kind!r}: is unknown; give {' or '.join(KINDS)}")
    return tuple(name for name in recipes() if kind in ("", cycle_kind(name)))
