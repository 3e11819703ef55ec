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
of them, because only the lower convex hull of (power, cost) is used; SoC-dependent power limits
are only used through their widest value, and a SoC below which the engine must not be stopped is
left out. D_t is taken per sub-box of SoC at its highest voltage
and lowest resistance, less the bend term L (I dt)^2 / (2 Q) with L the steepest rise of voltage
near the box. No SoC grid is involved, so there is no interpolation error.

The multipliers start from the costate of the optimiser's own schedule: along an arc free of SoC
limits l_t = l_{t+1} (1 - dD/dz); one factor per arc is then improved by cutting planes and
supergradients. Source of the duality: Geoffrion, Lagrangean relaxation for integer programming,
Mathematical Programming Study 2, 1974, DOI 10.1007/BFb0120690.
"""

import time
from dataclasses import dataclass

import numpy as np

from ..base.percent import percent_above
from ..base.threads import in_threads
from ..physics.battery import inner_power, resistance_at, terminal_power, voltage_at, voltage_slope
from ..physics.codes import EngineClass
from ..problem.choices import Choices
from ..problem.graph import begins_start
from ..problem.grid import FLOOR_FACTOR
from ..problem.memory import PART
from ..problem.problem import Problem
from . import bound_kernels as kernels
from .boxes import make_boxes
from .end_bound import EndBound
from .forward import ForwardRun

BOXES = 16  # sub-boxes of the SoC window
WANTED_PERCENT = 0.01  # gap at which the ascent stops
NOTED_PERCENT = 0.1  # gap above which its cause is reported
ITERATIONS = 60, 20  # evaluations of the dual function, at most: above the noted gap, below it
PATIENCE = 8, 3  # evaluations without gain after which the ascent stops, likewise
STRIDE, LARGEST_STRIDE = 1e-3, 0.3  # of a factor
GAIN = 1e-7  # of the cost: the ascent goes on while more than this may be gained
LARGEST_SCALE = 1e3
CONTACT = 2e-4  # SoC this close to a limit counts as touching it


@dataclass(frozen=True, eq=False)
class Bound:
    """A proved lower limit.

    Attributes
    ----------
    bound : g, no schedule costs less (fuel plus event costs)
    gap_percent : how far the schedule's cost lies above it, in % of it
    cause : what dominates the gap
    multipliers : g/J, (steps + 1,), fuel value of stored energy; the first one is unused
    ends : the bound over the final SoC
    problem : what was solved
    iterations : supergradient steps taken
    seconds : time spent
    """

    bound: float
    gap_percent: float
    cause: str
    multipliers: np.ndarray
    ends: EndBound
    problem: Problem
    iterations: int
    seconds: float

    def at(self, soc_end: float) -> float:
        """Return the lower limit, g, of schedules that end at a SoC or above it.

        The theorem holds for any; multipliers are improved near it. Events count as in the problem.
        """
        return self.ends.at(soc_end)


def lower_bound(problem: Problem, run: ForwardRun, costate: np.ndarray) -> Bound:
    """Prove a lower limit for a problem, guided by a schedule for it.

    Parameters
    ----------
    problem
        What was solved.
    run
        The optimiser's forward run.
    costate
        g per unit of SoC after each step along the run, (steps,).

    Returns
    -------
    Bound
        Sound for any run and costate; tight when they are near the optimum.

    Notes
    -----
    See the module's docstring for theorem, proof and assumptions.
    """
    began = time.perf_counter()
    shape, arcs = dynamics(problem, run), limit_arcs(problem, run)
    scale = np.maximum(costate / voltage_slope(problem.cell, run.soc[1:]) / shape[1:], 0.0)
    factors = np.array([np.median(scale[arcs == a]) for a in range(arcs.max() + 1)])
    if not factors.any():
        factors[:] = (
            0.25
            * problem.grid.floor_penalty
            / FLOOR_FACTOR
            / np.median(voltage_slope(problem.cell, run.soc))
        )
    hulls, end = list_hulls(problem.points), min(problem.grid.target, float(run.soc[-1]))
    dual = Dual(problem, hulls, make_boxes(problem, BOXES, end), shape, arcs)
    best, factors, iterations = ascend(dual, factors, run.cost)
    free = dual.with_boxes(make_boxes(problem, BOXES, None))
    multipliers, gap = dual.multipliers(factors), run.cost - best
    percent = percent_above(run.cost, best)
    return Bound(
        bound=best,
        gap_percent=percent,
        cause=_cause(dual, run, factors, gap) if percent > NOTED_PERCENT else "",
        multipliers=multipliers,
        ends=EndBound(free, factors, run.cost, ascend),
        problem=problem,
        iterations=iterations,
        seconds=time.perf_counter() - began,
    )


def bound_attrs(bound: Bound) -> dict[str, float | str]:
    """Return what a result keeps of a bound, as attrs."""
    return {
        "bound_g": bound.bound,
        "gap_percent": bound.gap_percent,
        "gap_cause": bound.cause,
        "bound_s": bound.seconds,
    }


def list_hulls(points: Choices) -> kernels.Hulls:
    """Return the lower convex hulls of (power, cost) of every step, gear and class."""
    powers, costs, counts = [], [], []
    for first in range(0, points.steps, PART):
        part = points.costs(first, min(first + PART, points.steps))
        power, cost = np.empty((2, int(part.length.sum())))
        count = np.empty_like(part.length)
        used = kernels._hulls(part, power, cost, count)
        powers.append(power[:used].copy())
        costs.append(cost[:used].copy())
        counts.append(count.ravel())
    ends = np.concatenate(([0], np.cumsum(np.concatenate(counts))))
    return kernels.Hulls(np.concatenate(powers), np.concatenate(costs), ends)


class Dual:
    """The dual function of a problem over one factor per arc of the multipliers.

    Stage costs over a step's wide box, that holds all its boxes, are sound as well, lower, and
    quickly found. So all lists begin with the wide box; only those on a shortest path, and those
    that look no dearer, get all boxes, until a path has no other ones.
    """

    def __init__(
        self,
        problem: Problem,
        hulls: kernels.Hulls,
        boxes: kernels.Boxes,
        shape: np.ndarray,
        arcs: np.ndarray,
    ) -> None:
        self.problem, self.hulls, self.boxes = problem, hulls, boxes
        self.shape, self.arcs = shape, arcs
        self.corners = np.zeros(hulls.first.size - 1, dtype=np.int64)
        self.jobs = np.full(hulls.first.size - 1, kernels.WIDE, dtype=np.int64)

    def with_boxes(self, boxes: kernels.Boxes) -> "Dual":
        """Return the same over other boxes."""
        other = Dual(self.problem, self.hulls, boxes, self.shape, self.arcs)
        other.corners[:], other.jobs[:] = self.corners, self.jobs
        return other

    def multipliers(self, factors: np.ndarray) -> np.ndarray:
        """Multipliers of every step from one factor per arc, (steps + 1,), g/J."""
        values = np.empty(self.shape.size)
        values[1:] = self.shape[1:] * factors[self.arcs]
        values[0] = values[1]
        return values

    def value(self, factors: np.ndarray) -> tuple[float, np.ndarray]:
        """Return the bound at factors, g, and its supergradient, (arcs,)."""
        problem, boxes, lam = self.problem, self.boxes, self.multipliers(factors)
        steps = np.arange(problem.points.steps)
        arrays = np.empty((3, steps.size, problem.points.gears, len(EngineClass)))
        gear, engine = np.zeros((2, steps.size), dtype=np.int64)
        jobs = self.jobs
        while jobs.any():
            self._fill(lam, jobs, arrays)
            length = kernels._trellis(
                arrays[0],
                problem.shift,
                problem.events.graph,
                problem.events.cost,
                problem.state,
                problem.gear,
                gear,
                engine,
            )
            jobs = self._unsettled(arrays[0], gear, engine)
        _, path_drain, path_level = arrays[:, steps, gear, engine]
        bound = length - lam[1] * boxes.z_start + lam[-1] * boxes.z_end
        bound -= 1e-12 * (abs(length) + (lam[1] + lam[-1]) * max(boxes.z_start, boxes.z_end))
        z = np.concatenate(([boxes.z_start], path_level[1:], [boxes.z_end]))
        slope = (z[1:] - z[:-1] + path_drain) * self.shape[1:]
        return float(bound), np.bincount(self.arcs, slope, minlength=factors.size)

    def _fill(self, lam: np.ndarray, jobs: np.ndarray, arrays: np.ndarray) -> None:
        """Fill stage costs, drains and levels of the lists that have a job."""
        hulls, boxes, points = self.hulls, self.boxes, self.problem.points
        lists, efficiency = points.gears * len(EngineClass), self.problem.cell.efficiency

        def fill(a: int, b: int) -> None:
            rows = slice(a * lists, b * lists)
            kernels._stages(
                hulls._replace(first=hulls.first[a * lists : b * lists + 1]),
                points.dt[a:b],
                lam[a : b + 1],
                boxes._replace(wide=boxes.wide[a:b], first=boxes.first[a:b], last=boxes.last[a:b]),
                efficiency,
                jobs[rows],
                self.corners[rows],
                kernels.Stages(*arrays[:, a:b]),
            )

        in_threads(fill, points.steps)

    def _unsettled(self, stage: np.ndarray, gear: np.ndarray, engine: np.ndarray) -> np.ndarray:
        """Give a path's lists, and those of its classes that look no dearer, all boxes; job each.

        All jobs are none when the path has all boxes already.
        """
        steps = np.arange(gear.size)
        known = self.jobs.reshape(stage.shape)
        jobs = np.full_like(known, kernels.LEAVE)
        if (known[steps, gear, engine] == kernels.WIDE).any():
            here = stage[steps, gear, engine][:, None, None]
            same = np.arange(len(EngineClass)) == engine[:, None, None]
            new = same & (stage <= here) & (known == kernels.WIDE)
            jobs[new], known[new] = kernels.EXACT, kernels.EXACT
        return jobs.ravel()


def ascend(dual: Dual, factors: np.ndarray, upper: float) -> tuple[float, np.ndarray, int]:
    """Improve the factors towards the schedule's cost; return the best bound, factors, evaluations.

    First all factors are scaled together. Where there are several arcs, each then moves on its own
    with the sign of its supergradient, in steps that grow while the sign stays and shrink when it
    turns (source: Riedmiller and Braun, "RPROP", IEEE Int. Conf. on Neural Networks, 1993, DOI
    10.1109/ICNN.1993.298623; arcs hardly depend on one another). Any factors give a sound bound,
    so the best one counts.
    """
    best, factors, gradient, used = scale_together(dual, factors, upper)
    if factors.size == 1:
        return best, factors, used
    now, signs, strides, idle = factors, np.sign(gradient), np.full(factors.size, STRIDE), 0
    while _wanted(best, upper):
        near = int(upper - best < 1e-2 * NOTED_PERCENT * abs(upper))
        if used >= ITERATIONS[near] or idle >= PATIENCE[near]:
            break
        used += 1
        now = np.maximum(now, 1e-3 * now.max()) * np.exp(signs * strides)
        value, gradient = dual.value(now)
        turned = np.sign(gradient) != signs
        strides = np.where(turned, 0.5 * strides, np.minimum(1.4 * strides, LARGEST_STRIDE))
        signs = np.sign(gradient)
        idle = 0 if value > best + GAIN * abs(upper) else idle + 1
        if value > best:
            best, factors = value, now
    return best, factors, used


def scale_together(
    dual: Dual, factors: np.ndarray, upper: float
) -> tuple[float, np.ndarray, np.ndarray, int]:
    """Maximise the bound over one common scale of the factors by cutting planes.

    The bound is concave in the scale, so its tangents lie above it: the next scale is where the
    tangents on the two sides of the top meet, and their value there tells what is left to gain.
    Source: Kelley, *The cutting-plane method for solving convex programs*, J. SIAM 8(4), 1960,
    DOI 10.1137/0108053.
    """
    best, gradient = dual.value(factors)
    chosen, used, scale = factors, 1, 1.0
    sides: list[tuple[float, float, float] | None] = [None, None]
    sides[int(factors @ gradient < 0.0)] = scale, best, float(factors @ gradient)
    stride = 3e-4
    while used < ITERATIONS[1] and _wanted(best, upper):
        left, right = sides
        if left and right:
            scale = (right[1] - left[1] + left[2] * left[0] - right[2] * right[0]) / (
                left[2] - right[2]
            )
            if left[1] + left[2] * (scale - left[0]) < best + GAIN * abs(upper):
                break
        else:
            scale *= 1.0 + stride if left else 1.0 / (1.0 + stride)
            stride *= 4.0
        used += 1
        value, new = dual.value(scale * factors)
        slope = float(factors @ new)
        sides[int(slope < 0.0)] = scale, value, slope
        if value > best:
            best, chosen, gradient = value, scale * factors, new
        if slope == 0.0 or scale > LARGEST_SCALE:
            break
    return best, chosen, gradient, used


def _wanted(best: float, upper: float) -> bool:
    """Return whether the gap is still above what is wanted."""
    return upper - best > 1e-2 * WANTED_PERCENT * abs(upper)


def limit_arcs(problem: Problem, run: ForwardRun) -> np.ndarray:
    """Return the number of each step's arc between contacts with a SoC limit, (steps,), from 0."""
    low = problem.grid.low
    high = low + problem.grid.spacing * (problem.grid.points - 1)
    after = run.soc[1:]
    touching = (after < low + CONTACT) | (after > high - CONTACT)
    changes = np.concatenate(([0], np.diff(touching.astype(np.int64)) == -1))
    return np.asarray(np.cumsum(changes), dtype=np.int64)


def dynamics(problem: Problem, run: ForwardRun) -> np.ndarray:
    """Shape of the costate along a run, (steps + 1,), 1 at the end: l_t = l_{t+1} (1 - dD/dz)."""
    cell, soc = problem.cell, run.soc[:-1]
    reach = 2e-3
    power = run_power(problem, run)
    there, here = soc + reach, soc - reach
    change = inner_power(cell, there, power) - inner_power(cell, here, power)
    change *= problem.points.dt
    ratio = 1.0 - change / (2.0 * reach * voltage_slope(cell, soc))
    return np.concatenate((np.cumprod(ratio[::-1])[::-1], [1.0]))


def run_power(problem: Problem, run: ForwardRun) -> np.ndarray:
    """Battery power of each step of a run, W, from its SoC drop."""
    cell, soc = problem.cell, run.soc[:-1]
    charge = cell.capacity * (run.soc[:-1] - run.soc[1:])
    current = charge / problem.points.dt / np.where(charge < 0.0, cell.efficiency, 1.0)
    resistance = resistance_at(cell, soc, current)
    return np.asarray(terminal_power(voltage_at(cell, soc), resistance, current))


def _cause(dual: Dual, run: ForwardRun, factors: np.ndarray, gap: float) -> str:
    """Say what dominates a gap: battery spread, SoC limits, or starts, shifts and grid."""
    problem = dual.problem
    end = min(problem.grid.target, float(run.soc[-1]))
    finer = dual.with_boxes(make_boxes(problem, 8 * BOXES, end))
    if run.cost - finer.value(factors)[0] < 0.5 * gap:
        return "battery voltage and resistance over SoC"
    if problem.settings.stop_soc_min > problem.grid.low:
        return "the SoC below which the engine must not be stopped, which the bound leaves out"
    if dual.arcs.max() > 0 or run.soc.min() < problem.grid.low + CONTACT:
        return "SoC limits that the schedule touches"
    starts = np.count_nonzero(begins_start(run.engine_class))
    return f"whole starts ({starts}), shifts and the SoC grid"
