"""Copies a NetCDF file in a process of its own, since a damaged file can crash or hang its library.

Run as a script: `netcdf_child.py FILE COPY SECONDS`. The copy is a new file with all variables
and attributes that could be read. Imports nothing of this package.
"""

import contextlib
import math
import os
import sys
from typing import Any

MEMORY = 8 << 30  # bytes
MAX_BYTES = 1_000_000_000  # that a file may unpack to
TOO_LARGE = 4  # exit code


def limit_process(seconds: int) -> None:
    """Limit memory and processor time, where the system can."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"  # each thread reserves memory
    if sys.platform == "win32":
        return
    import resource

    for what, most in (
        (resource.RLIMIT_AS, MEMORY),
        (resource.RLIMIT_CPU, seconds),
        (resource.RLIMIT_CORE, 0),
    ):
        with contextlib.suppress(OSError, ValueError):  # macOS knows no limit of memory
            resource.setrlimit(what, (most, most))


def copy(file: Any, out: Any) -> None:
    """Copy dimensions, variables and attributes from one open file to another."""
    size = sum(math.prod(v.shape) * v.dtype.itemsize for v in file.variables.values())
    if size > MAX_BYTES:
        print(size)
        sys.exit(TOO_LARGE)
    out.dimensions = {name: dimension.size for name, dimension in file.dimensions.items()}
    out.attrs.update(file.attrs)
    for name, variable in file.variables.items():
        attrs = dict(variable.attrs)
        fill = attrs.pop("_FillValue", None)
        made = out.create_variable(
            name, variable.dimensions, variable.dtype, data=variable[...], fillvalue=fill
        )
        made.attrs.update(attrs)


def main(source: str, target: str, seconds: str) -> None:
    """Copy a file; a failure is named on stderr."""
    limit_process(int(seconds))
    import h5netcdf  # type: ignore[import-untyped]

    try:
        with h5netcdf.File(source, "r") as file, h5netcdf.File(target, "w") as out:
            copy(file, out)
    except Exception as error:  # the reading library raises many kinds
        sys.exit(type(error).__name__)


if __name__ == "__main__":
    main(*sys.argv[1:])
