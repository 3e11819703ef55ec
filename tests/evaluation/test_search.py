"""The search without derivatives: known minima, the box, seeds, number of trials."""

import numpy as np
import pytest

from hybridopt.evaluation.search import minimise


def box(low, high, n):
    return np.full(n, float(low)), np.full(n, float(high))


def sphere(x):
    """Closed form: minimum 0 at x_i = i / 10."""
    return float(np.sum((x - np.arange(x.size) / 10.0) ** 2))


def ellipsoid(x):
    """Closed form: minimum 0 at x_i = i, with weights from 1 to 1e4."""
    return float(np.geomspace(1.0, 1e4, x.size) @ (x - np.arange(x.size)) ** 2)


def rosenbrock(x):
    """Minimum 0 at 1: Rosenbrock, Computer J. 3(3), 1960, DOI 10.1093/comjnl/3.3.175."""
    return float(np.sum((1.0 - x[:-1]) ** 2 + 100.0 * (x[1:] - x[:-1] ** 2) ** 2))


@pytest.mark.long
@pytest.mark.parametrize(
    ("function", "n", "evaluations", "minimum", "room"),
    [
        (sphere, 10, 3000, np.arange(10) / 10.0, 1e-4),
        (ellipsoid, 8, 6000, np.arange(8.0), 1e-3),
        (rosenbrock, 2, 20_000, np.ones(2), 1e-2),
    ],
)
def test_known_minima_inside_a_box_are_found(function, n, evaluations, minimum, room):
    found, value = minimise(function, np.zeros(n), np.ones(n), box(-2, 10, n), evaluations, seed=3)
    np.testing.assert_allclose(found, minimum, atol=room)
    assert value == pytest.approx(function(found)) and value < 1e-4


def test_a_minimum_on_the_edge_is_found_and_no_trial_leaves_the_box():
    """Closed form: a slope has its minimum in a corner; x2 of Rosenbrock is free, x1 is not."""
    seen = []

    def slope(x):
        seen.append(x.copy())
        return float(x @ [1.0, -2.0])

    low, high = np.array([-2.0, -1.0]), np.array([2.0, 3.0])
    best, _ = minimise(slope, np.zeros(2), 0.1 * (high - low), (low, high), 400)
    assert np.all(np.array(seen) >= low) and np.all(np.array(seen) <= high)
    np.testing.assert_allclose(best, [-2.0, 3.0], atol=0.02)
    best, _ = minimise(
        rosenbrock, np.zeros(2), np.ones(2), (np.full(2, -2.0), np.array([0.5, 2.0])), 2000
    )
    np.testing.assert_allclose(best, [0.5, 0.25], atol=0.01)


def test_steps_and_places_without_a_value_are_coped_with():
    """The minimum of a staircase is a whole cell; half of the space has no value."""

    def staircase(x):
        return np.inf if x[0] < -2.0 else float(np.sum(np.floor(np.abs(x - 3.3))))

    _, value = minimise(staircase, np.zeros(3), np.ones(3), box(-9, 9, 3), 3000)
    assert value == 0.0


def test_the_same_seed_gives_the_same_answer():
    runs = [
        minimise(rosenbrock, np.zeros(2), np.ones(2), box(-2, 3, 2), 200, seed)
        for seed in (3, 3, 4)
    ]
    assert (runs[0][0] == runs[1][0]).all() and not (runs[0][0] == runs[2][0]).all()


@pytest.mark.parametrize(("evaluations", "trials"), [(1, 16), (16, 16), (47, 32), (100, 96)])
def test_whole_generations_are_tried_and_the_begin_is_never_better(evaluations, trials):
    """Generations are of 16 trials where 4 + int(4 ln n) is less."""
    calls, shares = [], []

    def rough(x):
        calls.append(x)
        return float(np.sum(np.sin(40.0 * x) + x**2))

    begin = np.full(2, -np.pi / 80.0)  # nearly the minimum already
    _, value = minimise(
        rough, begin, np.ones(2), box(-5, 5, 2), evaluations, progress=shares.append
    )
    assert len(calls) == 1 + trials and value <= rough(begin)
    assert shares[-1] == 1.0 and shares == sorted(shares)
