"""The folder of `--out`: which files go there, refused before any work is done."""

from collections.abc import Sequence
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
    files = [out / f"{stem}{suffix}" for suffix in suffixes]
    check_folder(out)
    finish_cut_short(out)
    if out.is_dir():
        for path in files:
            check_target(path, overwrite)
    return files


def check_folder(out: Path) -> None:
    """Raise InputError unless the folder is there or can be made, and can be written to."""
    if out.exists() and not out.is_dir():
        raise InputError(f"--out {out}: is a file; give a folder")
    if not out.parent.is_dir():
        raise InputError(f"--out {out}: the folder {out.parent} does not exist; make it first")
    check_writable(out if out.is_dir() else out.parent)


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
