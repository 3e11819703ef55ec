"""Opening of a log, whatever its format."""

from collections.abc import Sequence
from pathlib import Path

from ..base.errors import InputError
from ..files.reading import cannot_read, open_ordinary
from .bus_frames import is_trace
from .bus_log import BusLog
from .gpx import GpxLog
from .log import MAX_BYTES, Log
from .mdf_log import UNFINISHED, MdfLog
from .text_log import TextLog


def open_log(path: Path, dbc: Sequence[Path] = ()) -> Log:
    """Open a log: GPX by its suffix, MDF by its first bytes, anything else as text.

    Parameters
    ----------
    path
        The log.
    dbc
        DBC files; with any, the log is the recording of a bus.

    Raises
    ------
    InputError
        The file is absent, empty, no ordinary one, too large, or neither text nor MDF, or it is the
        recording of a bus and no DBC file is given.
    """
    with open_ordinary(path, MAX_BYTES) as file:
        try:
            magic = file.read(8)
        except OSError as error:
            raise cannot_read(path, error) from None
    mdf = magic.startswith((b"MDF ", UNFINISHED))
    if dbc:
        return BusLog(path, dbc, mdf)
    if path.suffix.lower() == ".gpx":
        return GpxLog(path)
    if mdf:
        return MdfLog(path, finished=not magic.startswith(UNFINISHED))
    if is_trace(path):
        raise InputError(
            f"{path}: is the trace of a bus, and what its frames mean stands in a DBC file; give "
            "it to hybridopt log with --dbc FILE"
        )
    return TextLog(path)
