"""The whole job in order: demand, operating points, solve, replay, limits, bound. Read first."""

import dataclasses
import time
from dataclasses import dataclass

import xarray as xr

from .choices import Choices, list_choices
from .demand import Demand, drive_demand
from .dp.bound import Bound, bound_attrs, lower_bound
from .dp.graph import make_events
from .dp.memory import Memory
from .dp.progress import Progress, silent
from .dp.settings import Settings
from .dp.solve import Solution, solve
from .inhibitors import stop_costs
from .inputs.cycle import Cycle
from .inputs.driveline import Driveline
from .limits import Optimum, respect_limits
from .operating_points import OperatingPoints, split_room
from .replay import replay_schedule
from .result import Result, make_result
from .shifts import shift_costs
from .starts import start_steps

THERMAL_CAUSE = "thermal limits, which the bound leaves out"


@dataclass(frozen=True, eq=False)
class Benchmark:
    """Everything a solve knows: what others are measured against.

    Attributes
    ----------
    cycle, driveline, settings : what was solved; the settings are resolved
    demand : what the wheels want
    solution : schedule and cost-to-go
    trace : the replayed schedule, see :func:`hybridopt.replay_schedule`
    bound : the proved lower limit, None when it was not wanted; with thermal limits that of the
        problem without them
    seconds : time of the solve without the bound
    rounds : rounds of tightening that thermal limits took
    """

    cycle: Cycle
    driveline: Driveline
    settings: Settings
    demand: Demand
    solution: Solution
    trace: xr.Dataset
    bound: Bound | None
    seconds: float
    rounds: int = 0

    @property
    def points(self) -> Choices:
        """All choices."""
        return self.solution.problem.points

    def result(self) -> Result:
        """Return traces and totals for files and reports."""
        extra: dict[str, float | str] = {
            "cost_g": self.solution.cost,
            "value_start_g": self.solution.value_start,
            "solve_s": self.seconds,
        }
        if self.settings.thermal_limits:
            extra["thermal_rounds"] = self.rounds
        if self.solution.corridor:
            extra["corridor_width"] = self.solution.corridor.width
        if self.bound is not None:
            extra |= bound_attrs(self.bound)
        return make_result(
            self.trace, self.cycle, self.driveline, self.demand, self.settings, extra
        )


@dataclass(frozen=True, eq=False)
class Prepared:
    """What a solve begins with: demand at the wheels and the choices of every step.

    Drivelines and settings share it where they differ only in what the choices do not depend on:
    the battery but for its power limits, the SoC grid and window, event costs.
    """

    demand: Demand
    points: Choices


def prepare(cycle: Cycle, driveline: Driveline, settings: Settings, whole: bool = True) -> Prepared:
    """Work out demand and choices; errors are those of :func:`solve_cycle`.

    Without `whole`, operating points take less memory, but only a solve is quick with them.
    """
    wanted = drive_demand(driveline, cycle)
    points = list_choices(driveline, wanted, settings.splits, settings.memory_limit, whole)
    return Prepared(wanted, points)


def solve_benchmark(
    cycle: Cycle,
    driveline: Driveline,
    settings: Settings | None = None,
    progress: Progress = silent,
    bound: bool = True,
    prepared: Prepared | None = None,
    keep_value: bool = True,
) -> Benchmark:
    """Find the least-fuel schedule and keep all that leads to it.

    Parameters and errors are those of :func:`solve_cycle`; `prepared` is there where many
    drivelines share it, and worked out where it is None. Without `keep_value` the cost-to-go is
    dropped before the bound, and operating points are not kept whole, which saves memory; with it,
    all points of SoC are swept, whatever `settings.corridor`.
    """
    settings = (settings or Settings()).resolved(driveline).for_steps(cycle.dt)
    if keep_value:
        settings = dataclasses.replace(settings, corridor=False)
    began = time.perf_counter()
    plan_memory(cycle, driveline, settings, keep_value).check()
    prepared = prepared or prepare(cycle, driveline, settings, keep_value)
    free = find_optimum(driveline, settings, prepared, progress)
    best, rounds = free, 0
    if settings.thermal_limits:
        best, rounds = _respect_limits(driveline, settings, free)
    spent = time.perf_counter() - began
    proved = None
    if not keep_value:
        best.solution.value.forget()
    if bound:
        proved = lower_bound(free.solution.problem, best.solution.run, best.solution.costate)
    if proved and proved.cause and rounds:
        proved = dataclasses.replace(proved, cause=THERMAL_CAUSE)
    return Benchmark(cycle, driveline, settings, best.demand, best.solution, best.trace, proved,
                     spent, rounds)  # fmt: skip


def find_optimum(
    driveline: Driveline, settings: Settings, prepared: Prepared, progress: Progress = silent
) -> Optimum:
    """Solve for resolved settings and replay the schedule."""
    wanted, penalty = prepared.demand, settings.penalty(driveline)
    shifts = shift_costs(driveline, wanted, settings)
    solution = solve(prepared.points, driveline.battery, settings, penalty, shifts, progress,
                     stop_costs(wanted, settings),
                     start_steps(driveline.start.duration, wanted.dt))  # fmt: skip
    trace = replay_schedule(driveline, wanted, solution.schedule, settings.socs[2],
                            settings.gear_start, solution.costate)  # fmt: skip
    return Optimum(wanted, solution, trace)


def _respect_limits(driveline: Driveline, settings: Settings, free: Optimum) -> tuple[Optimum, int]:
    """Solve again, with fewer choices where they led beyond a thermal limit, until all are kept."""

    def solve_again(demand: Demand) -> Optimum:
        free.solution.value.forget()  # it is not the answer
        whole = isinstance(free.solution.problem.points, OperatingPoints)
        points = list_choices(driveline, demand, settings.splits, settings.memory_limit, whole)
        return find_optimum(driveline, settings, Prepared(demand, points))

    return respect_limits(driveline, free, solve_again)


def plan_memory(
    cycle: Cycle, driveline: Driveline, settings: Settings, whole: bool = True
) -> Memory:
    """Return what a solve would keep in memory, with operating points kept whole or not."""
    room = split_room(driveline, settings.splits)
    starts = start_steps(driveline.start.duration, cycle.dt)
    states = make_events(settings, cycle.dt, None, starts).graph.states
    return Memory(cycle.dt.size, driveline.gearbox.gears, settings.for_steps(cycle.dt).grid_points,
                  room, settings.memory_limit, states, whole)  # fmt: skip


def solve_cycle(
    cycle: Cycle,
    driveline: Driveline,
    settings: Settings | None = None,
    progress: Progress = silent,
    bound: bool = True,
) -> Result:
    """Find the least-fuel schedule of a driveline over a cycle.

    Parameters
    ----------
    cycle
        From :func:`hybridopt.read_cycle`.
    driveline
        From :func:`hybridopt.read_driveline`.
    settings
        Grid, SoC window and target, event costs; the defaults are good without tuning.
    progress
        Called with the share done, 0 to 1.
    bound
        Also prove a lower limit of the cost (attrs `bound_g`, `gap_percent`).

    Returns
    -------
    Result
        Traces and totals; see :class:`hybridopt.Result`.

    Raises
    ------
    InputError
        A setting does not fit the driveline, or the solve would need too much memory.
    InfeasibleError
        The cycle cannot be driven, or the SoC target is out of reach.
    """
    known = solve_benchmark(cycle, driveline, settings, progress, bound, keep_value=False)
    return known.result()
