"""Forward run through a cost-to-go: the optimal schedule from a continuous SoC."""

import math
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import numpy as np

from ..base.errors import InfeasibleError
from ..base.units import PERCENT
from ..physics.schedule import Schedule
from ..physics.step_costs import StepCosts
from ..problem.choices import Choices
from ..problem.graph import Moves, begins_start
from ..problem.grid import _terminal
from ..problem.memory import part_ranges
from ..problem.problem import Problem
from ..problem.settings import Settings
from . import kernels
from .cost_to_go import CostToGo, ValuePart
from .dead_end import dead_end
from .torque_rates import torque_rates

SOC_TOLERANCE = 1e-3  # how far beyond a window or below a target an answer may lie
LANDING_TOLERANCE = 1e-6  # how close to the target the run should end
LANDING_RUNS = 5
SETTLING_RUNS = 12
WITH_END = "states", "path", "torque"  # arrays of a track that hold the end too

T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class ForwardRun:
    """A run forward in time that takes the best decision of each step by the cost-to-go.

    Attributes
    ----------
    gear, engine_class : of each step, (steps,); gears from 0
    split, share : number of each step's split, and the share of the way from it to the next one,
        (steps,)
    soc : before each step and at the end, (steps + 1,)
    cost : g, with events and the penalties of a missed target and of the deepest dip below the
        window
    costate : drop of the cost-to-go along the run after each step, g per unit of SoC, (steps,)
    """

    gear: np.ndarray
    engine_class: np.ndarray
    split: np.ndarray
    share: np.ndarray
    soc: np.ndarray
    cost: float
    costate: np.ndarray

    def mixed(self, points: Choices) -> np.ndarray:
        """Return what the run pays for the choices of each step, g, (steps,)."""
        paid = np.empty(self.gear.size)
        for a, b in part_ranges(self.gear.size):
            chosen = (v[a:b] for v in (self.gear, self.engine_class, self.split, self.share))
            paid[a:b] = _mix(points.costs(a, b), *chosen)
        return paid

    def schedule(self, points: Choices) -> Schedule:
        """Return the schedule: the decisions with motor torques instead of splits."""
        chosen = self.gear, self.engine_class
        torque = points.torques(self.split, *chosen)
        next_torque = points.torques(self.split + (self.share > 0.0), *chosen)
        return Schedule(*chosen, torque + self.share * (next_torque - torque), self.split > 0)


def best_run(problem: Problem, value: CostToGo, runner: "Runner | None" = None) -> ForwardRun:
    """Run forward, aiming again until the run lands on the target SoC; return the cheapest.

    Those that miss it beyond the tolerance come last. The grid blurs the target's kink by a
    fraction of a cell; aiming that much higher or lower makes the continuous run end on it. Where
    engine, gear or the motor going on then jump from one choice to another, those of the best run
    on either side of the target are kept, and only torques aim again. Only the parts whose
    cost-to-go is kept are run again. The `runner` makes the runs, by default one of the problem.

    Raises
    ------
    InfeasibleError
        No schedule gets to the end within the battery's limits.
    """
    runner = runner or Runner(problem, value)
    first = runner.run(0, 0.0)
    if first is None:
        raise dead_end(problem, value)

    aims, runs = [0.0], [first]
    for _ in range(LANDING_RUNS):
        if _landed(problem, runs[-1]):
            break
        aim = _next_aim(aims, [_miss(problem, run) for run in runs])
        run = runner.run(value.kept_from, aim)
        while run is None and abs(aim - aims[-1]) > LANDING_TOLERANCE:
            aim = 0.5 * (aim + aims[-1])  # the cost-to-go is not known that far
            run = runner.run(value.kept_from, aim)
        if run is None:
            break
        aims.append(aim)
        runs.append(run)
    by_rank = partial(rank, problem)
    cheapest = min(runs, key=by_rank)
    if _landed(problem, cheapest):
        return cheapest
    sides = [
        [i for i, run in enumerate(runs) if (_miss(problem, run) < 0.0) == below]
        for below in (True, False)
    ]
    best = [min(side, key=lambda i: runs[i].cost) for side in sides if side]
    return min((_settled(runner, runs[i], aims[i]) for i in best), key=by_rank)


def _settled(runner: "Runner", run: ForwardRun, aim: float) -> ForwardRun:
    """Land a run on the target by its torques alone; return the cheapest run on the way."""
    problem, begin = runner.problem, runner.value.kept_from
    runner.keep(run)
    below, above, best = (-math.inf, 0.0), (math.inf, 0.0), run
    miss = stride = _miss(problem, run)
    for _ in range(SETTLING_RUNS):
        below, above = ((aim, miss), above) if miss < 0.0 else (below, (aim, miss))
        width = above[0] - below[0]
        if math.isinf(width):
            aim, stride = aim - 2.0 * stride, 2.0 * stride
        else:
            share = below[1] / (below[1] - above[1])
            aim = below[0] + width * min(max(share, 0.1), 0.9)
        again = runner.run(begin, aim, frozen=True)
        if again is None:
            miss = math.copysign(abs(miss), aim - 0.5 * (below[0] + above[0]))  # too far away
            if math.isinf(width):
                break
            continue
        best, miss = min(best, again, key=partial(rank, problem)), _miss(problem, again)
        if _landed(problem, again):
            break
    return best


def rank(problem: Problem, run: ForwardRun) -> tuple[bool, float]:
    """Return the sort key of runs: those that miss the target beyond tolerance last, then cost."""
    return missed_target(run, problem), run.cost


def _miss(problem: Problem, run: ForwardRun) -> float:
    """SoC at the end above the target."""
    return float(run.soc[-1] - problem.grid.target)


def _landed(problem: Problem, run: ForwardRun) -> bool:
    if problem.grid.penalty == 0.0:
        return True
    miss = _miss(problem, run)
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


class Runner:
    """Makes forward runs of one problem; a later run may keep the first steps of the one before."""

    def __init__(self, problem: Problem, value: CostToGo) -> None:
        steps = problem.points.steps
        self.problem, self.value = problem, value
        gears, classes, splits = (np.empty(steps, dtype=np.int64) for _ in range(3))
        self.track = kernels.Track(
            gears,
            classes,
            splits,
            shares=np.empty(steps),
            states=np.full(steps + 1, problem.state),
            path=np.full(steps + 1, problem.soc),
            costate=np.empty(steps),
            torque=np.full(steps + 1, np.nan if problem.engine else 0.0),
        )
        self.fuel = np.empty(steps)

    def keep(self, run: ForwardRun) -> None:
        """Take over a run's gears, engine classes and where its motor is on, for frozen ones."""
        track = self.track
        track.gears[:], track.classes[:], track.splits[:] = run.gear, run.engine_class, run.split

    def run(self, begin: int, aim: float, frozen: bool = False) -> ForwardRun | None:
        """Run forward from part number `begin`; None when the run meets a dead end."""
        for part in self.value.parts_from(begin):
            if not self._run_part(part, aim, frozen):
                return None
        problem, track = self.problem, self.track
        cost = self.fuel.sum() + event_cost(problem, track.gears, track.classes)
        cost += _terminal(problem.grid, track.path[-1])
        cost += problem.grid.floor_penalty * max(problem.grid.low - track.path.min(), 0.0)
        return ForwardRun(
            track.gears.copy(),
            track.classes.copy(),
            track.splits.copy(),
            track.shares.copy(),
            track.path.copy(),
            float(cost),
            track.costate.copy(),
        )

    def _run_part(self, part: ValuePart, aim: float, frozen: bool) -> bool:
        """Run through a part of the steps; False where it meets a dead end."""
        problem, first, last = self.problem, part.first, part.last
        points, events = problem.points.costs(first, last), problem.events
        grid = problem.grid._replace(first=part.begin)
        gear = problem.gear if first == 0 else int(self.track.gears[first - 1])
        steps, track = slice(first, last), cut(self.track, WITH_END, first, last)
        done = kernels._forward(
            points,
            problem.cell,
            Moves(events.graph, problem.shift[steps], events.cost[steps], events.soc_min),
            kernels.Ahead(grid, part.value, last == problem.points.steps, float(aim)),
            gear,
            frozen,
            torque_rates(problem.settings, problem.points, first, last),
            track,
        )
        if done < last - first:
            return False
        self.fuel[steps] = _mix(points, track.gears, track.classes, track.splits, track.shares)
        return True


def cut(track: T, with_end: tuple[str, ...], first: int, last: int) -> T:
    """Return a track's steps first to last - 1; some of its arrays hold the end after them too."""
    arrays = track._asdict().items()  # type: ignore[attr-defined]
    return type(track)(*(array[first : last + (name in with_end)] for name, array in arrays))


def _mix(
    points: StepCosts,
    gears: np.ndarray,
    classes: np.ndarray,
    splits: np.ndarray,
    shares: np.ndarray,
) -> np.ndarray:
    """Pick each step's cost at its split, or between it and the next one."""
    place = points.first[np.arange(gears.size), gears, classes] + splits
    mixed = shares > 0.0
    here, there = points.cost[place], points.cost[place + mixed]
    return np.asarray(here + shares * (there - here))


def event_cost(problem: Problem, gears: np.ndarray, classes: np.ndarray) -> float:
    """Return the cost of all shifts and starts of a schedule, g."""
    return float(event_costs(problem.shift, problem.settings, gears, classes).sum())


def event_costs(
    shift: np.ndarray, settings: Settings, gears: np.ndarray, classes: np.ndarray
) -> np.ndarray:
    """Return the cost of the shift and start of each step, g, (steps,).

    Parameters
    ----------
    shift
        g, (steps, 3 engine classes, gears, gears), infinite where a setting forbids it; a shift
        made against that costs the settings' `shift_cost`.
    settings
        Costs of events and the gear before the first step.
    gears, classes
        Gear, from 0, and engine class of each step, (steps,).
    """
    before = np.concatenate(([settings.gear_start - 1], gears[:-1]))
    shifts = shift[np.arange(gears.size), classes, before, gears]
    shifts = np.where(np.isfinite(shifts), shifts, settings.shift_cost)
    return np.asarray(shifts + settings.start_cost * begins_start(classes))


def missed_target(run: ForwardRun, problem: Problem) -> bool:
    """Return whether a run ends below the target by more than the tolerance."""
    low = problem.grid.target - SOC_TOLERANCE
    return problem.grid.penalty > 0.0 and bool(run.soc[-1] < low)


def refuse_missed(run: ForwardRun, problem: Problem) -> None:
    """Raise InfeasibleError when a run leaves the window or misses the target."""
    grid, path = problem.grid, run.soc
    if path.min() < grid.low - SOC_TOLERANCE:
        raise InfeasibleError(
            f"no schedule keeps the SoC above {grid.low / PERCENT:g} %; the best drops to "
            f"{path.min() / PERCENT:.1f} %; widen the window, start higher or lower the load"
        )
    if missed_target(run, problem):
        raise InfeasibleError(
            f"the final SoC of {grid.target / PERCENT:g} % is out of reach; the best reachable is "
            f"{path[-1] / PERCENT:.1f} %; set a lower target or a longer cycle"
        )
