"""Dynamic programming: the cost-to-go over the whole cycle, and the least-fuel schedule."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..inputs.driveline import Battery
from ..operating_points import EngineClass, OperatingPoints
from . import kernels, sweep
from .forward import Run, Schedule, best_run, missed_target, refuse_missed
from .problem import Problem, make_problem
from .progress import Progress, silent
from .settings import Settings

PENALTY_STEPS = (1.0, 10.0, 100.0)  # times the given penalty, until the target is met
SWEEP_STEPS = 100  # steps between two progress reports


@dataclass(frozen=True, eq=False)
class Solution:
    """The answer of the optimiser.

    Attributes
    ----------
    problem : what was solved
    run : the optimal schedule, its SoC path and cost
    value_start : g of fuel, the cost-to-go at the start; equals `cost` within grid error
    costate : (steps,), g of fuel per unit of SoC after each step, -dV/dSoC along the path
    value : g of fuel, (steps + 1, 2 engine states, gears, SoC points)
    soc_grid : (SoC points,)
    """

    problem: Problem
    run: Run
    value_start: float
    costate: np.ndarray
    value: np.ndarray
    soc_grid: np.ndarray

    @property
    def schedule(self) -> Schedule:
        """The optimal schedule."""
        return self.run.schedule

    @property
    def soc(self) -> np.ndarray:
        """State of charge along the run, (steps + 1,)."""
        return self.run.soc

    @property
    def cost(self) -> float:
        """Cost of the run, g of fuel, with events and penalties."""
        return self.run.cost


def solve(
    points: OperatingPoints,
    battery: Battery,
    settings: Settings,
    penalty: float,
    shift_costs: Any = None,
    progress: Progress = silent,
) -> Solution:
    """Find the least-cost schedule over given operating points.

    Parameters
    ----------
    points
        Choices of every step, from :func:`hybridopt.operating_points.operating_points`.
    battery
        Turns battery power into a change of SoC.
    settings
        Resolved settings (see :meth:`Settings.resolved`).
    penalty
        Slope of the terminal and window penalty, g per unit of SoC.
    shift_costs
        g of fuel from gear (last axis but one) to gear (last axis), (gears, gears) or
        (steps, 3 engine classes, gears, gears); default is `settings.shift_cost` for every change
        of gear.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    Solution
        Schedule, SoC path and the whole cost-to-go.

    Raises
    ------
    InfeasibleError
        No schedule keeps the SoC window and reaches the target; the message says the best SoC.

    Notes
    -----
    V_t(x,e,g) = min over e', g', u of c(g,e -> g',e') + m_u + V_{t+1}(x - d_u(x), e', g'),
    Bellman's recursion over state of charge x, engine state e and gear g, with V_N the exact
    penalty K max(0, target - x). V is interpolated linearly in x. The forward run takes the best
    decision from the continuous SoC, refines the torque split between two listed ones, and lands
    on the target.
    """
    problem, value, run = _solve(points, battery, settings, penalty, shift_costs, progress)
    return Solution(
        problem=problem,
        run=run,
        value_start=float(
            kernels._value(problem.grid, value[0, problem.engine, problem.gear], problem.soc)
        ),
        costate=_costate(problem, value, run.soc, run.schedule),
        value=value,
        soc_grid=problem.soc_grid,
    )


def _solve(
    points: OperatingPoints,
    battery: Battery,
    settings: Settings,
    penalty: float,
    shift_costs: Any,
    progress: Progress,
) -> tuple[Problem, np.ndarray, Run]:
    """Sweep and run forward; where the target is missed, again with steeper penalties.

    A penalty just above the marginal fuel value keeps the kink it makes in the cost-to-go small,
    and with it the grid error; where the last charge before the target is dearer than that (idling
    to charge), the steeper ones take over.
    """
    for steeper in PENALTY_STEPS:
        problem = make_problem(points, battery, settings, steeper * penalty, shift_costs)
        value = cost_to_go(problem, progress=progress)
        run = best_run(problem, value)
        if not missed_target(run, problem):
            break
    refuse_missed(run, problem)
    return problem, value, run


def cost_to_go(problem: Problem, prune: bool = True, progress: Progress = silent) -> np.ndarray:
    """Sweep backward over all steps.

    Parameters
    ----------
    problem
        From :func:`hybridopt.dp.problem.make_problem`.
    prune
        Leave out torque splits that cannot be optimal; the answer is the same, only slower
        without.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    ndarray, (steps + 1, 2 engine states, gears, SoC points)
        Cost-to-go in g.
    """
    points, cell, grid = problem.points, problem.cell, problem.grid
    steps = points.steps
    value = np.empty((steps + 1, 2, points.gears, grid.points))
    value[steps] = [kernels._terminal(grid, soc) for soc in problem.soc_grid]
    pad = math.ceil(problem.largest_fall) + 4
    for last in range(steps, 0, -SWEEP_STEPS):
        first = max(last - SWEEP_STEPS, 0)
        sweep._sweep(points.cost, points.power, points.count, points.dt, cell.capacity,
                     cell.efficiency, grid.spacing, grid.floor_penalty, problem.nodes, pad,
                     problem.shift, problem.start_cost, prune, value,
                     first, last)  # fmt: skip
        progress(1.0 - first / steps)
    return value


def _costate(
    problem: Problem, value: np.ndarray, path: np.ndarray, schedule: Schedule
) -> np.ndarray:
    """Return -dV/dSoC after each step, by the slope of the grid cell the path is in."""
    grid = problem.grid
    cell = ((path[1:] - grid.low) / grid.spacing).astype(np.int64).clip(0, grid.points - 2)
    t = np.arange(path.size - 1)
    engine = (schedule.engine_class != EngineClass.OFF).astype(np.int64)
    low = value[t + 1, engine, schedule.gear, cell]
    high = value[t + 1, engine, schedule.gear, cell + 1]
    return np.asarray((low - high) / grid.spacing)
