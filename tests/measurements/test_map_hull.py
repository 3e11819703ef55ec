"""The convex hull: corners by hand, and inside by scipy's triangulation, another algorithm."""

import numpy as np
import pytest
from scipy.spatial import Delaunay

from hybridopt.measurements.map_hull import convex_hull, is_inside


@pytest.mark.parametrize("seed", range(5))
def test_inside_is_that_of_the_triangulation(seed):
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(60, 2)) * (600.0, 50.0)
    hull = convex_hull(points)
    asked = rng.normal(size=(500, 2)) * (800.0, 80.0)
    np.testing.assert_array_equal(is_inside(hull, asked), Delaunay(points).find_simplex(asked) >= 0)
    a, b, c = hull, np.roll(hull, -1, axis=0), np.roll(hull, -2, axis=0)
    turn = (b - a)[:, 0] * (c - b)[:, 1] - (b - a)[:, 1] * (c - b)[:, 0]
    assert (turn > 0.0).all()  # counterclockwise


def test_points_on_the_edge_are_no_corners_and_lie_inside():
    grid = np.array([(x, y) for x in (0.0, 100.0, 300.0, 700.0) for y in (0.0, 0.1, 0.3)])
    hull = convex_hull(grid)
    assert {tuple(p) for p in hull} == {(0.0, 0.0), (700.0, 0.0), (700.0, 0.3), (0.0, 0.3)}
    assert is_inside(hull, grid).all()
    assert not is_inside(hull, np.array([(350.0, 0.3001), (-0.1, 0.1)])).any()
