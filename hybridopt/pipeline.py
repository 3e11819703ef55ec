"""From a speed cycle to a proved optimum: all stages of a solve in order. Read this page first.

1.  `drive_demand` (physics/demand.py): the speed the cycle asks for becomes speed and torque at the
    wheels in every step.
2.  `list_choices` (problem/choices.py): for every step, gear and engine class (off, running, being
    started) a list of splits of the torque between engine and motor, each with its cost, g of
    fuel, and the battery power it takes. Together they are the choices of the optimisation.
3.  `make_problem` (problem/problem.py): choices, battery, a grid of states of charge (SoC), and
    the states of engine and gear with the moves between them and what these cost.
4.  `CostToGo` (dp/cost_to_go.py): a sweep backward in time finds the minimum cost from every SoC,
    state and gear to the end of the cycle (Bellman's recursion).
5.  `best_run` (dp/forward.py): a run forward from the start takes the best decision of each step by
    the cost-to-go, from the exact SoC, and ends on the target. `solve` (optimum/solve.py) does 3
    to 5, on steeper penalties where the target was missed, or in a corridor of SoC that is proved
    to hold the optimum.
6.  `replay_schedule` (physics/replay.py): the physics of each step once more, now with every
    quantity that a trace holds.
7.  `respect_limits` (optimum/thermal_limits.py), where it is wanted: tighten and solve again until
    temperature and overload limits are kept.
8.  `lower_bound` (dp/bound.py): a proof that no schedule costs less than so many grams. Where
    thermal limits bind it also says what heat is worth; `cheaper_within_limits`
    (optimum/priced_limits.py) solves again with that, and `closer` (optimum/torque_program.py)
    looks for better torques and, over levels of heat, for better paths and a higher bound.
9.  `Optimum` (optimum/optimum.py) holds all of this; `Result` (optimum/result.py) is the part with
    traces and totals that goes into files.
"""

import dataclasses
import itertools
import time
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from .base.errors import InputError
from .base.progress import Progress, part_of, silent
from .base.warning import InputWarning
from .dp.bound import lower_bound
from .dp.heat import Heat, limited_heat
from .dp.oil_bound import oil_bound
from .dp.oil_forward import OilRun
from .inputs.cycle import Cycle
from .inputs.driveline import Driveline
from .optimum.emission_limits import keep_limits
from .optimum.optimum import Optimum
from .optimum.priced_limits import SolveChoices, cheaper_within_limits
from .optimum.result import Result
from .optimum.solve import solve
from .optimum.thermal_limits import respect_limits
from .optimum.torque_program import closer
from .physics.demand import Demand, drive_demand
from .physics.operating_points import OperatingPoints
from .physics.replay import replay_schedule
from .physics.starts import start_steps
from .problem.choices import Choices, list_choices
from .problem.emission_prices import with_heating, with_prices
from .problem.events import shift_costs, start_costs, stop_costs
from .problem.idle_settings import idle_settings
from .problem.oil_nodes import list_oil_nodes
from .problem.problem import Problem, make_problem
from .problem.settings import Settings
from .problem.size import fewer_points, plan_memory, settled

THERMAL_CAUSE = "thermal limits"
RATES_CAUSE = "rates of engine torque, which the bound leaves out"


@dataclass(frozen=True, eq=False)
class Prepared:
    """What a solve begins with: the demand at the wheels and the choices of every step.

    Drivelines and settings share it where they differ only in what the choices do not depend on:
    the battery but for its power limits, the SoC grid and window, event costs.
    """

    demand: Demand
    points: Choices


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
    known = find_optimum(cycle, driveline, settings, progress, bound, keep_value=False)
    return known.result()


def find_optimum(
    cycle: Cycle,
    driveline: Driveline,
    settings: Settings | None = None,
    progress: Progress = silent,
    bound: bool = True,
    prepared: Prepared | None = None,
    keep_value: bool = True,
) -> Optimum:
    """Find the least-fuel schedule and keep all that leads to it.

    Parameters
    ----------
    cycle, driveline, settings, progress, bound
        As for :func:`solve_cycle`.
    prepared
        From :func:`prepare`, where many drivelines share it; None works it out.
    keep_value
        Keep the cost-to-go, and operating points whole as far as they fit; all points of SoC are
        swept then, whatever `settings.corridor`. Without, the cost-to-go is dropped before the
        bound, which saves memory.

    Returns
    -------
    Optimum
        Schedule, cost-to-go, trace and bound.

    Raises
    ------
    InputError, InfeasibleError
        As :func:`solve_cycle`.

    Warns
    -----
    InputWarning
        A setting has no effect on this cycle or driveline, or fewer SoC points than usual are
        taken because these do not fit into the memory.
    """
    given, settings = settings, settled(cycle, driveline, settings)
    driveline = with_prices(driveline, settings)
    if settings.emission_limits:
        return _within_limits(cycle, driveline, settings, progress, bound, keep_value)
    if keep_value or settings.warms:
        settings = dataclasses.replace(settings, corridor=False)
    fewer = fewer_points(cycle, settings, given)
    for text in (*idle_settings(settings, driveline, cycle), *fewer):
        warnings.warn(text, InputWarning, stacklevel=2)
    began = time.perf_counter()
    plan_memory(cycle, driveline, settings, keep_value).check()
    if settings.warms:
        return _find_warming(cycle, driveline, settings, progress, bound, keep_value)
    prepared = prepared or prepare(cycle, driveline, settings, keep_value)
    free = solve_prepared(cycle, driveline, settings, prepared, progress)
    best = _respect_limits(free) if settings.thermal_limits else free
    best = dataclasses.replace(best, seconds=time.perf_counter() - began)
    if not keep_value:
        best.solution.value.forget()
    if not bound:
        return best
    run, heat = best.solution.run, _heat(free) if best.rounds else None
    proved = lower_bound(free.solution.problem, run, best.solution.costate, heat=heat)
    if proved.guide:
        began = time.perf_counter() - best.seconds - proved.seconds
        best = cheaper_within_limits(best, free, proved.guide, _solver(free))
        best, proved = closer(best, free, proved)
        spent = time.perf_counter() - began - proved.seconds
        best = dataclasses.replace(best, seconds=spent)
        if not keep_value:
            best.solution.value.forget()
    if proved.cause and best.rounds:
        proved = dataclasses.replace(proved, cause=THERMAL_CAUSE)
    elif proved.cause and settings.limits_rates:
        proved = dataclasses.replace(proved, cause=RATES_CAUSE)
    return dataclasses.replace(best, bound=proved)


def _within_limits(
    cycle: Cycle,
    driveline: Driveline,
    settings: Settings,
    progress: Progress,
    bound: bool,
    keep_value: bool,
) -> Optimum:
    """Find the optimum within limits of emissions; see :func:`find_optimum`."""
    count = itertools.count()

    def solve_at(prices: Mapping[str, float], keep_value: bool = False) -> Optimum:
        done = 1.0 - 0.8 ** next(count)
        part = part_of(progress, done, done + 0.2 * (1.0 - done))
        priced = settings.without_limits().at_prices(prices)
        return find_optimum(cycle, driveline, priced, part, bound, keep_value=keep_value)

    return keep_limits(settings, solve_at, keep_value)


def refuse_warming(settings: Settings) -> None:
    """Raise InputError where the oil's temperature would have to be a state, and can be none."""
    if settings.warms:
        raise InputError(
            "setting ambient_temperature: what is asked for knows given oil temperatures only; "
            "leave it out, or give the cycle a column oil_temperature_C"
        )


def _find_warming(
    cycle: Cycle,
    driveline: Driveline,
    settings: Settings,
    progress: Progress,
    bound: bool,
    keep_value: bool,
) -> Optimum:
    """Find the optimum with the oil temperature as a state; see :func:`find_optimum`.

    Its problem is restated at the temperatures it made, for all that goes on from there.
    """
    began = time.perf_counter()
    nodes = list_oil_nodes(cycle, driveline, settings)
    penalty = settings.penalty(driveline)
    shifts, *events = _event_costs(driveline, nodes.demand, settings)
    sweeping = part_of(progress, 0.0, 0.6 if bound else 1.0)
    found = solve(nodes, driveline.battery, settings, penalty, shifts, sweeping, *events)
    assert isinstance(found.run, OilRun)  # these choices make no other
    if not keep_value:
        found.value.forget()
    demand = found.run.demand
    points = list_choices(driveline, demand, settings.splits, settings.memory_limit, keep_value)
    made = prepared_problem(driveline, settings, Prepared(demand, points), penalty)
    problem = dataclasses.replace(made, grid=found.problem.grid)
    solution = dataclasses.replace(found, problem=problem)
    trace = replay_schedule(
        driveline, demand, found.schedule, settings.socs[2], settings.gear_start, found.costate
    )
    best = Optimum(cycle, driveline, settings, demand, solution, trace)
    best = dataclasses.replace(best, seconds=time.perf_counter() - began)
    if not bound:
        return best
    proved = oil_bound(found.problem, found.run, part_of(progress, 0.6, 1.0))
    return dataclasses.replace(best, bound=proved)


def _heat(free: Optimum) -> Heat | None:
    """Return the budgets of all choices."""
    return limited_heat(free.driveline, free.demand, free.points, free.settings.splits)


def prepare(cycle: Cycle, driveline: Driveline, settings: Settings, whole: bool = True) -> Prepared:
    """Work out the demand at the wheels and the choices of every step (stages 1 and 2).

    Without `whole`, operating points take less memory, but only a solve is quick with them. Errors
    are those of :func:`solve_cycle`.
    """
    driveline = with_prices(driveline, settings)
    wanted = with_heating(driveline, drive_demand(driveline, cycle), settings)
    points = list_choices(driveline, wanted, settings.splits, settings.memory_limit, whole)
    return Prepared(wanted, points)


def solve_prepared(
    cycle: Cycle,
    driveline: Driveline,
    settings: Settings,
    prepared: Prepared,
    progress: Progress = silent,
) -> Optimum:
    """Solve for resolved settings and replay the schedule (stages 3 to 6); no bound is proved."""
    refuse_warming(settings)
    wanted, penalty = prepared.demand, settings.penalty(driveline)
    shifts, *events = _event_costs(driveline, wanted, settings)
    solution = solve(
        prepared.points, driveline.battery, settings, penalty, shifts, progress, *events
    )
    trace = replay_schedule(
        driveline,
        wanted,
        solution.schedule,
        settings.socs[2],
        settings.gear_start,
        solution.costate,
    )
    return Optimum(cycle, driveline, settings, wanted, solution, trace)


def _event_costs(
    driveline: Driveline, wanted: Demand, settings: Settings
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return what shifts, stops and starts cost, and how many steps a start takes."""
    return (
        shift_costs(driveline, wanted, settings),
        stop_costs(driveline, wanted, settings),
        start_steps(driveline.start.span, wanted.dt),
        start_costs(driveline, wanted),
    )


def state_problem(cycle: Cycle, driveline: Driveline, settings: Settings | None = None) -> Problem:
    """Return the problem that a solve of the same inputs solves; errors are those of a solve."""
    settings = settled(cycle, driveline, settings)
    refuse_warming(settings)
    driveline = with_prices(driveline, settings)
    made = prepare(cycle, driveline, settings, whole=False)
    return prepared_problem(driveline, settings, made, settings.penalty(driveline))


def prepared_problem(
    driveline: Driveline, settings: Settings, prepared: Prepared, penalty: float
) -> Problem:
    """Return the problem of resolved settings at a terminal penalty, g per unit of SoC."""
    events = _event_costs(driveline, prepared.demand, settings)
    return make_problem(prepared.points, driveline.battery, settings, penalty, *events)


def _respect_limits(free: Optimum) -> Optimum:
    """Solve again with fewer choices until all limits are kept (stage 7)."""
    solve_choices = _solver(free)

    def solve_again(demand: Demand) -> Optimum:
        free.solution.value.forget()  # it is not the answer
        return solve_choices(demand, lambda listed: listed)

    return respect_limits(free, solve_again)


def _solver(free: Optimum) -> SolveChoices:
    """Return a solve of the same cycle, driveline and settings for another demand and choices."""
    cycle, driveline, settings = free.cycle, free.driveline, free.settings
    whole = isinstance(free.points, OperatingPoints)

    def solve_choices(demand: Demand, change: Callable[[Choices], Choices]) -> Optimum:
        points = list_choices(driveline, demand, settings.splits, settings.memory_limit, whole)
        return solve_prepared(cycle, driveline, settings, Prepared(demand, change(points)))

    return solve_choices
