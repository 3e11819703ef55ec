"""Dynamic programming: the cost-to-go over the whole cycle, and the least-fuel schedule."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import InfeasibleError
from ..base.progress import Progress, silent
from ..dp import kernels
from ..dp.bound import lower_bound
from ..dp.corridor import Corridor
from ..dp.cost_to_go import CostToGo
from ..dp.detours import Detours
from ..dp.forward import ForwardRun, best_run, missed_target, rank, refuse_missed
from ..dp.oil_cost_to_go import OilCostToGo
from ..dp.oil_forward import OilRun, OilRunner
from ..inputs.driveline import Battery
from ..physics.schedule import Schedule
from ..problem.choices import Choices
from ..problem.oil_nodes import OilNodes
from ..problem.oil_peak import likely_peak, nodes_up_to
from ..problem.problem import Problem, make_problem
from ..problem.settings import Settings

PENALTY_STEPS = (1.0, 10.0, 100.0)  # times the given penalty, until the target is met
DEARLY = 1e-3  # of the cost, and g: so far a run may lie above the cost-to-go at the start
BLURRED = 1e-2  # likewise, where nodes of oil temperature blur the cost-to-go
COARSE_POINTS = 126  # SoC points of the solve that a corridor is worked out from
EXPECTED_GAP = 3e-4  # of the cost: gap that a corridor is first made for


@dataclass(frozen=True, eq=False)
class Solution:
    """The answer of the optimiser.

    Attributes
    ----------
    problem : what was solved
    run : the optimal decisions, their SoC path, cost and costate
    schedule : the optimal schedule
    value_start : g of fuel, the cost-to-go at the start; equals `cost` within grid error
    value : the cost-to-go; value[t] is in g of fuel, (states, gears, SoC points)
    corridor : the SoC ranges that were swept, proved to hold all schedules that cost no more; None
        where all points were
    """

    problem: Problem
    run: ForwardRun
    schedule: Schedule
    value_start: float
    value: CostToGo
    corridor: Corridor | None = None

    @property
    def soc_grid(self) -> np.ndarray:
        """State of charge of the grid points, (SoC points,)."""
        return self.problem.soc_grid

    @property
    def soc(self) -> np.ndarray:
        """State of charge along the run, (steps + 1,)."""
        return self.run.soc

    @property
    def costate(self) -> np.ndarray:
        """Drop of the cost-to-go, g per unit of SoC, after each step along the run, (steps,)."""
        return self.run.costate

    @property
    def cost(self) -> float:
        """Cost of the run, g of fuel, with events and penalties."""
        return self.run.cost


def solve(
    points: Choices,
    battery: Battery,
    settings: Settings,
    penalty: float,
    shift_costs: Any = None,
    progress: Progress = silent,
    stop_costs: np.ndarray | None = None,
    start_steps: np.ndarray | None = None,
    start_costs: np.ndarray | None = None,
) -> Solution:
    """Find the least-cost schedule over given operating points.

    Parameters
    ----------
    points
        Choices of every step, from :func:`hybridopt.physics.operating_points.operating_points`.
    battery
        Turns battery power into a change of SoC.
    settings
        Resolved settings (see :meth:`Settings.resolved`).
    penalty
        Slope of the terminal and window penalty, g per unit of SoC.
    shift_costs
        g of fuel from gear (last axis but one) to gear (last axis), (gears, gears) or
        (steps, 3 engine classes, gears, gears); default is `settings.shift_cost` for every change
        of gear.
    progress
        Called with the share done, 0 to 1.
    stop_costs, start_steps, start_costs
        See :func:`hybridopt.problem.graph.make_events`.

    Returns
    -------
    Solution
        Schedule, SoC path and the whole cost-to-go.

    Raises
    ------
    InfeasibleError
        No schedule keeps the SoC window and reaches the target; the message says the best SoC.

    Notes
    -----
    V_t(x,s,g) = min over s', g', u of c(g,s -> g',s') + m_u + V_{t+1}(x - d_u(x), s', g'),
    Bellman's recursion over state of charge x, state s and gear g, with V_N the exact
    penalty K max(0, target - x). V is interpolated linearly in x. The forward run takes the best
    decision from the continuous SoC, refines the torque split between two listed ones, and lands
    on the target.
    """
    events = shift_costs, stop_costs, start_steps, start_costs
    stated = battery, settings, penalty, events, progress
    found = (
        _solve_warming(points, *stated) if isinstance(points, OilNodes) else _solve(points, *stated)
    )
    problem, value, run, corridor = found
    return Solution(
        problem=problem,
        run=run,
        schedule=run.schedule(problem.points),
        value_start=_value_at_start(problem, value),
        value=value,
        corridor=corridor,
    )


def _solve(
    points: Choices,
    battery: Battery,
    settings: Settings,
    penalty: float,
    events: tuple[Any, *tuple[np.ndarray | None, ...]],
    progress: Progress,
) -> tuple[Problem, CostToGo, ForwardRun, Corridor | None]:
    """Sweep and run forward; where the target is missed or dearly met, with steeper penalties too.

    A penalty just above the marginal fuel value keeps the kink it makes in the cost-to-go small,
    and with it the grid error. Where the last charge before the target is dearer than that (idling
    to charge), the cost-to-go counts on missing the target; a run that lands on it all the same is
    found without guidance, and costs far more than the cost-to-go says. Then the steeper ones take
    over, and the cheapest run counts.
    """
    best: tuple[Problem, CostToGo, ForwardRun, Corridor | None] | None = None
    for steeper in PENALTY_STEPS:
        problem = make_problem(points, battery, settings, steeper * penalty, *events)
        value, run, corridor = _optimum(problem, progress)
        if best is None or rank(problem, run) < rank(problem, best[2]):
            best = problem, value, run, corridor
        share = BLURRED if isinstance(points, OilNodes) else DEARLY
        dearly = run.cost > (1.0 + share) * _value_at_start(problem, value) + share
        if not (dearly or missed_target(run, problem)):
            break
    assert best is not None  # there is at least one penalty
    refuse_missed(best[2], best[0])
    return best


def _solve_warming(
    nodes: OilNodes,
    battery: Battery,
    settings: Settings,
    penalty: float,
    events: tuple[Any, *tuple[np.ndarray | None, ...]],
    progress: Progress,
) -> tuple[Problem, CostToGo, ForwardRun, Corridor | None]:
    """Solve over nodes that end where the oil hardly gets above; beyond, where it did.

    The closer nodes lie, the less they blur the cost-to-go.
    """
    for highest in (likely_peak(nodes), np.inf):
        near = nodes_up_to(nodes, highest)
        found = _solve(near, battery, settings, penalty, events, progress)
        if near.oil[-1] == nodes.oil[-1] or _peak(found[2]) <= near.oil[-1]:
            break
        found[1].forget()  # it is not the answer
    return found


def _peak(run: ForwardRun) -> float:
    """Return the highest oil temperature of a run, degC."""
    assert isinstance(run, OilRun)  # the runner of these nodes makes no other
    return float(run.oil.max())


def _value_at_start(problem: Problem, value: CostToGo) -> float:
    """Return the cost-to-go where the run begins, g."""
    return float(kernels._value(problem.grid, value.start_row, problem.soc))


def _optimum(problem: Problem, progress: Progress) -> tuple[CostToGo, ForwardRun, Corridor | None]:
    if isinstance(problem.points, OilNodes):
        warming = OilCostToGo(problem, progress=progress)
        run = best_run(problem, warming, OilRunner(problem, warming))
        assert isinstance(run, OilRun)  # its runner makes no other
        warming.path = run.oil
        return warming, run, None
    if problem.settings.corridor:
        found = _optimum_in_corridor(problem, progress)
        if found:
            return found
    value = CostToGo(problem, progress=progress)
    return value, best_run(problem, value), None


def _optimum_in_corridor(
    problem: Problem, progress: Progress
) -> tuple[CostToGo, ForwardRun, Corridor] | None:
    """Sweep near the path of a coarse grid; again, wider, until nothing better can lie outside.

    None where the coarse grid finds no schedule that meets the target, or the corridor holds none.
    """
    coarse = problem.on_grid(min(COARSE_POINTS, problem.grid.points))
    try:
        guide = best_run(coarse, CostToGo(coarse))
        if missed_target(guide, coarse):
            return None
        bound = lower_bound(coarse, guide, guide.costate, rounds=0)
        detours, lowest = Detours(coarse, bound.multipliers, guide), guide.cost
        corridor = detours.corridor(min(lowest, (1.0 + EXPECTED_GAP) * bound.bound))
        while True:
            value = CostToGo(problem, progress=progress, corridor=corridor)
            run = best_run(problem, value)
            lowest = min(lowest, detours.cost(run))
            needed = detours.corridor(lowest)
            if corridor.holds(needed):
                return value, run, corridor
            corridor = corridor.around(needed)
    except InfeasibleError:
        return None
