"""NetCDF files with a seal behind their end, which shows whether they are as they were written."""

import subprocess
import sys
import tempfile
from io import BytesIO
from pathlib import Path

import xarray as xr

from ..base.errors import InputError
from .netcdf_child import MAX_BYTES, TOO_LARGE
from .seal import opened, seal

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
        The file is absent, too large, damaged or no NetCDF-4.

    Notes
    -----
    The reading library can crash or hang on a damaged file, so one whose seal is absent or does
    not fit is first copied by a process of its own, with limits of time and memory.
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
        with xr.open_dataset(BytesIO(body), engine="h5netcdf", decode_times=False) as file:
            unpacked = file.nbytes
            if unpacked <= MAX_BYTES:
                return file.load(), notice
    except Exception as error:  # the reading library raises many kinds
        raise InputError(f"{path}: is no {what} ({type(error).__name__})") from None
    raise _too_large(path, unpacked)


def _content(path: Path, what: str, mend: str) -> bytes:
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
    return content


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
            if done.returncode == TOO_LARGE:
                raise _too_large(path, int(done.stdout))
            reason = _reason(done)
    raise InputError(
        f"{path}: is no {what}, or not as it was written ({fault}; {reason}); {mend}"
    ) from None


def _reason(done: subprocess.CompletedProcess[bytes]) -> str:
    if done.returncode < 0:
        return f"the reading process ended by signal {-done.returncode}"
    lines = done.stderr.decode("utf-8", "replace").split("\n")
    last = next((line for line in reversed(lines) if line.strip()), "no reason given")
    return "".join(c if c.isprintable() else " " for c in last)[:100]


def _too_large(path: Path, size: float) -> InputError:
    return InputError(
        f"{path}: would unpack to {size / 1e9:.3g} GB; at most {MAX_BYTES / 1e9:g} GB is read"
    )
