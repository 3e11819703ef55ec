"""Maps packed into one flat array, for kernels: rules over up to three axes.

A packed map is `n1, n2, n3`, then the three axes, then the values in C order. An axis a map does
not have has one entry. Lookups are multilinear, and clamped to the axes.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..base.errors import InputError

AXES = 3


class Map(NamedTuple):
    """Values over axes, SI."""

    axes: tuple[np.ndarray, ...]
    values: np.ndarray


@kernel
def _weight(maps, begin, size, x):
    """Cell of an axis of a packed map, and the place in it, 0 to 1."""
    if size == 1:
        return 0, 0.0
    low, high = 0, size - 1
    while high - low > 1:
        middle = (low + high) // 2
        if maps[begin + middle] <= x:
            low = middle
        else:
            high = middle
    a, b = maps[begin + low], maps[begin + low + 1]
    return low, min(max((x - a) / (b - a), 0.0), 1.0)


@kernel
def _lookup(maps, start, x1, x2, x3):
    """Value of the packed map that begins at `start`."""
    begin = int(start)
    n1, n2, n3 = int(maps[begin]), int(maps[begin + 1]), int(maps[begin + 2])
    axis = begin + 3
    i, u = _weight(maps, axis, n1, x1)
    j, v = _weight(maps, axis + n1, n2, x2)
    k, w = _weight(maps, axis + n1 + n2, n3, x3)
    values = axis + n1 + n2 + n3
    total = 0.0
    for a in range(2 if n1 > 1 else 1):
        for b in range(2 if n2 > 1 else 1):
            for c in range(2 if n3 > 1 else 1):
                share = (u if a else 1.0 - u) * (v if b else 1.0 - v) * (w if c else 1.0 - w)
                if share > 0.0:
                    total += share * maps[values + ((i + a) * n2 + j + b) * n3 + k + c]
    return total


def pack_map(axes: Sequence[np.ndarray], values: np.ndarray, name: str = "map") -> np.ndarray:
    """Return a map as one flat array.

    Parameters
    ----------
    axes
        One to three increasing arrays.
    values
        With one dim per axis, in their order.
    name
        For messages.

    Raises
    ------
    InputError
        Shapes do not fit, an axis does not increase, or a value is not finite.
    """
    arrays = [np.atleast_1d(np.asarray(axis, dtype=np.float64)) for axis in axes]
    values = np.asarray(values, dtype=np.float64)
    shape = tuple(axis.size for axis in arrays)
    if not 1 <= len(arrays) <= AXES or values.shape != shape:
        raise InputError(
            f"{name}: values have shape {values.shape}, the axes {shape}; give one to {AXES} axes "
            "and one value per point"
        )
    for number, axis in enumerate(arrays, start=1):
        if not np.all(np.diff(axis) > 0.0) or not np.isfinite(axis).all():
            raise InputError(f"{name}: axis {number} does not increase; sort it, each value once")
    if not np.isfinite(values).all():
        raise InputError(f"{name}: a value is not a finite number; fill it in")
    arrays += [np.zeros(1)] * (AXES - len(arrays))
    sizes = [axis.size for axis in arrays]
    return np.concatenate((sizes, *arrays, values.ravel())).astype(np.float64)
