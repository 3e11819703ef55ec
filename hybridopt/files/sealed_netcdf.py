"""NetCDF files with a seal behind their end, which shows whether they are as they were written."""

import subprocess
import sys
import tempfile
from io import BytesIO
from pathlib import Path

import h5py  # type: ignore[import-untyped]
import xarray as xr

from ..base.errors import InputError
from .netcdf_child import MAX_BYTES, REFUSED, RefusedContentError, examine
from .reading import cannot_read, read_ordinary
from .seal import opened, seal
from .writing import tell_cut_short

HDF5 = b"\x89HDF\r\n\x1a\n"  # what NetCDF-4 files begin with
CHILD = Path(__file__).with_name("netcdf_child.py")
PATIENCE = 30  # s, for a small file
PACE = 5e6  # bytes per second, of a large one


def sealed(dataset: xr.Dataset) -> bytes:
    """Return a dataset as NetCDF, and behind its end the SHA-256 of all before it.

    Other readers pass over the seal.
    """
    content = bytes(dataset.to_netcdf(engine="h5netcdf"))
    return content + seal(content)


def read_sealed(path: Path, what: str, mend: str) -> tuple[xr.Dataset, str]:
    """Read a NetCDF file, unless it is damaged, or is or would unpack to more than is sane.

    Parameters
    ----------
    path
        The file.
    what
        What it should be, for messages: "NetCDF result".
    mend
        How to come by a good one: "solve again".

    Returns
    -------
    dataset : xarray Dataset
        Loaded into memory.
    notice : str
        A sentence for an :class:`InputWarning` where the file is not as this package wrote it;
        else empty.

    Raises
    ------
    InputError
        The file is absent, no ordinary one, too large, damaged or no NetCDF-4, or what it holds
        lies outside of it.

    Notes
    -----
    The reading library can crash or hang on a damaged file, so one whose seal is absent or does
    not fit is first copied by a process of its own, with limits of time and memory. A seal says
    nothing of who made the file: what HDF5 would fetch from other files is refused before any
    value is read.
    """
    content = _content(path, what, mend)
    notice = ""
    body, fault = opened(content)
    if fault:
        if not content.startswith(HDF5):
            raise InputError(f"{path}: is no {what}, or not as it was written ({fault}); {mend}")
        body = _copied(path, what, fault, mend, len(content))
        notice = f"{path}: was changed since it was written ({fault}); its values are taken as is"
    try:
        with h5py.File(BytesIO(body), "r") as file:
            examine(file, len(content))
        with xr.open_dataset(BytesIO(body), engine="h5netcdf", decode_times=False) as loaded:
            return loaded.load(), notice
    except RefusedContentError as error:
        raise InputError(f"{path}: {error}") from None
    except Exception as error:  # the reading library raises many kinds
        raise InputError(f"{path}: is no {what} ({type(error).__name__})") from None


def _content(path: Path, what: str, mend: str) -> bytes:
    try:
        path.stat()
    except FileNotFoundError:
        raise InputError(f"{path}: does not exist; give a {what}, or {mend}") from None
    except (OSError, ValueError) as error:
        raise cannot_read(path, error) from None
    tell_cut_short(path.parent)
    return read_ordinary(path, MAX_BYTES)


def _copied(path: Path, what: str, fault: str, mend: str, size: int) -> bytes:
    """Return the copy that a child process makes of a file."""
    patience = PATIENCE + int(size / PACE)
    with tempfile.TemporaryDirectory(prefix="hybridopt-") as folder:
        copy = Path(folder) / "copy.nc"
        command = [sys.executable, "-P", str(CHILD), str(path.resolve()), str(copy), str(patience)]
        try:
            done = subprocess.run(command, capture_output=True, timeout=patience, check=False)
        except subprocess.TimeoutExpired:
            reason = f"reading took more than {patience} s"
        else:
            if not done.returncode:
                return copy.read_bytes()
            if done.returncode == REFUSED:
                raise InputError(f"{path}: {_words(done.stdout)}")
            reason = _reason(done)
    raise InputError(
        f"{path}: is no {what}, or not as it was written ({fault}; {reason}); {mend}"
    ) from None


def _reason(done: subprocess.CompletedProcess[bytes]) -> str:
    if done.returncode < 0:
        return f"the reading process ended by signal {-done.returncode}"
    return _words(done.stderr)[-100:] or "no reason given"


def _words(said: bytes) -> str:
    """Return the last line that a process said, printable."""
    lines = said.decode("utf-8", "replace").strip().split("\n")
    return "".join(c if c.isprintable() else " " for c in lines[-1])
