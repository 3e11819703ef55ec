"""Schedules within a limit of heat: a sweep whose states are SoC and heat, near a path of SoC.

Where heat binds for most of a drive, no price of it tells when to start the engine. Here the budget
that is worth most is a state beside SoC, engine and gear, and the cost-to-go is linear between
nodes of both. The nodes of SoC go with a path that is known, so that few of them are close; each
pass begins with the path of the one before. What it finds is a plan, no proof.
"""

import numpy as np

from ..physics.schedule import Schedule
from ..problem.budgets import Budget
from ..problem.choices import Choices
from ..problem.grid import _terminal
from ..problem.problem import Problem
from . import heat_kernels as kernels

PASSES = (0.15, 61, 101), (0.05, 81, 161)  # share of the SoC window, nodes, and levels at most
MOST_VALUES = 40_000_000  # ahead of all steps, states, gears and nodes; 160 MB
STEEP = 3.0  # times the problem's penalty: so dear is what the target lacks


def plans_within(
    problem: Problem, budget: Budget, choices: Choices, path: np.ndarray
) -> list[tuple[Schedule, np.ndarray]]:
    """Return plans that keep a budget, the last one best as a rule, and their SoC paths.

    Parameters
    ----------
    problem
        What was solved without the budget.
    budget
        Of the choices; what they truly add, or less.
    choices
        The problem's, whole lists of all steps.
    path
        SoC before each step and at the end where the first pass looks, (steps + 1,).
    """
    found, (low, high) = [], problem.settings.socs[:2]
    for share, points, levels in PASSES:
        width = share * (high - low)
        plan = _plan(problem, budget, choices, path - 0.5 * width, width, (points, levels))
        if plan is None:
            break
        found.append(plan)
        path = plan[1]
    return found


def _plan(
    problem: Problem,
    budget: Budget,
    choices: Choices,
    low: np.ndarray,
    width: float,
    size: tuple[int, int],
) -> tuple[Schedule, np.ndarray] | None:
    """Return the plan of one pass and its SoC path; None if there is none."""
    graph, steps, (points, levels) = problem.events.graph, choices.steps, size
    rows = (steps + 1) * graph.states * choices.gears * points
    levels = min(levels, MOST_VALUES // rows)
    if levels < 2:
        return None
    lists = choices.costs(0, steps)
    ways = kernels.Ways(
        *(lists, budget.all_rises(steps), graph, problem.shift),
        *(problem.events.cost, problem.events.soc_min),
    )
    tube = kernels.Tube(low, width / (points - 1), budget.kept, budget.limit / (levels - 1))
    shape = steps + 1, graph.states, choices.gears, points, levels
    ahead = np.empty(shape, dtype=np.float32)
    ends = low[-1] + tube.spacing * np.arange(points)
    lacking = [STEEP * _terminal(problem.grid, soc) for soc in ends]
    ahead[-1] = np.array(lacking)[:, None]
    kernels._heat_sweep(ways, tube, problem.cell, ahead)
    path, soc = np.zeros((3, steps), dtype=np.int64), np.full(steps + 1, problem.soc)
    start = problem.state, problem.gear
    if not kernels._heat_run(ways, tube, problem.cell, ahead, start, path, soc):
        return None
    return Schedule(path[0], path[1], np.zeros(steps), path[2] > 0), soc
