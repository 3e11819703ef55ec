"""Preview at a held price of stored energy: what it is worth when SoC needs no watching.

With the price held each cycle is a shortest path over engine state and gear, each decision with its
best split. A policy that sees some time ahead and expects behind it what usually followed in the
training is compared with the shortest path of the whole cycle. It is a yardstick, and no bound:
another grouping of what was seen may lose less.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..optimum.optimum import Optimum
from ..physics.codes import OFF, RUNNING, STARTING
from ..physics.demand import Demand
from .expected_cost import ExpectedCost, _best
from .stage_costs import stage_costs


class Road(NamedTuple):
    """A cycle at a held price of stored energy.

    Attributes
    ----------
    stage : g, (steps, gears, 3 engine classes), least cost of a step
    shift : g, (steps, 3 engine classes, gears, gears)
    gear : from 0, before the first step
    engine : 0 or 1, whether it runs before the first step
    demand : at the wheels
    cost : g, of the replayed optimum, whose charge is free
    """

    stage: np.ndarray
    shift: np.ndarray
    gear: int
    engine: int
    demand: Demand
    cost: float


def road(known: Optimum, price: float) -> Road:
    """Hold the price of stored energy, g/J, in a solved cycle."""
    problem = known.solution.problem
    stage = stage_costs(problem.points, problem.cell, problem.soc, np.array([price]))[:, 0]
    stage = np.ascontiguousarray(stage)
    stage[..., STARTING] += problem.start_cost
    start = problem.gear, int(problem.engine)
    return Road(stage, problem.shift, *start, known.demand, known.solution.cost)


def held_price(optima: Sequence[Optimum]) -> float:
    """Return the median of the multipliers of solved cycles, g/J: the price they would hold."""
    multipliers = [known.bound.multipliers[1:] for known in optima if known.bound]
    return float(np.median(np.concatenate(multipliers)))


def cost_to_go(on: Road) -> np.ndarray:
    """Return the least cost from each step on, (steps + 1, 2 engine states, gears), g."""
    steps, gears = on.stage.shape[:2]
    value = np.zeros((steps + 1, 2, gears))
    for t in range(steps - 1, -1, -1):
        now, after = slice(t, t + 1), slice(t + 1, t + 2)
        _best(on.stage[now], on.shift[now], value[after], value[now])
    return value


def driven(on: Road, ahead: np.ndarray) -> float:
    """Return the cost of always deciding for the least of step and what is ahead, g.

    Parameters
    ----------
    on
        The road.
    ahead
        g, (steps, 2 engine states, gears), cost expected after each step.
    """
    engine, gear, total = on.engine, on.gear, 0.0
    for t in range(on.stage.shape[0]):
        classes = [OFF, RUNNING if engine else STARTING]
        now = np.stack([on.stage[t, :, c] + on.shift[t, c, gear] for c in classes])
        best = int(np.argmin(now + ahead[t]))
        engine, gear = divmod(best, now.shape[1])
        total += float(now[engine, gear])
    return total


def previewed(on: Road, expected: np.ndarray, horizons: Sequence[float]) -> list[np.ndarray]:
    """Return what is ahead of each step where some time is seen, for each horizon.

    Parameters
    ----------
    on
        The road.
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
    ends = on.demand.time + on.demand.dt
    last = [np.searchsorted(ends, ends + h + 1e-9, side="right") - 1 for h in horizons]
    seen = [reached - np.arange(ends.size) for reached in last]
    found = [np.array(expected) for _ in horizons]
    ahead = np.array(expected)
    ahead[-1] = 0.0
    for count in range(max(int(steps.max()) for steps in seen) + 1):
        for horizon, steps, array in zip(horizons, seen, found, strict=True):
            if horizon > 0.0:
                array[steps == count] = ahead[steps == count]
        nearer = np.zeros_like(ahead)
        _best(on.stage[1:], on.shift[1:], ahead[1:], nearer[:-1])
        ahead = nearer
    return found


def priced_losses(on: Road, expected: ExpectedCost, horizons: Sequence[float]) -> list[float]:
    """Return what is lost with each horizon, % of the cost of the cycle's replayed optimum.

    Parameters
    ----------
    on
        The road.
    expected
        Of the training, at the same price.
    horizons
        How long is seen, s.
    """
    least = cost_to_go(on)[0, on.engine, on.gear]
    each = previewed(on, expected.after(on.demand)[:, 0], horizons)
    return [100.0 * (driven(on, ahead) - least) / on.cost for ahead in each]
