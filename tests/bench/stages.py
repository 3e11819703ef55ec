"""How a solve's time divides into its stages, and how it grows with the size of the problem."""

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
from instances import Instance
from timing import Task, Timing, timed

from hybridopt.dp.bound import lower_bound
from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.dp.forward import best_run
from hybridopt.optimum.optimum import Optimum
from hybridopt.physics.demand import wheel_demand
from hybridopt.physics.replay import replay_schedule
from hybridopt.pipeline import find_optimum
from hybridopt.problem.choices import list_choices
from hybridopt.problem.events import shift_costs
from hybridopt.problem.problem import make_problem

LISTING, EVENTS, SWEEP = "operating points", "shift costs", "sweep"
FORWARD, REPLAY, BOUND = "forward run and landing", "replay", "bound"
WHOLE = "whole solve with bound"


def solved(instance: Instance) -> Optimum:
    """Solve as `hybridopt solve` does: nothing is kept but the answer and its bound."""
    return find_optimum(*instance.parts(), keep_value=False)


def stage_timings(instance: Instance, repeats: int) -> list[Timing]:
    """Time the stages of a solve one by one, and the whole of it.

    Raises
    ------
    ValueError
        The stages give another cost than the whole: they are not what the package does.
    """
    cycle, driveline, settings = instance.parts()
    settings = settings.resolved(driveline).for_cycle(cycle)
    demand = wheel_demand(driveline.vehicle, cycle)
    made: dict[str, Any] = {}

    def kept(name: str, work: Callable[[], Any]) -> Task:
        def run() -> Any:
            made[name] = work()
            return made[name]

        return Task(name, run, repeats)

    def swept() -> Any:
        problem = make_problem(
            made[LISTING], driveline.battery, settings, settings.penalty(driveline), made[EVENTS]
        )
        return problem, CostToGo(problem)

    timings = timed(
        [
            kept(
                LISTING,
                lambda: list_choices(
                    driveline, demand, settings.splits, settings.memory_limit, whole=False
                ),
            ),
            kept(EVENTS, lambda: shift_costs(driveline, demand, settings)),
            kept(SWEEP, swept),
            kept(FORWARD, lambda: best_run(*made[SWEEP])),
            kept(
                REPLAY,
                lambda: replay_schedule(
                    driveline,
                    demand,
                    made[FORWARD].schedule(made[LISTING]),
                    settings.socs[2],
                    settings.gear_start,
                    made[FORWARD].costate,
                ),
            ),
            kept(BOUND, lambda: lower_bound(made[SWEEP][0], made[FORWARD], made[FORWARD].costate)),
            kept(WHOLE, lambda: solved(instance)),
        ]
    )
    if made[FORWARD].cost != made[WHOLE].solution.cost:
        raise ValueError("stages and whole solve differ in cost; bring stages.py up to date")
    return timings


@dataclasses.dataclass(frozen=True)
class Growth:
    """Times of solves over a size, and the exponents of their growth.

    Attributes
    ----------
    axis : what is varied
    sizes : its values
    solve, bound : s, the solve without its bound, and the bound
    """

    axis: str
    sizes: list[int]
    solve: list[float]
    bound: list[float]

    @property
    def solve_exponent(self) -> float:
        """Slope of log time over log size, solve without bound."""
        return float(np.polyfit(np.log(self.sizes), np.log(self.solve), 1)[0])

    @property
    def bound_exponent(self) -> float:
        """Slope of log time over log size, bound."""
        return float(np.polyfit(np.log(self.sizes), np.log(self.bound), 1)[0])


def growth(axis: str, instances: dict[int, Instance], repeats: int) -> Growth:
    """Time solves of several sizes in turn."""
    seconds: dict[int, list[tuple[float, float]]] = {size: [] for size in instances}
    for _ in range(repeats):
        for size, instance in instances.items():
            done = solved(instance)
            assert done.bound is not None
            seconds[size].append((done.seconds, done.bound.seconds))
            del done
    medians = [np.median(seconds[size], axis=0) for size in instances]
    solve, bound = ([float(m[i]) for m in medians] for i in (0, 1))
    return Growth(axis, list(instances), solve, bound)
