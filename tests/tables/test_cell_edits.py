"""Changes of cells by hand, against values worked out by hand."""

import numpy as np
import pytest

from hybridopt.base.errors import InputError
from hybridopt.controllers.maps import Map
from hybridopt.tables.cell_edits import Region, edited_values

FLAT = Map(
    (np.array([0.0, 1.0, 3.0]), np.array([0.0, 10.0, 40.0])),
    np.array([[0.0, 4.0, 8.0], [1.0, 9.0, 5.0], [6.0, 2.0, 20.0]]),
)
DEEP = Map((*FLAT.axes, np.array([0.0, 1.0])), np.stack([FLAT.values, 10.0 * FLAT.values], axis=-1))
ROW = Map((np.array([0.0, 1.0, 5.0]),), np.array([2.0, 7.0, 12.0]))


@pytest.mark.parametrize(
    ("operation", "amount", "wanted"),
    [
        ("set", 3.0, [[0, 3, 3], [1, 3, 3], [6, 2, 20]]),
        ("add", -1.5, [[0, 2.5, 6.5], [1, 7.5, 3.5], [6, 2, 20]]),
        ("scale", 2.0, [[0, 8, 16], [1, 18, 10], [6, 2, 20]]),
        # half of itself and half the mean of its neighbours before: (0 + 8 + 9) / 3, ...
        (
            "smooth",
            0.0,
            [[0, 2 + 17 / 6, 4 + 4.5 / 2], [1, 4.5 + 12 / 8, 2.5 + 37 / 6], [6, 2, 20]],
        ),
    ],
)
def test_a_region_is_changed_and_nothing_else(operation, amount, wanted):
    found = edited_values(FLAT, Region((0, 1), (1, 2)), operation, amount)
    np.testing.assert_allclose(found, wanted, rtol=1e-14)


def test_interpolation_is_linear_over_the_breakpoints_between_the_corners():
    """At 1 of 0 to 3 a third of the way, at 10 of 0 to 40 a quarter."""
    found = edited_values(FLAT, Region((0, 2), (0, 2)), "interpolate")
    wanted = [[0, 2, 8], [2, 2 + (12 - 2) / 4, 12], [6, 6 + 14 / 4, 20]]
    np.testing.assert_allclose(found, wanted, rtol=1e-14)
    found = edited_values(ROW, Region((0, 2)), "interpolate")
    np.testing.assert_allclose(found, [2, 4, 12], rtol=1e-14)


@pytest.mark.parametrize("layer", [0, 1, None])
def test_a_layer_or_all_of_them(layer):
    found = edited_values(DEEP, Region((1, 1), (0, 2), layer), "add", 1.0)
    moved = found - DEEP.values
    wanted = np.zeros((3, 3, 2))
    wanted[1, :, slice(None) if layer is None else layer] = 1.0
    np.testing.assert_allclose(moved, wanted, atol=1e-12)


@pytest.mark.parametrize(
    ("region", "operation", "amount", "words"),
    [
        (Region((0, 3), (0, 0)), "set", 1.0, "leaves the table's 3 cells"),
        (Region((-1, 0), (0, 0)), "set", 1.0, "leaves the table"),
        (Region((1, 0), (0, 0)), "set", 1.0, "leaves the table"),
        (Region((0, 0), (0, 0), 1), "set", 1.0, "leaves the table's 1 cells"),
        (Region((0, 1), (0, 1)), "interpolate", 0.0, "three cells in a row"),
        (Region((0, 0), (0, 0)), "set", np.nan, "no numbers"),
        (Region((0, 0), (0, 0)), "double", 1.0, "is no change"),
    ],
)
def test_refusals(region, operation, amount, words):
    with pytest.raises(InputError, match=words):
        edited_values(FLAT, region, operation, amount)
