"""Linear interpolation in curves and maps, clamped to their axes."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel


@kernel
def _cell(axis, x):
    """Index of the cell of `axis` that holds x, clamped to the axis (counting needs no branch)."""
    i = 0
    for j in range(1, axis.size - 1):
        i += axis[j] <= x
    return i


@kernel
def _interp(axis, values, x):
    i = _cell(axis, x)
    w = min(max((x - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0)
    return values[i] + w * (values[i + 1] - values[i])


@kernel
def _row(axis, table, x, out):
    """Row of a map at x: with it, a bilinear lookup is a linear one."""
    i = _cell(axis, x)
    w = min(max((x - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0)
    for j in range(table.shape[1]):
        out[j] = table[i, j] + w * (table[i + 1, j] - table[i, j])


def map_row(axis: np.ndarray, table: np.ndarray, x: float) -> np.ndarray:
    """Return the row of a map at a place on its first axis, (m,).

    Parameters
    ----------
    axis
        First axis, increasing, (n,).
    table
        Values, (n, m).
    x
        In the unit of the axis; clamped to it.
    """
    row = np.empty(table.shape[1])
    _row(axis, table, x, row)
    return row
