"""Values of steps from samples that are means over windows which lie across the steps."""

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import spsolve

FAR = 5.0  # errors, beyond which more says no more
PIECES = 20  # of a window, over which a polyline is integrated
TINY = 1e-9


def windows(time: np.ndarray, half: float, border: np.ndarray) -> sparse.csr_matrix:
    """Return the share of each sample's window that lies in each step, (samples, steps).

    Parameters
    ----------
    time, half
        Middle of the windows, and half their length, s.
    border
        Of the steps, increasing, (steps + 1,), s.
    """
    steps = border.size - 1
    low, high = time - half, time + half
    first = np.searchsorted(border, low, side="right") - 1
    last = np.searchsorted(border, high, side="left") - 1
    row, column, share = [], [], []
    for more in range(int(np.max(last - first)) + 1):
        at = first + more
        inside = (at >= 0) & (at < steps) & (at <= last)
        k = np.where(inside, at, 0)
        part = np.minimum(high, border[k + 1]) - np.maximum(low, border[k])
        inside &= part > TINY
        row.append(np.flatnonzero(inside))
        column.append(k[inside])
        share.append(part[inside])
    size = (time.size, steps)
    found = _sparse(share, row, column, size)
    total = np.asarray(found.sum(axis=1)).ravel()
    return sparse.diags(np.divide(1.0, total, out=np.zeros(total.size), where=total > 0.0)) @ found


def polyline_windows(
    time: np.ndarray, half: float, border: np.ndarray, factor: np.ndarray | None = None
) -> sparse.csr_matrix:
    """Return how the mean of each sample's window depends on a polyline's values at the borders.

    Parameters
    ----------
    time, half, border
        As for :func:`windows`.
    factor
        Of each step, on the polyline; None: 1.
    """
    row, column, share = [], [], []
    for place in half * (2.0 * (np.arange(PIECES) + 0.5) / PIECES - 1.0):
        at = np.clip(time + place, border[0], border[-1])
        k = np.clip(np.searchsorted(border, at, side="right") - 1, 0, border.size - 2)
        after = (at - border[k]) / (border[k + 1] - border[k])
        weight = (1.0 if factor is None else factor[k]) / PIECES
        row += [np.arange(time.size)] * 2
        column += [k, k + 1]
        share += [(1.0 - after) * weight, after * weight]
    return _sparse(share, row, column, (time.size, border.size))


def unmixed(
    share: sparse.csr_matrix,
    values: np.ndarray,
    error: float,
    change: float,
    joined: np.ndarray,
    free: np.ndarray | None = None,
) -> tuple[np.ndarray, float]:
    """Return the values of steps whose means over windows are nearest to those sampled.

    Parameters
    ----------
    share
        Of windows in steps, from :func:`windows`.
    values, error
        Samples and their standard error.
    change
        Standard deviation of a change from one step to the next, where `joined`, (steps - 1,).
    joined
        Pairs of neighbours between which nothing is known to jump.
    free
        Steps that may differ from 0; None: all.

    Returns
    -------
    values : (steps,)
    cost : sum of squares, of errors and changes
    """
    steps = share.shape[1]
    known = np.flatnonzero(np.isfinite(values) & (np.asarray(share.sum(axis=1)).ravel() > 0.0))
    rows, wanted = share[known] / error, values[known] / error
    pair = np.arange(steps - 1)[joined]
    ones = np.ones(pair.size)
    changes = _sparse(
        [-ones / change, ones / change],
        [np.arange(pair.size)] * 2,
        [pair, pair + 1],
        (pair.size, steps),
    )
    at = np.arange(steps) if free is None else np.flatnonzero(free)
    found = solved(rows.T @ rows + changes.T @ changes, rows.T @ wanted, at)
    off, moved = rows @ found - wanted, changes @ found
    return found, float(np.sum(np.minimum(off**2, FAR**2)) + moved @ moved)


def solved(matrix: sparse.csr_matrix, right: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return the solution of normal equations in the unknowns listed; the others are 0."""
    found = np.zeros(right.size)
    if at.size:
        inside = (matrix + TINY * sparse.identity(right.size)).tocsr()[at][:, at].tocsc()
        found[at] = spsolve(inside, right[at])
    return found


def _sparse(
    values: list[np.ndarray], row: list[np.ndarray], column: list[np.ndarray], size: tuple[int, int]
) -> sparse.csr_matrix:
    places = (np.concatenate(row), np.concatenate(column))
    return sparse.csr_matrix((np.concatenate(values), places), shape=size)
