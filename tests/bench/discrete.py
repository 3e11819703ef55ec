"""The same problem as a Markov decision process, solved by QuantEcon's `DiscreteDP`.

A state is an engine state, a gear and a SoC point; an action is a gear, an engine class and a
split. Linear interpolation between two SoC points is a transition to one of them with its weight
as the probability, so the expected value is the interpolated one, and both optima are the same.
"""

import warnings
from typing import Any

import numpy as np
from exhaustive import battery_at, landings, terminal_value

from hybridopt.physics.codes import OFF, RUNNING, STARTING
from hybridopt.problem.problem import Problem


def discrete_sweep(problem: Problem) -> np.ndarray:
    """Return the cost-to-go before the first step, g, (2 engine states, gears, SoC points).

    One `DiscreteDP` per step, for costs differ from step to step; each is solved by QuantEcon's
    backward induction over one period from the value after it.
    """
    from quantecon.markov import DiscreteDP, backward_induction

    value = terminal_value(problem)
    for t in reversed(range(problem.points.steps)):
        rewards, chances, states, actions = decision_process(problem, t)
        with warnings.catch_warnings():  # it warns that a discount factor of 1 needs a horizon
            warnings.simplefilter("ignore", UserWarning)
            process = DiscreteDP(rewards, chances, 1.0, states, actions)
        values, _ = backward_induction(process, 1, -value.ravel())
        value = -values[0].reshape(value.shape)
    return value


def decision_process(problem: Problem, t: int) -> tuple[np.ndarray, Any, np.ndarray, np.ndarray]:
    """Return rewards, transition probabilities, states and actions of a step, one row per pair."""
    from scipy.sparse import csr_matrix

    points, grid = problem.points.part(t, t + 1), problem.grid
    listed = np.arange(points.splits) < points.count[0][..., None]
    gear, class_, split = np.nonzero(np.isfinite(points.cost[0]) & listed)
    cost, power = (a[0, gear, class_, split] for a in (points.cost, points.power))
    landing = landings(problem.cell, grid, battery_at(problem), power, points.dt[0]).T
    engine, before, soc = np.ogrid[:2, : points.gears, : grid.points]
    engine, before, soc = engine[..., None], before[..., None], soc[..., None]
    usable = ~np.isnan(landing) & (
        (class_ == OFF) | (class_ == np.where(engine == 1, RUNNING, STARTING))
    )
    usable = np.broadcast_to(usable, (2, points.gears, grid.points, cost.size))
    below = grid.floor_penalty * grid.spacing * np.maximum(-landing, 0.0)
    paid = cost + problem.shift[t][class_, before, gear] + problem.start_cost * (class_ == STARTING)
    rewards = -np.broadcast_to(paid + below, usable.shape)[usable]
    inside = np.clip(np.nan_to_num(landing), 0.0, grid.points - 1.0)
    cell = np.minimum(inside.astype(np.int64), grid.points - 2)
    share = np.broadcast_to(inside - cell, usable.shape)[usable]
    first = ((class_ != OFF) * points.gears + gear) * grid.points + cell
    first = np.broadcast_to(first, usable.shape)[usable]
    states, actions = np.nonzero(usable.reshape(-1, cost.size))
    chances = csr_matrix(
        (
            np.stack((1.0 - share, share), axis=1).ravel(),
            np.stack((first, first + 1), axis=1).ravel(),
            2 * np.arange(share.size + 1),
        ),
        (share.size, 2 * points.gears * grid.points),
    )
    return rewards, chances, states, actions
