"""Preview at a held price: against plain Python, and no loss where the whole drive is seen."""

import itertools

import numpy as np
import pytest

from hybridopt import Settings, read_cycle
from hybridopt.foresight.expected_cost import make_expected_cost
from hybridopt.foresight.held_price import Priced, held_price
from hybridopt.foresight.kernels import Costs
from hybridopt.foresight.priced_preview import previewed, priced_losses
from hybridopt.pipeline import find_optimum

GEARS = 2


def random_steps(steps, seed):
    random = np.random.default_rng(seed)
    stage = random.uniform(0.0, 2.0, (steps, GEARS, 3))
    shift = random.uniform(0.0, 0.5, (steps, 3, GEARS, GEARS)) * (1.0 - np.eye(GEARS))
    return Priced(1.0, Costs(stage, shift, random.uniform(0.0, 0.2, steps)), (0, 0))


def cheapest(on, first, last, engine, gear, behind):
    """Least cost of the steps first to last - 1 and what is behind, over every plan."""
    least = np.inf
    for plan in itertools.product(itertools.product((0, 1), range(GEARS)), repeat=last - first):
        total, before, g = 0.0, engine, gear
        for t, (runs, new) in enumerate(plan, start=first):
            kind = (1 if before else 2) if runs else 0
            total += on.costs.stage[t, new, kind] + on.costs.shift[t, kind, g, new]
            total += on.costs.stop[t] if before and not runs else 0.0
            before, g = runs, new
        least = min(least, total + behind[before, g])
    return least


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("dt", [0.5, 1.0])
def test_what_is_seen_and_expected_behind_it_against_every_plan(seed, dt):
    on = random_steps(6, seed)
    expected = np.random.default_rng(seed + 9).uniform(0.0, 1.0, (6, 2, GEARS))
    none, some = previewed(on, dt * np.arange(1.0, 7.0), expected, [0.0, 1.0])
    np.testing.assert_array_equal(none, expected)
    steps = round(1.0 / dt)
    for t, engine, gear in itertools.product(range(6), (0, 1), range(GEARS)):
        last = min(t + 1 + steps, 6)
        behind = expected[last - 1] if last < 6 else np.zeros((2, GEARS))
        found = cheapest(on, t + 1, last, engine, gear, behind)
        assert some[t, engine, gear] == pytest.approx(found, abs=1e-12)


def test_nothing_is_lost_where_the_whole_drive_is_seen(driveline):
    """And the mean of what is lost falls with what is seen; all of two unlike cycles."""
    settings = Settings(soc_points=101, splits=9).resolved(driveline)
    optima = [find_optimum(read_cycle(name), driveline, settings) for name in ("ece15", "eudc")]
    price = held_price(optima)
    expected = make_expected_cost(optima, np.array([price]))
    horizons = [0.0, 3.0, 30.0, 600.0]
    losses = np.array([priced_losses(known, expected, price, horizons) for known in optima])
    assert losses.min() >= -1e-9
    assert np.abs(losses[:, -1]).max() < 1e-9
    assert np.diff(losses.mean(axis=0)).max() <= 1e-9 and losses.mean(axis=0)[0] > 0.1
