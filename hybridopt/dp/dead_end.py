"""Why no schedule gets to the end: the step that none of the states in reach can do."""

import numpy as np

from ..base.errors import InfeasibleError
from ..base.units import PERCENT
from ..problem.graph import FITS
from ..problem.memory import PART
from ..problem.problem import Problem
from .cost_to_go import CostToGo


def dead_end(problem: Problem, value: CostToGo) -> InfeasibleError:
    """Return the error of a problem whose start has no way to the end.

    The step is looked for from all states of engine and gear that the steps before can lead to.
    Where some get to the end whatever the charge, the battery is the reason, and the step is the
    first one from which no charge leads on.
    """
    steps, stuck = problem.points.steps, stuck_step(problem, problem.engine == 1)
    reason, mend = " within the battery's limits", "widen the SoC window, start elsewhere, "
    if stuck is None:
        dead = (t for t in range(len(value)) if np.isinf(value[t][problem.state]).all())
        stuck = next(dead, None)
    else:
        reason, mend = ", in no state of engine and gear that can be reached", ""
        if problem.engine == 0 and stuck_step(problem, True) is None:
            mend = "start with the engine on (--engine-on-start), "
    where = "some step"
    if stuck is not None:
        where = f"step {stuck + 1} ({problem.points.dt[:stuck].sum():g} s after the start)"
    return InfeasibleError(
        f"no schedule gets past {where} of {steps} from SoC {problem.soc / PERCENT:.1f} %{reason}; "
        f"{mend}loosen minimum times and inhibitors, or use a milder cycle"
    )


def stuck_step(problem: Problem, engine_on: bool) -> int | None:
    """Return the first step that no state in reach can do, whatever the charge; None without any.

    Parameters
    ----------
    problem
        Choices, moves and the gear at the start.
    engine_on
        Whether the engine runs at the start.
    """
    events, graph = problem.events, problem.events.graph
    reached = np.zeros((graph.states, problem.points.gears), dtype=bool)
    reached[graph.start(engine_on), problem.gear] = True
    gears = np.arange(problem.points.gears)
    way = np.sign(gears - gears[:, None])  # of each shift, (from, to)
    for first in range(0, problem.points.steps, PART):
        drivable = _drivable(problem, first, min(first + PART, problem.points.steps))
        for t in range(first, first + len(drivable)):
            after = np.zeros_like(reached)
            for m in np.flatnonzero(np.isfinite(events.cost[t])):
                engine = graph.engine[m]
                fits = np.isin(way, [w for w, kinds in FITS.items() if graph.gear[m] in kinds])
                ways = np.isfinite(problem.shift[t, engine]) & fits
                into = (ways & reached[graph.source[m]][:, None]).any(axis=0)
                after[graph.target[m]] |= into & drivable[t - first, :, engine]
            if not after.any():
                return t
            reached = after
    return None


def _drivable(problem: Problem, first: int, last: int) -> np.ndarray:
    """Return which gears and engine classes can drive steps first to last - 1, (n, gears, 3)."""
    costs = problem.points.costs(first, last)
    lists = np.stack((costs.first, costs.first + costs.length), axis=-1).reshape(-1, 2)
    able = [bool(np.isfinite(costs.cost[a:b]).any()) for a, b in lists]
    return np.array(able).reshape(costs.length.shape)
