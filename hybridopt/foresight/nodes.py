"""Breakpoints chosen by data, and the weight of samples at them."""

import numpy as np


def nodes(
    values: np.ndarray, weight: np.ndarray, count: int, fixed: tuple[float, ...]
) -> np.ndarray:
    """Return breakpoints chosen by data: half by equal weight, half by equal distance.

    Parameters
    ----------
    values, weight
        Samples.
    count
        Highest number of nodes.
    fixed
        Nodes that must be there; the lowest and highest value are as well.
    """
    order = np.argsort(values)
    cumulated = np.cumsum(weight[order])
    asked = np.linspace(0.0, 1.0, count) * cumulated[-1]
    by_weight = np.interp(asked, cumulated, values[order])
    by_distance = np.linspace(values.min(), values.max(), count)
    wanted = np.sort(np.concatenate((0.5 * (by_weight + by_distance), fixed)))
    while wanted.size > count or np.diff(wanted).min() < 1e-6 * np.ptp(wanted):
        gaps = np.diff(wanted)
        i = int(np.argmin(gaps))
        drop = i + 1 if wanted[i] in fixed or i == 0 else i
        wanted = np.delete(wanted, drop if drop < wanted.size - 1 else i)
    return wanted


def node_weights(x: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Return the weight of each sample at each node of an axis: linear interpolation, clamped."""
    if axis.size == 1:
        return np.ones((x.size, 1))
    inside = np.clip(x, axis[0], axis[-1])
    i = np.clip(np.searchsorted(axis, inside, side="right") - 1, 0, axis.size - 2)
    place = (inside - axis[i]) / (axis[i + 1] - axis[i])
    out = np.zeros((x.size, axis.size))
    rows = np.arange(x.size)
    out[rows, i] = 1.0 - place
    out[rows, i + 1] = place
    return out
