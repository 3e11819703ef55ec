"""The area that measured points cover: their convex hull in speed and torque."""

import numpy as np

EDGE = 1e-9  # of the extent; a point so near the hull's edge lies inside


def convex_hull(points: np.ndarray) -> np.ndarray:
    """Return the corners of the convex hull, counterclockwise.

    Parameters
    ----------
    points
        (n, 2), not all on one line.

    Returns
    -------
    ndarray
        (k, 2), without points on its edges.

    Notes
    -----
    Monotone chain: Andrew, Information Processing Letters 9(5), 1979, DOI
    10.1016/0020-0190(79)90072-3.
    """
    ordered = np.unique(points, axis=0)
    return np.array(_chain(ordered)[:-1] + _chain(ordered[::-1])[:-1])


def _chain(ordered: np.ndarray) -> list[np.ndarray]:
    """Return the hull's lower side from the first to the last of ordered points."""
    chain: list[np.ndarray] = []
    for point in ordered:
        while len(chain) > 1 and _turn(chain[-2], chain[-1], point) <= 0.0:
            chain.pop()
        chain.append(point)
    return chain


def _turn(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def is_inside(hull: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Tell of each point whether it lies in a convex hull or on its edge.

    Parameters
    ----------
    hull
        From :func:`convex_hull`.
    points
        (n, 2).

    Returns
    -------
    ndarray of bool, (n,)
    """
    size = np.maximum(np.ptp(hull, axis=0), 1e-300)
    corners, places = hull / size, points / size
    ends = np.roll(corners, -1, axis=0)
    inside = np.ones(points.shape[0], dtype=np.bool_)
    for start, end in zip(corners, ends, strict=True):
        side = end - start
        across = side[0] * (places[:, 1] - start[1]) - side[1] * (places[:, 0] - start[0])
        inside &= across >= -EDGE * max(float(np.hypot(*side)), EDGE)
    return inside
