"""The SoC grid and its terminal penalty, by hand."""

import numpy as np
import pytest

from hybridopt import Settings
from hybridopt.problem.grid import FLOOR_FACTOR, _terminal, make_grid

WINDOW = {"soc_min": 0.2, "soc_max": 0.8, "soc_start": 0.5}


def grid(points=7, target=0.5, penalty=100.0, **options):
    settings = Settings(
        soc_points=points, soc_target=target, **{"terminal": "target", **options}, **WINDOW
    )
    return make_grid(settings, penalty)


def test_a_target_on_the_grid_leaves_it_as_it_is():
    found = grid()
    assert found.spacing == pytest.approx(0.1) and found.points == 7
    assert found.low == 0.2 and found.target == 0.5
    assert (found.penalty, found.floor_penalty) == (100.0, FLOOR_FACTOR * 100.0)


@pytest.mark.parametrize("target", [0.33, 0.48, 0.5, 0.52, 0.79])
def test_the_target_is_a_grid_point_and_the_last_within_a_cell_above_the_window(target):
    found = grid(points=8, target=target)
    cells = (target - found.low) / found.spacing
    assert cells == pytest.approx(round(cells), abs=1e-9)
    last = found.low + (found.points - 1) * found.spacing
    assert 0.8 - 1e-6 * found.spacing <= last < 0.8 + found.spacing
    assert found.top == 0.8


def test_a_free_end_costs_nothing():
    found = grid(terminal="free")
    assert found.penalty == 0.0 and found.floor_penalty == FLOOR_FACTOR * 100.0
    assert [_terminal(found, soc) for soc in (0.1, 0.2, 0.8)] == [0.0] * 3


@pytest.mark.parametrize(("two_sided", "above"), [(False, 0.0), (True, 20.0)])
def test_terminal_penalty_of_missing_the_target(two_sided, above):
    found = grid(two_sided=two_sided)
    costs = [_terminal(found, soc) for soc in (0.2, 0.45, 0.5, 0.7)]
    np.testing.assert_allclose(costs, [30.0, 5.0, 0.0, above], atol=1e-12)
