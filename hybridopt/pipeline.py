"""The whole job in order: demand, operating points, solve, replay, result. Read this first."""

import time

from .demand import wheel_demand
from .dp.bound import bound_attrs, lower_bound
from .dp.progress import Progress, silent
from .dp.settings import Settings, check_memory, memory_needed
from .dp.solve import solve
from .inputs.cycle import Cycle
from .inputs.driveline import Driveline
from .operating_points import list_operating_points, split_room
from .replay import replay_schedule
from .result import Result, make_result
from .shifts import shift_costs


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
    settings = (settings or Settings()).resolved(driveline)
    began = time.perf_counter()
    gears, size = driveline.gearbox.gears, split_room(driveline, settings.splits)
    check_memory(
        memory_needed(cycle.dt.size, gears, settings.soc_points, size), settings.memory_limit
    )
    wanted = wheel_demand(driveline.vehicle, cycle)
    points = list_operating_points(driveline, wanted, settings.splits)
    penalty = settings.penalty(driveline)
    shifts = shift_costs(driveline, wanted, settings)
    solution = solve(points, driveline.battery, settings, penalty, shifts, progress)
    trace = replay_schedule(driveline, wanted, solution.schedule, settings.socs[2],
                            settings.gear_start, solution.costate)  # fmt: skip
    spent = time.perf_counter() - began
    extra: dict[str, float | str] = {
        "cost_g": solution.cost,
        "value_start_g": solution.value_start,
        "solve_s": spent,
    }
    if bound:
        extra |= bound_attrs(lower_bound(solution.problem, solution.run, solution.costate))
    return make_result(trace, cycle, driveline, wanted, settings, extra)
