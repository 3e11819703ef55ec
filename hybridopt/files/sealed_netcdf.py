"""NetCDF files with a seal behind their end, so that damage is seen before they are read."""

import hashlib
from io import BytesIO
from pathlib import Path

import xarray as xr

from ..base.errors import InputError

MAX_BYTES = 1e9
SEAL = b"\nhybridopt sha256 "
SEAL_LENGTH = len(SEAL) + 64


def sealed(dataset: xr.Dataset) -> bytes:
    """Return a dataset as NetCDF, and behind its end the SHA-256 of all before it.

    Other readers pass over the seal.
    """
    content = bytes(dataset.to_netcdf(engine="h5netcdf"))
    return content + _seal(content)


def read_sealed(path: Path, what: str, mend: str) -> xr.Dataset:
    """Read a sealed NetCDF file, unless it is, or would unpack to, more than is sane.

    Parameters
    ----------
    path
        The file.
    what
        What it should be, for messages: "NetCDF result".
    mend
        How to come by a good one: "solve again".

    Raises
    ------
    InputError
        The file is absent, too large, not sealed or not as it was written.

    Notes
    -----
    Damage is seen before the reading library sees the file, since it can hang on it.
    """
    try:
        size = path.stat().st_size
        content = path.read_bytes() if size <= MAX_BYTES else b""
    except FileNotFoundError:
        raise InputError(f"{path}: does not exist; give a {what}, or {mend}") from None
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read ({words})") from None
    if size > MAX_BYTES:
        raise InputError(f"{path}: is {size / 1e9:.1f} GB; at most {MAX_BYTES / 1e9:g} GB is read")
    content, seal = content[:-SEAL_LENGTH], content[-SEAL_LENGTH:]
    if seal != _seal(content):
        raise InputError(
            f"{path}: is no {what} of this package, or not as it was written (its seal "
            f"does not fit); {mend}"
        )
    try:
        with xr.open_dataset(BytesIO(content), engine="h5netcdf", decode_times=False) as file:
            unpacked = file.nbytes
            if unpacked <= MAX_BYTES:
                return file.load()
    except Exception as error:  # the reading library raises many kinds
        raise InputError(f"{path}: is no {what} ({type(error).__name__})") from None
    raise InputError(
        f"{path}: would unpack to {unpacked / 1e9:.3g} GB; at most {MAX_BYTES / 1e9:g} GB is read"
    )


def _seal(content: bytes) -> bytes:
    return SEAL + hashlib.sha256(content).hexdigest().encode()
