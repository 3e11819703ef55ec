"""The shipped schedules: names, and the recipe by which each is made."""

import functools
import tomllib
from pathlib import Path
from typing import Any

from ..base.errors import FailedError

PACKAGE = Path(__file__).parents[1]
FOLDERS = (PACKAGE / "cycles", PACKAGE.parent / "cycles")  # installed, source checkout


@functools.cache
def cycles_folder() -> Path:
    """Return the folder that holds the shipped schedules.

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
    """Return the tables of `catalogue.toml` by schedule name; its head explains their keys."""
    return tomllib.loads((cycles_folder() / "catalogue.toml").read_text(encoding="utf-8"))


def cycle_names() -> tuple[str, ...]:
    """Return the names of the shipped schedules, in the order of the catalogue.

    Returns
    -------
    tuple of str
        For :func:`read_cycle`.
    """
    return tuple(recipes())
