"""The exhaustive NumPy sweep written the plain way: dense arrays, nothing left out beforehand."""

import numpy as np
from exhaustive import battery_at, interpolated, landings, terminal_value, with_events

from hybridopt.problem.problem import Problem


def dense_sweep(problem: Problem) -> np.ndarray:
    """Return the cost-to-go before the first step, g, (states, gears, SoC points).

    As `exhaustive.numpy_sweep`, but what is inadmissible has infinite cost and is evaluated with
    the rest: every gear, engine class and place of the splits axis at every SoC point.
    """
    points, grid = problem.points.part(0, problem.points.steps), problem.grid
    battery, value, graph = battery_at(problem), terminal_value(problem), problem.events.graph
    arrivals = set(zip(graph.engine.tolist(), graph.target.tolist(), strict=True))
    listed = np.arange(points.splits) < points.count[..., None]
    cost, power = np.where(listed, points.cost, np.inf), np.where(listed, points.power, 0.0)
    for t in reversed(range(points.steps)):
        best = {}
        for c, state in arrivals:
            landing = landings(problem.cell, grid, battery, power[t, :, c].ravel(), points.dt[t])
            landing = landing.reshape(points.gears, points.splits, grid.points)
            rows = zip(value[state], landing, strict=True)
            after = np.array([interpolated(row, places, grid) for row, places in rows])
            best[c, state] = np.min(cost[t, :, c, :, None] + after, axis=1)
        value = with_events(problem, best, t)
    return value
