"""A proved lower limit of the cost: no schedule whatever needs less.

Theorem. Let z(x) = Q times the integral of the open-circuit voltage up to SoC x be the stored
energy, and D_t(p) at most the z that battery power p takes in step t from any z in the step's
reachable box Z_t. For any multipliers l_1 ... l_N >= 0 (g of fuel per J) every schedule that
starts at x_0, keeps the SoC window and ends at or above the target costs at least

    S(l) - l_1 z(x_0) + l_N z(target),

where S(l) is the length of the shortest path over (gear, engine state) whose step t costs

    min over splits u, z in Z_t of  m_u + l_{t+1} D_t(p_u, z) + (l_t - l_{t+1}) z  + events

(the z term is absent in the first step, where z is known).

Proof. Along the schedule z_{t+1} <= z_t - D_t(p_t, z_t). Add l_{t+1} (z_{t+1} - z_t + D_t) <= 0
to the cost of each step, sort by z_t, and take the minimum over all that is left free: path,
splits and each z_t on its own. Each relaxation can only lower the sum.

Assumptions, and what is more than the optimiser's problem: splits may be any motor torque,
because between two listed splits cost and power are linear (see OperatingPoints), and any mixture
of those with a powered motor, because only their lower convex hull of (power, cost) is used;
SoC-dependent power limits
are only used through their widest value. D_t is taken per sub-box of SoC at its highest voltage
and lowest resistance, less the bend term L (I dt)^2 / (2 Q) with L the steepest rise of voltage
near the box. No SoC grid is involved, so there is no interpolation error.

More limits narrow the minimum. Where a move is open from some SoC on only, the z of its step lies
there. A budget of heat that all choices of a gear and class raise alike is kept by the paths
themselves: S(l) is then the shortest of those that keep it (room_kernels.py; taking labels together
lets a path cost less or raise less than it does, never more). Other budgets (problem/budgets.py)
have prices from multipliers m >= 0 on x_t - limit <= 0, which are added as those on z are: choices
pay price times rise, and the limits' worth is taken off S(l).

The multipliers start from the costate of the optimiser's own schedule: along an arc free of SoC
limits l_t = l_{t+1} (1 - dD/dz). Where that proves too little, others are tried, and one factor
per arc is improved (ascent.py, arc_model.py). Where a gap is left, schedules that cost no more than
the one at hand are kept to a corridor (detours.py), so that fewer and narrower boxes count. What
gap is then left may be that of whole starts: start_branches.py proves one bound for few of them and
one for more, and the lower one counts. On the way to a wanted gap, boxes of z become a state of the
paths (box_paths.py).

Source of the duality: Geoffrion, Lagrangean relaxation for integer programming, Mathematical
Programming Study 2, 1974, DOI 10.1007/BFb0120690.
"""

import dataclasses
import time
from dataclasses import dataclass

import numpy as np

from ..base.percent import percent_above
from ..base.units import PERCENT
from ..physics.battery import inner_power, resistance_at, terminal_power, voltage_at, voltage_slope
from ..problem.graph import begins_start
from ..problem.grid import FLOOR_FACTOR
from ..problem.problem import Problem
from .ascent import LONG_MOVES, MOVES, WANTED_PERCENT, Ascent
from .box_paths import raised
from .boxes import BOXES, NARROW_BOXES, make_boxes
from .corridor import Corridor
from .detours import Detours
from .dual import Dual, all_multipliers
from .end_bound import EndBound, Ends
from .forward import ForwardRun
from .heat import Heat, HeatGuide, LevelProof
from .start_branches import BRANCH_PERCENT, Branches, StartBranches

RATIOS = 0.5, 2.0  # of the costate over one step, at least and at most
CONTACTS = 2e-4, 5e-3  # SoC this close to a limit counts as touching it, narrowly and widely
ARC, ARCS = 3, 400  # steps of an arc at most, but no more than so many arcs without contacts
NOTED_PERCENT = 0.1  # gap above which its cause is reported
CORRIDOR_PERCENT = 0.02  # gap above which schedules that cost no more are kept to a corridor
ROUNDS, MOST_ROUNDS = 2, 10  # corridors, by default and on the way to a wanted gap
WORTH = 0.05  # of the gap: what a corridor must close for another one to be tried
LEAST_WORTH = 0.003  # of the gap: what a move of the arcs must promise, unless a gap is wanted


@dataclass(frozen=True, eq=False)
class Bound:
    """A proved lower limit.

    Attributes
    ----------
    bound : g, no schedule costs less (fuel plus event costs)
    gap_percent : how far the schedule's cost lies above it, in % of it
    cause : what dominates the gap
    multipliers : g/J, (steps + 1,), fuel value of stored energy; the first one is unused
    plain : likewise, the best ones without a corridor
    end : lowest SoC at the end of the schedules that it holds for
    ends : the bound over the final SoC
    problem : what was solved
    branches : on the number of starts, where they prove more
    heat : budgets at the prices of the plain ones; None where it knows none
    guide : what it tells of schedules that keep them
    evaluations : of the dual function
    seconds : time spent
    level_proof : what proves it over levels of a budget, but for the finest lists, if that is more
    """

    bound: float
    gap_percent: float
    cause: str
    multipliers: np.ndarray
    plain: np.ndarray
    end: float
    ends: Ends
    problem: Problem
    branches: Branches | None
    heat: Heat | None
    guide: HeatGuide | None
    evaluations: int
    seconds: float
    level_proof: LevelProof | None = None

    def against(self, cost: float) -> "Bound":
        """Return the bound as it lies below a schedule of another cost, g."""
        bound = min(self.bound, cost)
        return dataclasses.replace(self, bound=bound, gap_percent=percent_above(cost, bound))

    def at(self, soc_end: float) -> float:
        """Return the lower limit, g, of schedules that end at a SoC or above it.

        The theorem holds for any; multipliers are improved near it. Events count as in the problem.
        """
        return self.ends.at(soc_end)


def lower_bound(
    problem: Problem,
    run: ForwardRun,
    costate: np.ndarray,
    rounds: int = ROUNDS,
    heat: Heat | None = None,
) -> Bound:
    """Prove a lower limit for a problem, guided by a schedule for it.

    Parameters
    ----------
    problem
        What was solved.
    run
        The optimiser's forward run.
    costate
        g per unit of SoC after each step along the run, (steps,).
    rounds
        How often schedules that cost no more are kept to a corridor, unless the settings name a
        wanted gap.
    heat
        Budgets that schedules keep; None for none.

    Returns
    -------
    Bound
        Sound for any run and costate; tight when they are near the optimum.

    Notes
    -----
    See the module's docstring for theorem, proof and assumptions.
    """
    began = time.perf_counter()
    end, contacts = min(problem.grid.target, float(run.soc[-1])), limit_arcs(problem, run)
    dual, arcs = Dual(problem, make_boxes(problem, BOXES, end), heat), [contacts]
    arcs = [cut_arcs(contacts)] if heat else [contacts, cut_arcs(contacts)]
    wanted = problem.settings.wanted_gap
    aims: tuple[float, int, float] = WANTED_PERCENT, MOVES, LEAST_WORTH
    if wanted is not None:
        aims = wanted / PERCENT, LONG_MOVES, 0.0
    first = Ascent(dual, run.cost, arcs, *aims)
    first.climb(guesses(problem, run, costate, contacts), NOTED_PERCENT)
    last, looks, corridor = _keep_to_corridors(
        first, run, rounds if wanted is None else MOST_ROUNDS
    )
    proved, after, branches = last.bound, last.multipliers, None
    if percent_above(run.cost, proved) > (BRANCH_PERCENT if wanted is None else first.wanted):
        branching = StartBranches(last, run.cost)
        proved, looks = branching.bound(), looks + branching.evaluations
        branches = branching.proof
    left = percent_above(run.cost, proved)
    if wanted is not None and corridor and heat is None and left > first.wanted:
        boxed, more = raised(last, run.cost, end, corridor)
        proved, looks = max(proved, boxed), looks + more
    bound = min(proved, run.cost)
    percent = percent_above(run.cost, bound)
    return Bound(
        bound=bound,
        gap_percent=percent,
        cause=_cause(last.dual, run, last, contacts) if percent > NOTED_PERCENT else "",
        multipliers=all_multipliers(after),
        plain=all_multipliers(first.multipliers),
        end=end,
        ends=EndBound(problem, first.dual, after, run.cost, contacts),
        problem=problem,
        branches=branches,
        heat=first.dual.heat,
        guide=best_path(first),
        evaluations=looks,
        seconds=time.perf_counter() - began,
    )


def known_bound(problem: Problem, run: ForwardRun, bound: float, after: np.ndarray) -> Bound:
    """Return a bound that is proved already, by multipliers after each step, g/J, (steps,)."""
    bound, contacts = min(bound, run.cost), limit_arcs(problem, run)
    percent, multipliers = percent_above(run.cost, bound), all_multipliers(after)
    cause = "multipliers that keep to one scale" if percent > NOTED_PERCENT else ""
    return Bound(
        bound=bound,
        gap_percent=percent,
        cause=cause,
        multipliers=multipliers,
        plain=multipliers,
        end=min(problem.grid.target, float(run.soc[-1])),
        ends=EndBound(problem, None, after, run.cost, contacts),
        problem=problem,
        branches=None,
        heat=None,
        guide=None,
        evaluations=0,
        seconds=0.0,
    )


def _keep_to_corridors(
    first: Ascent, run: ForwardRun, rounds: int
) -> tuple[Ascent, int, Corridor | None]:
    """Climb again over what schedules that cost no more than the run can pass, in ever less of it.

    A schedule costs more than the run, or it keeps to the corridor, so the lower of run and bound
    is a limit of all. Returns the best ascent, how often the bound was looked at, and the corridor.
    """
    best, looks = first, first.evaluations
    corridor: Corridor | None = None
    problem, end = first.dual.problem, min(first.dual.problem.grid.target, float(run.soc[-1]))
    wanted = max(CORRIDOR_PERCENT, first.wanted) if rounds == ROUNDS else first.wanted
    for _ in range(rounds):
        gap = run.cost - best.bound
        if gap <= 1e-2 * wanted * abs(run.cost):
            break
        detours = Detours(problem, all_multipliers(best.multipliers), run, best.dual, corridor)
        corridor = detours.corridor(run.cost)
        boxes = make_boxes(problem, NARROW_BOXES, end, corridor)
        aims = first.wanted, first.moves, first.worth
        ascent = Ascent(best.dual.with_boxes(boxes), run.cost, first.arcs, *aims)
        ascent.climb([best.multipliers])
        looks += ascent.evaluations
        if ascent.bound > best.bound:
            best = ascent
        if run.cost - best.bound > (1.0 - WORTH) * gap:
            break
    return best, looks, corridor


def best_path(ascent: Ascent) -> HeatGuide | None:
    """Return what the path of the highest bound tells of heat."""
    heat, best = ascent.dual.heat, ascent.best
    return heat.guide(best.chosen) if heat and best else None


def bound_attrs(bound: Bound) -> dict[str, float | str]:
    """Return what a result keeps of a bound, as attrs."""
    return {
        "bound_g": bound.bound,
        "gap_percent": bound.gap_percent,
        "gap_cause": bound.cause,
        "bound_s": bound.seconds,
    }


def guesses(
    problem: Problem, run: ForwardRun, costate: np.ndarray, arcs: np.ndarray
) -> list[np.ndarray]:
    """Return multipliers after each step, g/J, (steps,) each, best guess first.

    They are the run's costate, smoothed over arcs; the same for a single arc; and one for all
    steps, which depends on no run.
    """
    energy, shape = voltage_slope(problem.cell, run.soc[1:]), dynamics(problem, run)
    known = np.nan_to_num(costate, posinf=0.0, neginf=0.0)  # beside infinite values it is none
    scale = np.maximum(known / energy / shape, 0.0)
    factors = np.array([np.median(scale[arcs == a]) for a in range(arcs.max() + 1)])
    if not factors.any():
        factors[:] = 0.25 * problem.grid.floor_penalty / FLOOR_FACTOR / np.median(energy)
    one = np.median(factors[factors > 0.0])
    return [shape * factors[arcs], shape * one, np.full(shape.size, one)]


def cut_arcs(arcs: np.ndarray) -> np.ndarray:
    """Return the number of each step's arc, (steps,), with long arcs cut into equal ones."""
    lengths, longest = np.bincount(arcs), max(ARC, -(-arcs.size // ARCS))
    place = np.arange(arcs.size) - np.concatenate(([0], np.cumsum(lengths)))[arcs]
    pieces = -(-lengths // longest)
    begins = np.diff(place * pieces[arcs] // lengths[arcs], prepend=0) != 0
    begins[1:] |= np.diff(arcs) > 0
    begins[0] = False
    return np.asarray(np.cumsum(begins))


def limit_arcs(problem: Problem, run: ForwardRun) -> np.ndarray:
    """Return the number of each step's arc between contacts with a SoC limit, (steps,), from 0.

    An arc begins where the schedule leaves a limit: narrowly, so that contacts close to each other
    count, and widely, so that those count that a coarse grid keeps away from it.
    """
    low, after = problem.grid.low, run.soc[1:]
    begins = np.zeros(after.size, dtype=np.int64)
    for contact in CONTACTS:
        touching = (after < low + contact) | (after > problem.grid.top - contact)
        begins[1:] |= touching[:-1] & ~touching[1:]
    return np.asarray(np.cumsum(begins))


def dynamics(problem: Problem, run: ForwardRun) -> np.ndarray:
    """Shape of the costate along a run, (steps,), 1 at the end: l_t = l_{t+1} (1 - dD/dz)."""
    cell, soc = problem.cell, run.soc[:-1]
    reach = 2e-3
    power = run_power(problem, run)
    there, here = soc + reach, soc - reach
    change = inner_power(cell, there, power) - inner_power(cell, here, power)
    change *= problem.points.dt
    ratio = 1.0 - change / (2.0 * reach * voltage_slope(cell, soc))
    ratio = np.clip(ratio, *RATIOS)  # steep battery tables: no multiplier may be below 0
    return np.concatenate((np.cumprod(ratio[:0:-1])[::-1], [1.0]))


def run_power(problem: Problem, run: ForwardRun) -> np.ndarray:
    """Battery power of each step of a run, W, from its SoC drop."""
    cell, soc = problem.cell, run.soc[:-1]
    charge = cell.capacity * (run.soc[:-1] - run.soc[1:])
    current = charge / problem.points.dt / np.where(charge < 0.0, cell.efficiency, 1.0)
    resistance = resistance_at(cell, soc, current)
    return np.asarray(terminal_power(voltage_at(cell, soc), resistance, current))


def _cause(dual: Dual, run: ForwardRun, ascent: Ascent, arcs: np.ndarray) -> str:
    """Say what dominates a gap: battery spread, SoC limits, or starts, shifts and grid."""
    problem, gap = dual.problem, run.cost - ascent.bound
    end = min(problem.grid.target, float(run.soc[-1]))
    finer = dual.with_boxes(make_boxes(problem, 8 * BOXES, end))
    if run.cost - finer.value(ascent.multipliers) < 0.5 * gap:
        return "battery voltage and resistance over SoC"
    if problem.settings.stop_soc_min > problem.grid.low:
        return "the SoC below which the engine must not be stopped"
    if arcs.any() or run.soc.min() < problem.grid.low + CONTACTS[0]:
        return "SoC limits that the schedule touches"
    starts = np.count_nonzero(begins_start(run.engine_class))
    return f"whole starts ({starts}), shifts and the SoC grid"
