"""Blocks of SoC points that share one pruned list of splits, and what is known of each."""

import numpy as np

BLOCK = 256  # points of a block at most


def block_bounds(points: int, pad: int) -> np.ndarray:
    """Cut the SoC points into blocks.

    Near an edge of the window the value's slope jumps to the penalty's (or to zero), which spoils
    pruning, so the edges get narrow blocks of their own.

    Parameters
    ----------
    points
        SoC points.
    pad
        Farthest that SoC moves in a step, in points.

    Returns
    -------
    ndarray of int64, (blocks + 1,)
    """
    edge = min(pad, points // 2)
    inner = points - 2 * edge
    parts = (inner + BLOCK - 1) // BLOCK
    inside = edge + inner * np.arange(parts + 1) // max(parts, 1)
    return np.unique(np.concatenate(([0], inside, [points]))).astype(np.int64)


def block_facts(nodes: np.ndarray, bounds: np.ndarray) -> np.ndarray:
    """Return what pruning needs of every block, (blocks, 10).

    Columns: lowest and highest voltage, discharge resistance, charge resistance; the powers that
    are allowed all over the block, from and to; those that are allowed anywhere in it.
    """
    voltage, discharge, charge, power_max, power_min = nodes

    def facts(block: slice) -> list[float]:
        ranges = [f(x[block]) for x in (voltage, discharge, charge) for f in (np.min, np.max)]
        everywhere = [power_min[block].max(), power_max[block].min()]
        return [*ranges, *everywhere, power_min[block].min(), power_max[block].max()]

    pairs = zip(bounds[:-1], bounds[1:], strict=True)
    return np.array([facts(slice(a, b)) for a, b in pairs])
