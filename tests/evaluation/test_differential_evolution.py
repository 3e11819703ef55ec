"""The bounded search: known minima, seeds, budget."""

import numpy as np
import pytest

from hybridopt.evaluation.differential_evolution import evolve_differentially

LOW, HIGH = np.array([-2.0, -1.0]), np.array([2.0, 3.0])


def rosenbrock(x):
    """Least value 0 at (1, 1): Rosenbrock, Computer J. 3(3), 1960, DOI 10.1093/comjnl/3.3.175."""
    return (1.0 - x[0]) ** 2 + 100.0 * (x[1] - x[0] ** 2) ** 2


def test_finds_the_minimum_of_rosenbrocks_valley():
    best, value = evolve_differentially(rosenbrock, LOW, HIGH, np.array([-1.5, 2.0]), 4000)
    assert value < 1e-3
    assert best == pytest.approx([1.0, 1.0], abs=0.05)


def test_finds_a_minimum_on_the_edge_and_stays_in_the_box():
    seen = []

    def slope(x):
        seen.append(x.copy())
        return float(x @ [1.0, -2.0])

    best, _ = evolve_differentially(slope, LOW, HIGH, np.zeros(2), 400)
    assert np.all(np.array(seen) >= LOW) and np.all(np.array(seen) <= HIGH)
    assert best == pytest.approx([-2.0, 3.0], abs=0.02)


def test_same_seed_same_answer():
    runs = [
        evolve_differentially(rosenbrock, LOW, HIGH, np.zeros(2), 200, seed=s) for s in (3, 3, 4)
    ]
    assert (runs[0][0] == runs[1][0]).all() and not (runs[0][0] == runs[2][0]).all()


@pytest.mark.parametrize("evaluations", [1, 5, 30, 100])
def test_budget_is_kept_and_the_start_is_never_beaten_by_the_answer(evaluations):
    calls, shares = [], []

    def counted(x):
        calls.append(x)
        return rosenbrock(x)

    first = np.array([0.9, 0.8])
    _, value = evolve_differentially(counted, LOW, HIGH, first, evaluations, progress=shares.append)
    assert len(calls) == evaluations
    assert value <= rosenbrock(first)
    assert shares[-1] == 1.0 and shares == sorted(shares)
