"""The area that measured points cover: their convex hull in speed and torque."""

import numpy as np
from scipy.spatial import ConvexHull

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
    """
    corners: np.ndarray = points[ConvexHull(points / np.ptp(points, axis=0)).vertices]
    return corners


def is_inside(hull: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Return for each point whether it lies in a convex hull or on its edge.

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
    size = np.ptp(hull, axis=0)
    sides = ConvexHull(hull / size).equations  # outward normal, and minus the side's distance
    inside: np.ndarray = ((points / size) @ sides[:, :2].T + sides[:, 2] <= EDGE).all(axis=1)
    return inside
