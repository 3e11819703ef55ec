"""Opening of a log, whatever its format."""

from pathlib import Path

from ..base.errors import InputError
from .log import MAX_BYTES, Log
from .mdf_log import UNFINISHED, MdfLog
from .text_log import TextLog


def open_log(path: Path) -> Log:
    """Open a log: MDF by its first bytes, anything else as text.

    Raises
    ------
    InputError
        The file is absent, empty, too large, or neither text nor MDF.
    """
    try:
        if not path.is_file():
            raise InputError(f"{path}: is not a file; give the path of a log")
        size = path.stat().st_size
        with path.open("rb") as file:
            magic = file.read(8)
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read ({words})") from None
    if size > MAX_BYTES:
        raise InputError(
            f"{path}: is {size / 1e9:.1f} GB; at most {MAX_BYTES / 1e9:g} GB is read, so cut the "
            "log or export only speed and altitude"
        )
    if magic.startswith((b"MDF ", UNFINISHED)):
        return MdfLog(path, finished=not magic.startswith(UNFINISHED))
    return TextLog(path)
