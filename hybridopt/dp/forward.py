"""Forward run through a cost-to-go: the optimal schedule from a continuous SoC."""

import math
from dataclasses import dataclass

import numpy as np

from ..errors import InfeasibleError
from ..operating_points import EngineClass
from ..units import PERCENT
from . import kernels
from .problem import Problem

SOC_TOLERANCE = 1e-3  # how far beyond a window or below a target an answer may lie
LANDING_TOLERANCE = 1e-6  # how close to the target the run should end
LANDING_RUNS = 10


@dataclass(frozen=True, eq=False)
class Schedule:
    """What to do in each step; all arrays have shape (steps,).

    Attributes
    ----------
    gear : int64, 0 is first gear
    engine_class : int64, an :class:`EngineClass`
    motor_torque : N m at the gearbox input
    powered : bool, whether the motor's inverter is on
    """

    gear: np.ndarray
    engine_class: np.ndarray
    motor_torque: np.ndarray
    powered: np.ndarray


@dataclass(frozen=True, eq=False)
class Run:
    """A forward run: schedule, SoC path (steps + 1,) and cost, g, with events and penalties.

    The penalties are those of a missed target and of the deepest dip below the window.
    """

    schedule: Schedule
    soc: np.ndarray
    cost: float


def best_run(problem: Problem, value: np.ndarray) -> Run:
    """Run forward, aiming again until the run lands on the target SoC; return the cheapest run.

    The grid blurs the target's kink by a fraction of a cell; aiming that much higher or lower
    makes the continuous run end on it.

    Raises
    ------
    InfeasibleError
        No schedule gets to the end within the battery's limits.
    """
    aims, misses = [0.0], []
    best = _run(problem, value, 0.0)
    if best is None:
        raise _dead_end(problem, value)
    misses.append(best.soc[-1] - problem.grid.target)
    while len(aims) < LANDING_RUNS and not _landed(problem, misses[-1]):
        aim = _next_aim(aims, misses)
        run = _run(problem, value, aim)
        if run is None or not math.isfinite(aim):
            break
        aims.append(aim)
        misses.append(run.soc[-1] - problem.grid.target)
        best = min(best, run, key=lambda r: r.cost)
    return best


def _landed(problem: Problem, miss: float) -> bool:
    if problem.grid.penalty == 0.0:
        return True
    low = -LANDING_TOLERANCE if problem.grid.two_sided else 0.0
    return low <= miss <= LANDING_TOLERANCE


def _next_aim(aims: list[float], misses: list[float]) -> float:
    """Secant step towards ending half the tolerance above the target; slope 1 at first."""
    slope = 1.0
    if len(aims) > 1 and aims[-1] != aims[-2]:
        slope = (misses[-1] - misses[-2]) / (aims[-1] - aims[-2])
        if not 0.3 < slope < 3.0:
            slope = 1.0
    return float(aims[-1] - (misses[-1] - 0.5 * LANDING_TOLERANCE) / slope)


def _run(problem: Problem, value: np.ndarray, aim: float) -> Run | None:
    """Run forward once; None when the run meets a dead end."""
    points, steps = problem.points, problem.points.steps
    gears, classes, splits = (np.empty(steps, dtype=np.int64) for _ in range(3))
    shares, path = np.zeros(steps), np.empty(steps + 1)
    done = kernels._forward(points.cost, points.power, points.count, points.dt, problem.cell,
                            problem.grid, problem.shift, problem.start_cost, value, float(aim),
                            problem.soc, problem.engine, problem.gear, gears, classes, splits,
                            shares, path)  # fmt: skip
    if done < steps:
        return None
    fuel = _mix(points.cost, gears, classes, splits, shares).sum()
    torque = _mix(points.motor_torque, gears, classes, splits, shares)
    cost = fuel + event_cost(problem, gears, classes) + kernels._terminal(problem.grid, path[-1])
    cost += problem.grid.floor_penalty * max(problem.grid.low - path.min(), 0.0)
    return Run(Schedule(gears, classes, torque, splits > 0), path, float(cost))


def _mix(
    values: np.ndarray,
    gears: np.ndarray,
    classes: np.ndarray,
    splits: np.ndarray,
    shares: np.ndarray,
) -> np.ndarray:
    """Pick each step's value at its split, or between it and the next one."""
    t = np.arange(gears.size)
    here = values[t, gears, classes, splits]
    there = values[t, gears, classes, np.minimum(splits + 1, values.shape[3] - 1)]
    mixed = shares > 0.0
    return np.asarray(here + shares * (np.where(mixed, there, here) - here))


def event_cost(problem: Problem, gears: np.ndarray, classes: np.ndarray) -> float:
    """Return the cost of all shifts and starts of a schedule, g."""
    before = np.concatenate(([problem.gear], gears[:-1]))
    starts = np.count_nonzero(classes == EngineClass.STARTING)
    shifts = problem.shift[np.arange(gears.size), classes, before, gears]
    return float(shifts.sum() + problem.start_cost * starts)


def _dead_end(problem: Problem, value: np.ndarray) -> InfeasibleError:
    first = value[:, problem.engine, problem.gear, :]
    dead = np.flatnonzero(np.isinf(first).all(axis=1))
    where = f"step {int(dead[0]) + 1}" if dead.size else "some step"
    return InfeasibleError(
        f"no schedule gets past {where} of {problem.points.steps} from SoC "
        f"{problem.soc / PERCENT:.1f} % within the battery's limits; widen the SoC window, start "
        "elsewhere or use a milder cycle"
    )


def missed_target(run: Run, problem: Problem) -> bool:
    """Tell whether a run ends below the target by more than the tolerance."""
    low = problem.grid.target - SOC_TOLERANCE
    return problem.grid.penalty > 0.0 and bool(run.soc[-1] < low)


def refuse_missed(run: Run, problem: Problem) -> None:
    """Raise InfeasibleError when a run leaves the window or misses the target."""
    grid, path = problem.grid, run.soc
    if path.min() < grid.low - SOC_TOLERANCE:
        raise InfeasibleError(
            f"no schedule keeps the SoC above {grid.low / PERCENT:g} %; the best falls to "
            f"{path.min() / PERCENT:.1f} %; widen the window, start higher or lower the load"
        )
    if missed_target(run, problem):
        raise InfeasibleError(
            f"the final SoC of {grid.target / PERCENT:g} % is out of reach; the best reachable is "
            f"{path[-1] / PERCENT:.1f} %; set a lower target or a longer cycle"
        )
