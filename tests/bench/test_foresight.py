"""What foresight is worth, on short cycles."""

import functools

import numpy as np
import pytest
from foresight import losses

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.foresight.held_price import held_price, price_optimum
from hybridopt.pipeline import find_optimum


@functools.cache
def solved(name):
    driveline = read_driveline("full")
    settings = Settings(soc_points=301, splits=31).resolved(driveline)
    return find_optimum(read_cycle(name), driveline, settings)


def road(known):
    """The cycle at the median of its own prices."""
    return price_optimum(known, held_price([known]))


@pytest.mark.long
@pytest.mark.parametrize("name", ["ece15", "eudc"])
def test_with_foresight_nothing_is_lost(name):
    """The policy that is told the true cost-to-go drives the shortest path.

    Its length is the optimum's cost but for what the price varies, as charge at the end equals that
    at the start.
    """
    on = road(solved(name))
    value, cost = on.cost_to_go(), solved(name).solution.cost
    least = value[(0, *on.start)]
    assert on.follow(value[1:]).cost == pytest.approx(least, rel=1e-12)
    assert least == pytest.approx(cost, rel=0.01) and least <= cost + 1e-6


@pytest.mark.long
def test_without_foresight_something_is():
    training = [solved("ece15"), solved("eudc")]
    found = losses(training, training)
    assert min(found) >= -1e-9 and max(found) > 0.1
    on = road(training[0])
    blind = on.follow(np.zeros((on.steps, 2, on.gears))).cost
    assert blind > on.cost_to_go()[(0, *on.start)]
