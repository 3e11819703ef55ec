"""Opening of a log, whatever its format."""

from pathlib import Path

from ..files.reading import cannot_read, open_ordinary
from .gpx import GpxLog
from .log import MAX_BYTES, Log
from .mdf_log import UNFINISHED, MdfLog
from .text_log import TextLog


def open_log(path: Path) -> Log:
    """Open a log: GPX by its suffix, MDF by its first bytes, anything else as text.

    Raises
    ------
    InputError
        The file is absent, empty, no ordinary one, too large, or neither text nor MDF.
    """
    with open_ordinary(path, MAX_BYTES) as file:
        try:
            magic = file.read(8)
        except OSError as error:
            raise cannot_read(path, error) from None
    if path.suffix.lower() == ".gpx":
        return GpxLog(path)
    if magic.startswith((b"MDF ", UNFINISHED)):
        return MdfLog(path, finished=not magic.startswith(UNFINISHED))
    return TextLog(path)
