"""Forward run through a cost-to-go: the optimal schedule from a continuous SoC."""

import math
from dataclasses import dataclass

import numpy as np

from ..errors import InfeasibleError
from ..operating_points import EngineClass
from ..units import PERCENT
from . import kernels
from .cost_to_go import CostToGo, Part
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

    The penalties are those of a missed target and of the deepest dip below the window. `costate`
    (steps,) is the fall of the cost-to-go along the path after each step, g per unit of SoC.
    """

    schedule: Schedule
    soc: np.ndarray
    cost: float
    costate: np.ndarray


def best_run(problem: Problem, value: CostToGo) -> Run:
    """Run forward, aiming again until the run lands on the target SoC; return the cheapest run.

    The grid blurs the target's kink by a fraction of a cell; aiming that much higher or lower
    makes the continuous run end on it. Only the parts whose cost-to-go is kept are run again.

    Raises
    ------
    InfeasibleError
        No schedule gets to the end within the battery's limits.
    """
    walk = Walk(problem, value)
    best = walk.run(0, 0.0)
    if best is None:
        raise _dead_end(problem, value)
    aims, misses = [0.0], [best.soc[-1] - problem.grid.target]
    while len(aims) < LANDING_RUNS and not _landed(problem, misses[-1]):
        aim = _next_aim(aims, misses)
        run = walk.run(value.kept_from, aim) if math.isfinite(aim) else None
        if run is None:
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


class Walk:
    """Forward runs of one problem; a later run may keep the first steps of the one before it."""

    def __init__(self, problem: Problem, value: CostToGo) -> None:
        steps = problem.points.steps
        self.problem, self.value = problem, value
        self.gears, self.classes, self.splits = (np.empty(steps, dtype=np.int64) for _ in range(3))
        self.shares, self.path, self.costate = np.empty(steps), np.empty(steps + 1), np.empty(steps)
        self.fuel, self.torque = np.empty(steps), np.empty(steps)
        self.path[0] = problem.soc

    def run(self, begin: int, aim: float) -> Run | None:
        """Run forward from part number `begin`; None when the run meets a dead end."""
        for part in self.value.parts_from(begin):
            if not self._run_part(part, aim):
                return None
        problem, path = self.problem, self.path.copy()
        cost = self.fuel.sum() + event_cost(problem, self.gears, self.classes)
        cost += kernels._terminal(problem.grid, path[-1])
        cost += problem.grid.floor_penalty * max(problem.grid.low - path.min(), 0.0)
        schedule = Schedule(
            self.gears.copy(), self.classes.copy(), self.torque.copy(), self.splits > 0
        )
        return Run(schedule, path, float(cost), self.costate.copy())

    def _run_part(self, part: Part, aim: float) -> bool:
        problem, first, last = self.problem, part.first, part.last
        points = problem.points.part(first, last)
        engine = problem.engine if first == 0 else int(self.classes[first - 1] > 0)
        gear = problem.gear if first == 0 else int(self.gears[first - 1])
        chosen = [a[first:last] for a in (self.gears, self.classes, self.splits, self.shares)]
        done = kernels._forward(points.cost, points.power, points.count, points.dt, problem.cell,
                                problem.grid, problem.shift[first:last], problem.start_cost,
                                part.value, last == problem.points.steps, float(aim), engine, gear,
                                *chosen, self.path[first : last + 1],
                                self.costate[first:last])  # fmt: skip
        if done < last - first:
            return False
        self.fuel[first:last] = _mix(points.cost, *chosen)
        self.torque[first:last] = _mix(points.motor_torque, *chosen)
        return True


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


def _dead_end(problem: Problem, value: CostToGo) -> InfeasibleError:
    state = problem.engine, problem.gear
    dead = (t for t in range(len(value)) if np.isinf(value[t][state]).all())
    first = next(dead, None)
    where = "some step" if first is None else f"step {first + 1}"
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
