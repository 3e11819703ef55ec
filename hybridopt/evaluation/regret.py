"""Where a drive loses against the optimum: the regret of every decision, by cause and moment."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..controllers.closed_loop import Drive
from ..controllers.controller import Command
from ..controllers.situation import ListedPoints, Situation, make_moves
from ..dp.cost_to_go import CostToGo
from ..dp.forward import event_costs
from ..optimum.solve import Solution
from ..physics.codes import EngineClass
from ..physics.demand import Demand
from ..problem.choices import Choices
from ..problem.graph import follow
from ..problem.memory import PART
from ..problem.problem import Problem
from . import regret_kernels as kernels
from .equal_soc import Yardstick

CAUSES = ("engine", "gear", "split", "window", "grid")
"""Engine state; gear, given the engine state; split, given both; all of it in steps from or to a
SoC from which the window must be left, where it cannot be told apart; what the grid of SoC,
clipping and limits add."""
SAME_SOC = 1e-7  # ends so near are the same
WORTH_LISTING = 1e-3  # g, a step with less regret belongs to no moment


@dataclass(frozen=True)
class Moment:
    """Successive steps in which a drive loses.

    Attributes
    ----------
    start, stop : s
    loss : g, sum over the steps
    cause : "engine", "gear" or "split", whichever is the largest
    time, speed, wheel_power : s, m/s, W, of the step that is costliest by this cause
    done, best : what was done in that step, and what would have been best
    """

    start: float
    stop: float
    loss: float
    cause: str
    time: float
    speed: float
    wheel_power: float
    done: Command
    best: Command


@dataclass(frozen=True, eq=False)
class Regret:
    """Regret of a drive.

    Attributes
    ----------
    step : g of fuel, (steps,), c_t + V_{t+1}(x_{t+1}) - V_t(x_t), see the notes of `drive_regret`
    causes : by :data:`CAUSES`, g, (steps,); they add up to `step`
    totals : by :data:`CAUSES`, g; "grid" holds the error of V at the start as well
    total : g, cost at equal SoC above the optimum's; the sum of `totals`
    moments : the costliest ones, worst first
    """

    step: np.ndarray
    causes: dict[str, np.ndarray]
    totals: dict[str, float]
    total: float
    moments: Sequence[Moment]


NOT_SOUGHT = Regret(np.zeros(0), {}, {}, float("nan"), ())


def drive_regret(
    solution: Solution,
    points: Choices,
    demand: Demand,
    drive: Drive,
    yardstick: Yardstick,
    most: int = 10,
) -> Regret:
    """Find where a drive loses against the optimum that ends at the same SoC.

    Parameters
    ----------
    solution
        The optimum, with its cost-to-go; where the drive ends elsewhere, the cost-to-go is swept
        again for that end.
    points, demand
        What the solution was made from.
    drive
        What a controller did in the same problem.
    yardstick
        The optimum as what drives are measured by.
    most
        The most moments to list.

    Notes
    -----
    With the cost-to-go V of ending where the drive ends, the regret of step t is
    c_t + V_{t+1}(x_{t+1}) - V_t(x_t); summed up, it is the drive's cost plus V_N(x_N) less
    V_0(x_0), whatever V is. It is split by taking back one decision after the other: q(done) -
    q(best split) - q(best gear, split) - q(best of all) - V_t(x_t). What is left in the last
    difference comes from V's interpolation, and so does what V_0(x_0) is above the optimum's cost:
    both are in the total of "grid", so that the totals add up to the loss at equal SoC.

    From a SoC at which the window must be left, V is the optimiser's penalty and not fuel, and it
    is infinite where nothing can drive on. Steps that begin or end there have their whole regret in
    "window": over such steps in a row it telescopes, so that penalties cancel and fuel remains.
    """
    problem, value = _ending_at(solution, drive.soc_end)
    taken = _Taken(problem, drive)
    steps, gears = points.steps, points.gears
    causes = {name: np.zeros(steps) for name in CAUSES}
    best_choices = []
    best = kernels.BestSplits(np.empty((2, gears)), np.empty((2, gears), dtype=np.int64))
    row = _row(value, 0)
    before, tells = taken.value(row, 0), taken.tells(row, 0)
    beyond = yardstick.equal(0.0, drive.soc_end) - yardstick.equal(0.0, problem.grid.target)
    for t in range(steps):
        i, row, last = t % PART, _row(value, t + 1), t == steps - 1
        if i == 0:
            part = points.part(t, min(t + PART, steps))
            listed = ListedPoints(t, part.cost, part.power, part.motor_torque, part.count)
        after = beyond if last else taken.value(row, t + 1)
        at, ahead = taken.situation(t), kernels.CostAhead(problem.grid, row, last)
        kernels._best_splits(listed, taken.cell, part.dt[i], taken.moves, ahead, at, best)
        done, told_before, tells = taken.cost[t] + after, tells, taken.tells(row, t + 1)
        if not (told_before and tells):
            causes["window"][t] = done - before if tells or last else taken.cost[t]
        else:
            on, g = taken.engine[t + 1], taken.gear[t + 1]
            by_split = min(done, best.value[on, g])
            by_gear = min(by_split, best.value[on].min())
            by_engine = min(by_gear, best.value.min())
            causes["split"][t], causes["gear"][t] = done - by_split, by_split - by_gear
            causes["engine"][t], causes["grid"][t] = by_gear - by_engine, by_engine - before
        best_choices.append(_best_choice(listed, at, best))
        before = after if tells else before  # the last that tells
    totals = {name: float(values.sum()) for name, values in causes.items()}
    moments = _moments(demand, drive, causes, best_choices, most)
    step = np.sum(list(causes.values()), axis=0)
    loss = yardstick.equal(drive.cost, drive.soc_end) - yardstick.cost
    totals["grid"] += loss - sum(totals.values())
    return Regret(step, causes, totals, loss, moments)


def _ending_at(solution: Solution, soc: float) -> tuple[Problem, CostToGo]:
    """Return the problem of ending at a SoC, as far as it is in the window, and its cost-to-go."""
    problem, ends = solution.problem, [solution.soc[-1]]
    if problem.settings.terminal == "target":  # the landing is a little off it
        ends.append(problem.grid.target)
    same = any(abs(soc - end) < SAME_SOC for end in ends)
    if same and solution.value.parts:  # it was kept
        return problem, solution.value
    problem = problem if same else problem.ending_at(soc)
    return problem, CostToGo(problem)


def _row(value: CostToGo, t: int) -> np.ndarray:
    """Return the cost-to-go before step t; not a number where no run from the start gets to."""
    return np.ascontiguousarray(value[t], dtype=np.float64)


_NO_MEMORY = np.empty(0)


class _Taken:
    """The states a drive went through, and the cost of each of its steps."""

    def __init__(self, problem: Problem, drive: Drive) -> None:
        plan = drive.schedule
        self.cell, self.grid = problem.cell, problem.grid
        self.moves = make_moves(problem.events, problem.shift)
        on = (plan.engine_class != EngineClass.OFF).astype(np.int64)
        self.engine = np.concatenate(([problem.engine], on))
        self.gear = np.concatenate(([problem.gear], plan.gear))
        self.soc = drive.soc
        self.state = follow(
            problem.events.graph, problem.state, problem.gear, plan.engine_class, plan.gear
        )
        events = event_costs(problem.shift, problem.settings, plan.gear, plan.engine_class)
        self.cost = drive.fuel + events

    def situation(self, t: int) -> Situation:
        """Return where the drive was before a step; what it remembered is left out."""
        return Situation(
            t, self.soc[t], self.state[t], int(self.engine[t]), self.gear[t], _NO_MEMORY
        )

    def value(self, row: np.ndarray, t: int) -> float:
        """Return the cost-to-go of the state before step t."""
        final, values = t == self.cost.size, row[self.state[t], self.gear[t]]
        return float(kernels._value_at(self.grid, values, final, self.soc[t]))

    def tells(self, row: np.ndarray, t: int) -> bool:
        """Return whether the cost-to-go of the state before step t is fuel, and no penalties."""
        if t == self.cost.size:
            return bool(self.soc[t] >= self.grid.low)
        values = row[self.state[t], self.gear[t]]
        penalties = kernels._leaves_window(self.grid, values, self.soc[t])
        return bool(np.isfinite(self.value(row, t)) and not penalties)


def _best_choice(points: ListedPoints, at: Situation, best: kernels.BestSplits) -> Command:
    on, gear = (int(i) for i in np.unravel_index(best.value.argmin(), best.value.shape))
    running = EngineClass.RUNNING if at.engine else EngineClass.STARTING
    engine_class = running if on else EngineClass.OFF
    split = max(best.split[on, gear], 0)
    torque = points.motor_torque[at.t - points.first, gear, engine_class, split]
    return Command(bool(on), gear + 1, float(torque))


def _moments(
    demand: Demand,
    drive: Drive,
    causes: dict[str, np.ndarray],
    best_choices: list[Command],
    most: int,
) -> list[Moment]:
    """Return the costliest intervals of steps with regret."""
    decided = np.array([causes[name] for name in ("engine", "gear", "split")])
    loss = decided.sum(axis=0)
    marked = np.concatenate(([0], (loss > WORTH_LISTING).astype(int), [0]))
    starts, stops = (np.flatnonzero(np.diff(marked) == sign) for sign in (1, -1))
    sums = np.array([loss[a:b].sum() for a, b in zip(starts, stops, strict=True)])
    plan, moments = drive.schedule, []
    for i in np.argsort(-sums, kind="stable")[:most]:
        a, b = int(starts[i]), int(stops[i])
        cause = int(decided[:, a:b].sum(axis=1).argmax())
        t = a + int(decided[cause, a:b].argmax())
        on = bool(plan.engine_class[t] != EngineClass.OFF)
        moments.append(
            Moment(
                start=float(demand.time[a]),
                stop=float(demand.time[b - 1] + demand.dt[b - 1]),
                loss=float(sums[i]),
                cause=("engine", "gear", "split")[cause],
                time=float(demand.time[t]),
                speed=float(demand.speed[t]),
                wheel_power=float(demand.wheel_torque[t] * demand.wheel_speed[t]),
                done=Command(on, int(plan.gear[t]) + 1, float(plan.motor_torque[t])),
                best=best_choices[t],
            )
        )
    return moments
