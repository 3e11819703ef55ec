"""The folder of `--out`: which files go there, refused before any work is done."""

import os.path
from collections.abc import Iterable, Sequence
from pathlib import Path

from ..base.errors import FailedError, InputError
from ..files.writing import check_target, check_writable, finish_cut_short


def plan_files(out: Path | None, stem: str, suffixes: Sequence[str], overwrite: bool) -> list[Path]:
    """Return the files to write, none without a folder.

    Raises
    ------
    InputError
        A file is there already and `overwrite` is not set, or the folder cannot be made.
    """
    if out is None:
        return []
    return plan_targets("--out", out, [f"{stem}{suffix}" for suffix in suffixes], overwrite)


def plan_targets(flag: str, folder: Path, names: Iterable[str], overwrite: bool) -> list[Path]:
    """Return the files of some names in the folder that an option gives.

    Raises
    ------
    InputError
        As :func:`plan_files`.
    """
    files = [folder / name for name in names]
    _check_folder(flag, folder)
    finish_cut_short(folder)
    if folder.is_dir():
        for path in files:
            check_target(path, overwrite)
    return files


def _check_folder(flag: str, folder: Path) -> None:
    """Raise InputError unless the folder is there or can be made, and can be written to."""
    if os.path.exists(folder) and not os.path.isdir(folder):
        raise InputError(f"{flag} {folder}: is a file; give a folder")
    if not os.path.isdir(folder.parent):
        raise InputError(
            f"{flag} {folder}: the folder {folder.parent} does not exist; make it first"
        )
    check_writable(folder if folder.is_dir() else folder.parent)


def make_folder(folder: Path) -> None:
    """Make the folder if it is not there.

    Raises
    ------
    FailedError
        The system refused.
    """
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise FailedError(f"{folder}: the folder could not be made ({error.strerror})") from None
