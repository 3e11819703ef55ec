"""What driving leads one to expect, against brute force and a fixed point found by bisection."""

import itertools

import numpy as np
import pytest
from scipy.optimize import brentq

from hybridopt.foresight.expected_cost import expect

GEARS = 2


def random_costs(steps, seed):
    random = np.random.default_rng(seed)
    stage = random.uniform(0.0, 2.0, (steps, GEARS, 3))
    shift = random.uniform(0.0, 0.5, (steps, 3, GEARS, GEARS)) * (1.0 - np.eye(GEARS))
    return stage, shift


def cheapest(stage, shift, first, engine, gear):
    """Least cost from a step on, by trying every sequence of decisions."""
    least, choices = np.inf, list(itertools.product((0, 1), range(GEARS)))
    for plan in itertools.product(choices, repeat=len(stage) - first):
        total, on, before = 0.0, engine, gear
        for t, (runs, g) in enumerate(plan, start=first):
            engine_class = (1 if on else 2) if runs else 0
            total += stage[t, g, engine_class] + shift[t, engine_class, before, g]
            on, before = runs, g
        least = min(least, total)
    return least


@pytest.mark.parametrize("seed", range(3))
def test_where_each_step_has_its_own_node_the_future_is_known(seed):
    """Differences of the cost-to-go are those that brute force over all plans finds."""
    steps = 5
    stage, shift = random_costs(steps, seed)
    weight = np.eye(steps)  # after the last step nothing comes
    weight[-1] = 0.0
    follows = np.arange(steps) > 0
    found = expect(stage, shift, weight, follows, np.zeros((steps, 2, GEARS)))
    for t in range(steps - 1):
        brute = np.array(
            [
                [cheapest(stage, shift, t + 1, engine, gear) for gear in range(GEARS)]
                for engine in (0, 1)
            ]
        )
        np.testing.assert_allclose(found[t] - found[t].min(), brute - brute.min(), atol=0.02)


def test_what_running_is_worth_where_all_steps_are_alike():
    """One gear, one node: that the engine runs already is worth D = mean clip(x + d D, 0, s).

    x is what running saves in a step, s what a start takes, d the discount: both values of a step
    are min(off + d W_off, s + on + d W_on) and min(off + d W_off, on + d W_on).
    """
    random = np.random.default_rng(4)
    steps, discount, start = 500, 0.9, 0.6
    stage = random.uniform(0.0, 1.0, (steps, 1, 3))
    stage[:, 0, 2] = stage[:, 0, 1] + start
    follows = np.arange(steps) > 0
    found = expect(
        stage,
        np.zeros((steps, 3, 1, 1)),
        np.full((steps, 1), discount),
        follows,
        np.zeros((1, 2, 1)),
    )[0, :, 0]
    saved = (stage[:, 0, 0] - stage[:, 0, 1])[1:]
    worth = brentq(lambda d: np.clip(saved + discount * d, 0.0, start).mean() - d, 0.0, start)
    assert 0.1 < worth < 0.5
    assert found[0] - found[1] == pytest.approx(worth, abs=2e-3)
