"""Preview at a held price of stored energy: what it is worth when SoC needs no watching.

A policy that sees some time ahead and expects behind it what usually followed in the training is
compared with the shortest path of the whole cycle, by the cycle's own operating points. It is a
yardstick, and no bound: another grouping of what was seen may lose less.
"""

import math
from collections.abc import Sequence

import numpy as np

from ..optimum.optimum import Optimum
from .expected_cost import IMPOSSIBLE, ExpectedCost
from .held_price import Followed, Priced, price_optimum
from .kernels import _improve


def priced_losses(
    known: Optimum, expected: ExpectedCost, price: float, horizons: Sequence[float]
) -> list[float]:
    """Return what is lost with each horizon, % of the cost of the cycle's replayed optimum.

    Parameters
    ----------
    known
        The solved cycle.
    expected
        Of the training, at the same price alone.
    price
        g/J.
    horizons
        How long is seen, s.

    Returns
    -------
    list of float
        Infinite where the policy came to a step that nothing can drive from there.
    """
    on, demand = price_optimum(known, price), known.demand
    least = on.cost_to_go()[(0, *on.start)]
    ends, behind = demand.time + demand.dt, expected.after(demand)[:, 0]
    driven = [on.follow(ahead) for ahead in previewed(on, ends, behind, horizons)]
    return [
        100.0 * (drive.cost - least) / known.solution.cost if _possible(on, drive) else math.inf
        for drive in driven
    ]


def _possible(on: Priced, drive: Followed) -> bool:
    stage = on.costs.stage[np.arange(on.steps), drive.gear, drive.engine_class]
    return bool((stage < IMPOSSIBLE).all())


def previewed(
    on: Priced, ends: np.ndarray, expected: np.ndarray, horizons: Sequence[float]
) -> list[np.ndarray]:
    """Return what is ahead of each step where some time is seen, for each horizon.

    Parameters
    ----------
    on
        The steps of a cycle.
    ends
        s, (steps,), time at the end of each.
    expected
        g, (steps, 2 engine states, gears), cost expected after each step.
    horizons
        How long after the end of a step is seen, s; steps that end by then are.

    Returns
    -------
    list of ndarray
        g, (steps, 2 engine states, gears): least cost of what is seen and expected behind it. A
        drive that is seen to its end costs nothing after it.
    """
    last = [np.searchsorted(ends, ends + h + 1e-9, side="right") - 1 for h in horizons]
    seen = [reached - np.arange(ends.size) for reached in last]
    found = [np.array(expected) for _ in horizons]
    ahead, following = np.array(expected), np.arange(1, on.steps)
    ahead[-1] = 0.0
    for count in range(max(int(steps.max()) for steps in seen) + 1):
        for horizon, steps, array in zip(horizons, seen, found, strict=True):
            if horizon > 0.0:
                array[steps == count] = ahead[steps == count]
        nearer = np.zeros_like(ahead)
        _improve(on.costs, following, ahead[1:], (0, following.size), nearer[:-1])
        ahead = nearer
    return found
