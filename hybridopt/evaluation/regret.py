"""Where a drive loses against the optimum: the regret of every decision, by cause and moment."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..controllers.closed_loop import Drive
from ..dp.forward import event_costs
from ..optimum.solve import Solution
from ..physics.demand import Demand
from ..physics.operating_points import EngineClass, OperatingPoints
from ..problem.choices import Choices
from ..problem.graph import follow
from ..problem.memory import PART
from . import regret_kernels as kernels
from .equal_soc import ChargeWorth

CAUSES = ("engine", "gear", "split", "grid", "final_charge")
"""Engine state; gear, given the engine state; split, given both; the SoC grid's interpolation and
what clipping and limits add; how far charge at the end is from a linear worth."""
WORTH_LISTING = 1e-3  # g, a step with less regret belongs to no moment


class Decision(NamedTuple):
    """A decision: engine on, gear (1 is first) and motor torque, N m."""

    engine_on: bool
    gear: int
    motor_torque: float


@dataclass(frozen=True)
class Moment:
    """Successive steps in which a drive loses.

    Attributes
    ----------
    start, stop : s
    loss : g, sum over the steps
    cause : "engine", "gear" or "split", whichever is the largest
    time, speed, wheel_power : s, m/s, W, of the step that is costliest by this cause
    done, best : decisions in that step, made and best
    """

    start: float
    stop: float
    loss: float
    cause: str
    time: float
    speed: float
    wheel_power: float
    done: Decision
    best: Decision


@dataclass(frozen=True, eq=False)
class Regret:
    """Regret of a drive.

    Attributes
    ----------
    step : g of fuel, (steps,), c_t + V_{t+1}(x_{t+1}) - V_t(x_t), see the notes of `drive_regret`
    causes : by :data:`CAUSES`, g, (steps,); they add up to `step`
    totals : by :data:`CAUSES`, g
    total : g, cost at equal final SoC less the cost-to-go at the start; the sum of `totals`
    moments : the costliest, dearest first
    """

    step: np.ndarray
    causes: dict[str, np.ndarray]
    totals: dict[str, float]
    total: float
    moments: Sequence[Moment]


def drive_regret(
    solution: Solution,
    points: Choices,
    demand: Demand,
    drive: Drive,
    worth: ChargeWorth,
    most: int = 10,
) -> Regret:
    """Tell where a drive loses against the optimum.

    Parameters
    ----------
    solution
        The optimum, with its cost-to-go.
    points, demand
        What the solution was made from.
    drive
        What a controller did in the same problem.
    worth
        What charge at the end is worth.
    most
        How many moments to list.

    Notes
    -----
    With the optimum's cost-to-go V, the regret of step t is c_t + V_{t+1}(x_{t+1}) - V_t(x_t);
    summed up, it is the drive's cost plus V_N(x_N) less V_0(x_0), whatever V is. It is split by
    taking back one decision after the other: q(done) - q(best split) - q(best gear, split) -
    q(best of all) - V_t(x_t). What is left in the last difference comes from V's interpolation.
    V is made for one final SoC. So that a drive that ends elsewhere is not told off for it in its
    last seconds, V's SoC axis is shifted a little more in each step, at the end by the difference.
    What the shifts are worth, less the linear worth of the charge, is "final_charge"; with it the
    total is the gap of the cost at equal final SoC to V_0(x_0).
    """
    taken = _Taken(solution, drive)
    steps, gears = points.steps, points.gears
    causes = {name: np.zeros(steps) for name in CAUSES}
    best_choices = []
    best, split = np.empty((2, gears)), np.empty((2, gears), dtype=np.int64)
    row, aim = _row(solution, 0), 0.0
    value = solution.value_start
    for t in range(steps):
        i, earlier, row = t % PART, row, _row(solution, t + 1)
        if i == 0:
            part = points.part(t, min(t + PART, steps))
        aim = taken.next_aim(earlier, row, t, aim)
        before, after = taken.value(earlier, t, aim), taken.value(row, t + 1, aim)
        engine, gear = taken.engine[t], taken.gear[t]
        kernels._best_splits(
            part.cost[i],
            part.power[i],
            part.count[i],
            part.dt[i],
            taken.cell,
            taken.grid,
            taken.shift[t],
            taken.events.graph,
            taken.events.cost[t],
            taken.events.soc_min,
            row,
            t == steps - 1,
            aim,
            drive.soc[t],
            taken.state[t],
            gear,
            best,
            split,
        )
        done = taken.cost[t] + after
        on, g = taken.engine[t + 1], taken.gear[t + 1]
        by_split = min(done, best[on, g])
        by_gear = min(by_split, best[on].min())
        by_engine = min(by_gear, best.min())
        causes["split"][t], causes["gear"][t] = done - by_split, by_split - by_gear
        causes["engine"][t], causes["grid"][t] = by_gear - by_engine, by_engine - before
        causes["final_charge"][t] = before - value
        best_choices.append(_best_choice(part, i, engine, best, split))
        value = after
    step = np.sum(list(causes.values()), axis=0)
    totals = {name: float(values.sum()) for name, values in causes.items()}
    totals["final_charge"] += worth.correction(drive.soc_end) - value
    gap = drive.cost + worth.correction(drive.soc_end) - solution.value_start
    moments = _moments(demand, drive, causes, best_choices, most)
    return Regret(step, causes, totals, gap, moments)


def _row(solution: Solution, t: int) -> np.ndarray:
    """Return the cost-to-go before step t; not a number where the optimum never gets to."""
    return np.ascontiguousarray(solution.value[t], dtype=np.float64)


class _Taken:
    """The states a drive went through, and the cost of each of its steps."""

    def __init__(self, solution: Solution, drive: Drive) -> None:
        problem, plan = solution.problem, drive.schedule
        self.cell, self.grid = problem.cell, problem.grid
        self.shift, self.events = problem.shift, problem.events
        on = (plan.engine_class != EngineClass.OFF).astype(np.int64)
        self.engine = np.concatenate(([problem.engine], on))
        self.gear = np.concatenate(([problem.gear], plan.gear))
        self.soc, self.difference = drive.soc, drive.soc_end - float(solution.soc[-1])
        self.state = follow(
            self.events.graph, problem.state, problem.gear, plan.engine_class, plan.gear
        )
        events = event_costs(problem.shift, problem.settings, plan.gear, plan.engine_class)
        self.cost = drive.fuel + events

    def value(self, row: np.ndarray, t: int, aim: float) -> float:
        """Return the cost-to-go of the state before step t, its SoC axis shifted by `aim`."""
        final, values = t == self.cost.size, row[self.state[t], self.gear[t]]
        return float(kernels._shifted_value(self.grid, values, final, self.soc[t], aim))

    def next_aim(self, row: np.ndarray, after: np.ndarray, t: int, aim: float) -> float:
        """Return the shift of a step: a little more of the difference, where V is known there."""
        wanted = self.difference * (t + 1) / self.cost.size
        known = np.isfinite([self.value(row, t, wanted), self.value(after, t + 1, wanted)])
        return wanted if known.all() else aim


def _best_choice(
    points: OperatingPoints, t: int, engine: int, best: np.ndarray, split: np.ndarray
) -> Decision:
    on, gear = (int(i) for i in np.unravel_index(best.argmin(), best.shape))
    running = EngineClass.RUNNING if engine else EngineClass.STARTING
    engine_class = running if on else EngineClass.OFF
    torque = points.motor_torque[t, gear, engine_class, max(split[on, gear], 0)]
    return Decision(bool(on), gear + 1, float(torque))


def _moments(
    demand: Demand,
    drive: Drive,
    causes: dict[str, np.ndarray],
    best_choices: list[Decision],
    most: int,
) -> list[Moment]:
    """Return the costliest runs of steps with regret."""
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
                done=Decision(on, int(plan.gear[t]) + 1, float(plan.motor_torque[t])),
                best=best_choices[t],
            )
        )
    return moments
