"""Changes of the cells of a table by hand: a region is set, moved, scaled, smoothed or filled."""

from typing import NamedTuple

import numpy as np

from ..base.errors import InputError
from ..controllers.maps import Map

OPERATIONS = ("set", "add", "scale", "smooth", "interpolate")
OWN_SHARE = 0.5  # of a cell's own value where it is smoothed; its neighbours share the rest


class Region(NamedTuple):
    """A rectangle of cells: first and last row and column, from 0; its layer, None: all of them.

    Rows run along the first axis of a table, columns along the second, layers along the third.
    """

    rows: tuple[int, int]
    columns: tuple[int, int] = (0, 0)
    layer: int | None = None

    def within(self, shape: tuple[int, ...]) -> tuple[slice, ...]:
        """Return the region as an index of values of a shape.

        Raises
        ------
        InputError
            It leaves the table.
        """
        sizes = (*shape, 1, 1)[:3]
        third = (0, sizes[2] - 1) if self.layer is None else (self.layer, self.layer)
        for (first, last), size in zip((self.rows, self.columns, third), sizes, strict=True):
            if not 0 <= first <= last < size:
                raise InputError(f"the region {first} to {last} leaves the table's {size} cells")
        spans = (slice(a, b + 1) for a, b in (self.rows, self.columns, third))
        return tuple(spans)[: len(shape)]


def edited_values(found: Map, region: Region, operation: str, amount: float = 0.0) -> np.ndarray:
    """Return the values of a table with a region of its cells changed.

    Parameters
    ----------
    found
        The table, SI.
    region
        Its cells that are changed.
    operation
        "set": to the amount; "add": the amount is added; "scale": times the amount; "smooth": half
        a cell's own value and half the mean of its neighbours in row and column; "interpolate":
        between the corners of the region, linear over the breakpoints.
    amount
        SI, a factor for "scale".

    Returns
    -------
    ndarray
        SI, in the shape of the table.

    Raises
    ------
    InputError
        The operation is unknown, the region leaves the table or has nothing to interpolate, or a
        value is no finite number.
    """
    if operation not in OPERATIONS:
        raise InputError(f"{operation!r} is no change; known are {', '.join(OPERATIONS)}")
    place, values = region.within(found.values.shape), found.values.copy()
    match operation:
        case "set":
            values[place] = amount
        case "add":
            values[place] += amount
        case "scale":
            values[place] *= amount
        case "smooth":
            values[place] = _smoothed(values)[place]
        case _:
            values[place] = _interpolated(found, place)
    if not np.isfinite(values).all():
        raise InputError(f"{operation} {amount:g} gives values that are no numbers; give another")
    return values


def _smoothed(values: np.ndarray) -> np.ndarray:
    total, count = np.zeros(values.shape), np.zeros(values.shape)
    for axis in range(min(values.ndim, 2)):
        rows, around, counted = (np.moveaxis(x, axis, 0) for x in (values, total, count))
        around[1:] += rows[:-1]
        around[:-1] += rows[1:]
        counted[1:] += 1.0
        counted[:-1] += 1.0
    return np.asarray(OWN_SHARE * values + (1.0 - OWN_SHARE) * total / np.maximum(count, 1.0))


def _interpolated(found: Map, place: tuple[slice, ...]) -> np.ndarray:
    values = found.values[place]
    if max(values.shape[:2]) < 3:
        raise InputError("choose three cells in a row or more; those between the ends are filled")
    for axis in range(min(values.ndim, 2)):
        at = found.axes[axis][place[axis]]
        if at.size > 2:
            share = (at - at[0]) / (at[-1] - at[0])
            rows = np.moveaxis(values, axis, 0)
            share = share.reshape(-1, *[1] * (rows.ndim - 1))
            values = np.moveaxis((1.0 - share) * rows[0] + share * rows[-1], 0, axis)
    return np.asarray(values)
