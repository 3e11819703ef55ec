"""Hindsight with penalties on models small enough to enumerate every drive.

Brown, Smith, Sun, Operations Research 58(4), 2010: with penalties whose mean is 0 for whoever does
not know what comes, the mean of the least costs of known drives lies between that without
penalties and the best policy's; with the exact value function it equals the latter.
"""

import itertools

import numpy as np
import pytest
from tiny import tiny_model

from hybridopt.foresight.causal import _operators, expected_cost

STEPS = 4


def all_drives(chain, steps):
    """Yield every drive of so many steps from rest, and its probability."""
    chance = chain.links.toarray()
    for tail in itertools.product(range(chain.states), repeat=steps):
        drive = np.array([chain.rest, *tail])
        yield drive, float(np.prod([chance[a, b] for a, b in itertools.pairwise(drive)]))


def mean_least(chain, priced, values, broken=0.0):
    """Mean over all drives of the least cost with penalties from a value function of each step.

    `values` (steps + 1, states, 2, gears); the drive's last state is only known, not driven.
    """
    expect, total = _operators(chain, priced)[0], 0.0
    ahead = [expect(value) for value in values]
    for drive, probability in all_drives(chain, STEPS):
        added = np.array(
            [ahead[t + 1][drive[t]] - values[t + 1][drive[t + 1]] for t in range(STEPS)]
        )
        added[:, 1] += broken
        least = priced.cost_to_go(drive[:-1], None, added)[(0, *priced.start)]
        total += probability * least
    return total


@pytest.mark.parametrize("seed", range(10))
def test_bound_lies_between_hindsight_and_the_best_policy(seed):
    random = np.random.default_rng(seed)
    chain, priced = tiny_model(random)
    exact = [expected_cost(chain, priced, STEPS - t) for t in range(STEPS + 1)]
    best = exact[0][(chain.rest, *priced.start)]
    hindsight = mean_least(chain, priced, [0.0 * value for value in exact])
    assert mean_least(chain, priced, exact) == pytest.approx(best, abs=1e-12)
    rough = [value + random.normal(0.0, 0.2, value.shape) for value in exact]
    between = mean_least(chain, priced, rough)
    assert hindsight - 1e-12 <= best and between <= best + 1e-12
    half = mean_least(chain, priced, [0.5 * value for value in exact])
    assert hindsight - 1e-12 <= half <= best + 1e-12


def test_broken_penalties_are_noticed():
    """A mean that is wrong by 0.05 g makes "bounds" that the best policy beats."""
    beaten = 0
    for seed in range(10):
        chain, priced = tiny_model(np.random.default_rng(seed))
        exact = [expected_cost(chain, priced, STEPS - t) for t in range(STEPS + 1)]
        best = exact[0][(chain.rest, *priced.start)]
        beaten += mean_least(chain, priced, exact, broken=0.05) > best + 1e-6
    assert beaten >= 5
