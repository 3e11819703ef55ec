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
MAX_RATIO = 100  # of unpacked to stored
ALWAYS = 50_000_000  # bytes that it may unpack to, however small it is
MAX_OBJECTS = 10_000
MAX_ATTRIBUTES = 20_000
MANY_TEXTS = 100  # in one attribute, from which on each is taken to be as long as can be
NO_VARIABLE = "This is a netCDF dimension but not a netCDF variable"  # a dimension's length only
REFUSED = 4  # exit code


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


class RefusedContentError(Exception):
    """What is in the file is not read; the message says why and how to mend it."""


def examine(file: Any, stored: int) -> None:
    """Look over all that an HDF5 file holds, before any value is read.

    Parameters
    ----------
    file
        An open h5py File.
    stored
        Bytes of the file.

    Raises
    ------
    RefusedContentError
        Something in it lies in another file, or it would unpack to more than is sane.
    """
    import h5py  # type: ignore[import-untyped]

    root = h5py.h5g.open(file.id, b"/")
    count, size = _attributes(root, 0, stored)
    seen, waiting = set(), [root]
    while waiting:
        group = waiting.pop()
        for name in group:
            if group.links.get_info(name).type != h5py.h5l.TYPE_HARD:
                raise RefusedContentError(_outside(name, "a link, not data of its own"))
            thing = h5py.h5o.open(group, name)
            place = h5py.h5o.get_info(thing).addr
            if place in seen:
                continue
            seen.add(place)
            if len(seen) > MAX_OBJECTS:
                raise RefusedContentError(f"holds more than {MAX_OBJECTS} objects; remove some")
            count, more = _attributes(thing, count, stored)
            size += more
            if isinstance(thing, h5py.h5g.GroupID):
                waiting.append(thing)
            elif isinstance(thing, h5py.h5d.DatasetID):
                _refuse_outside(thing, name)
                size += _unpacked(thing, stored)
    if size > MAX_BYTES:
        raise RefusedContentError(
            f"would unpack to {size / 1e9:.3g} GB; at most {MAX_BYTES / 1e9:g} GB is read"
        )
    if size > max(ALWAYS, MAX_RATIO * stored):
        raise RefusedContentError(
            f"would unpack to {size / 1e6:.3g} MB, more than {MAX_RATIO} times its size; store it "
            "without compression"
        )


def _attributes(thing: Any, before: int, stored: int) -> tuple[int, int]:
    """Return the number of attributes so far with those of a thing, and the bytes of the latter.

    Raises
    ------
    RefusedContentError
        They are too many.
    """
    import h5py

    count = h5py.h5a.get_num_attrs(thing)
    if before + count > MAX_ATTRIBUTES:
        raise RefusedContentError(f"holds more than {MAX_ATTRIBUTES} attributes; remove some")
    size = 0
    for i in range(count):
        attribute = h5py.h5a.open(thing, index=i)
        items, kind = attribute.get_space().get_simple_extent_npoints(), attribute.get_type()
        texts = kind.detect_class(h5py.h5t.STRING) and kind.is_variable_str()
        size += items * (stored if texts and items > MANY_TEXTS else kind.get_size())
    return before + count, size


def _refuse_outside(dataset: Any, name: bytes) -> None:
    """Refuse a dataset whose values lie in other files."""
    import h5py

    made = dataset.get_create_plist()
    if made.get_external_count():
        raise RefusedContentError(_outside(name, "values kept in another file"))
    if made.get_layout() == h5py.h5d.VIRTUAL:
        raise RefusedContentError(_outside(name, "a virtual dataset"))


def _unpacked(dataset: Any, stored: int) -> int:
    """Return the most bytes that the values of a dataset take in memory, if it is a variable."""
    import h5py

    values = h5py.Dataset(dataset)
    label = values.attrs.get("NAME", "")
    if (label if isinstance(label, str) else bytes(label).decode()).startswith(NO_VARIABLE):
        return 0
    each = stored if values.dtype.hasobject else values.dtype.itemsize  # any text may be the whole
    return math.prod(values.shape or ()) * each


def _outside(name: bytes, what: str) -> str:
    return f"variable {ascii(name.decode('utf-8', 'replace'))} is {what}; write all values into it"


def copy(file: Any, out: Any) -> None:
    """Copy dimensions, variables and attributes from one open file to another."""
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
    import h5py

    try:
        with h5py.File(source, "r") as whole:
            examine(whole, os.path.getsize(source))
        with h5netcdf.File(source, "r") as file, h5netcdf.File(target, "w") as out:
            copy(file, out)
    except RefusedContentError as error:
        print(error)
        sys.exit(REFUSED)
    except Exception as error:  # the reading library raises many kinds
        sys.exit(type(error).__name__)


if __name__ == "__main__":
    main(*sys.argv[1:])
