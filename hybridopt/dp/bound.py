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
to the cost of each step, sort by z_t, and take the least over all that is left free: path, splits
and each z_t on its own. Each relaxation can only lower the sum.

Assumptions, and what is more than the optimiser's problem: splits may be any motor torque,
because between two listed splits cost and power are linear (see OperatingPoints), and any mixture
of them, because only the lower convex hull of (power, cost) is used; SoC-dependent power limits
are only used through their widest value. D_t is taken per sub-box of SoC at its highest voltage
and lowest resistance, less the bend term L (I dt)^2 / (2 Q) with L the steepest rise of voltage
near the box. No SoC grid is involved, so there is no interpolation error.

The multipliers start from the costate of the optimiser's own schedule: along an arc free of SoC
limits l_t = l_{t+1} (1 - dD/dz); one factor per arc is then improved by Polyak's supergradient
step. Source: Bertsekas, *Nonlinear Programming*, ch. 6 (duality, Polyak step), from memory.
"""

import time
from dataclasses import dataclass

import numpy as np

from ..operating_points import EngineClass
from . import bound_kernels as kernels
from .forward import Run
from .kernels import Cell
from .problem import Problem

BOXES = 16  # sub-boxes of the SoC window
WANTED_PERCENT = 0.01  # gap at which the ascent stops
ITERATIONS = 16
RANGES = 12  # times the range of multipliers may move on
WEIGHT_RANGE = 1.15  # multipliers stay within this factor of the least and largest first ones
CONTACT = 2e-4  # SoC this close to a limit counts as touching it


@dataclass(frozen=True, eq=False)
class Bound:
    """A proved lower limit.

    Attributes
    ----------
    bound : g, no schedule costs less (fuel plus event costs)
    gap_percent : how far the schedule's cost lies above it, in % of the cost
    cause : what dominates the gap
    multipliers : g/J, (steps + 1,), fuel value of stored energy; the first one is unused
    iterations : supergradient steps taken
    seconds : time spent
    """

    bound: float
    gap_percent: float
    cause: str
    multipliers: np.ndarray
    iterations: int
    seconds: float


def lower_bound(problem: Problem, run: Run, costate: np.ndarray) -> Bound:
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
    shape = dynamics(problem, run)
    scale = np.maximum(costate / voltage_slope(problem.cell, run.soc[1:]) / shape[1:], 0.0)
    arcs = limit_arcs(problem, run)
    factors = np.array([np.median(scale[arcs == a]) for a in range(arcs.max() + 1)])
    best, iterations = -np.inf, 0
    for _ in range(RANGES):
        dual = Dual(problem, run, shape, arcs, factors, BOXES)
        found, moved, steps = ascend(dual, factors, run.cost)
        iterations += steps
        if not found > best:
            break
        best, factors = found, moved
        if not dual.at_edge(factors):
            break
    multipliers = dual.multipliers(factors)
    gap = run.cost - best
    percent = 100.0 * gap / max(abs(run.cost), 1e-12)
    return Bound(
        bound=best,
        gap_percent=percent,
        cause=_cause(problem, run, shape, arcs, factors, best, gap) if percent > 0.1 else "",
        multipliers=multipliers,
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


class Dual:
    """The dual function of a problem over one factor per arc of the multipliers."""

    def __init__(
        self,
        problem: Problem,
        run: Run,
        shape: np.ndarray,
        arcs: np.ndarray,
        factors: np.ndarray,
        boxes: int,
    ) -> None:
        points = problem.points
        self.problem, self.shape, self.arcs = problem, shape, arcs
        self.boxes, self.first, self.last = make_boxes(problem, run, boxes)
        used = self.multipliers(factors)[1:]
        dear = problem.grid.floor_penalty / voltage_slope(problem.cell, np.array([problem.soc]))[0]
        highest = used.max() * WEIGHT_RANGE if used.max() > 0.0 else 0.1 * dear
        self.weights = np.array([used.min() / WEIGHT_RANGE, highest])
        self.hull_power, self.hull_cost = np.empty_like(points.cost), np.empty_like(points.cost)
        self.hull_count = np.empty_like(points.count)
        kernels._hulls(points.cost, points.power, points.count, points.dt, self.boxes,
                       problem.cell.efficiency, self.weights, self.hull_power, self.hull_cost,
                       self.hull_count)  # fmt: skip
        self.z_start = stored_energy(problem.cell, problem.soc)
        self.z_end = stored_energy(problem.cell, min(problem.grid.target, run.soc[-1]))

    def multipliers(self, factors: np.ndarray) -> np.ndarray:
        """Multipliers of every step from one factor per arc, (steps + 1,), g/J."""
        values = np.empty(self.shape.size)
        values[1:] = self.shape[1:] * factors[self.arcs]
        values[0] = values[1]
        return values

    def clip(self, factors: np.ndarray) -> np.ndarray:
        """Return factors whose multipliers stay in the range the hulls are made for (0 or more)."""
        least = np.full(factors.size, np.inf)
        largest = np.zeros(factors.size)
        np.minimum.at(least, self.arcs, self.shape[1:])
        np.maximum.at(largest, self.arcs, self.shape[1:])
        low, high = self.weights[0] / least, self.weights[1] / largest
        return np.asarray(np.minimum(np.maximum(factors, low), np.maximum(high, low)))

    def at_edge(self, factors: np.ndarray) -> bool:
        """Tell whether a multiplier lies at an edge of the range the hulls are made for."""
        used = self.multipliers(factors)[1:]
        low, high = self.weights
        return bool(used.min() <= low * (1 + 1e-9) or used.max() >= high * (1 - 1e-9))

    def value(self, factors: np.ndarray) -> tuple[float, np.ndarray]:
        """Return the bound at factors, g, and its supergradient, (arcs,)."""
        points, lam = self.problem.points, self.multipliers(factors)
        shape = points.cost.shape[:3]
        stage, drain, level = np.empty(shape), np.empty(shape), np.empty(shape)
        kernels._stages(self.hull_power, self.hull_cost, self.hull_count, points.dt, lam,
                        self.first, self.last, self.boxes, self.problem.cell.efficiency, stage,
                        drain, level)  # fmt: skip
        path_drain, path_level = np.empty(points.steps), np.empty(points.steps)
        length = kernels._trellis(stage, drain, level, self.problem.shift, self.problem.start_cost,
                                  self.problem.engine, self.problem.gear, path_drain,
                                  path_level)  # fmt: skip
        bound = length - lam[1] * self.z_start + lam[-1] * self.z_end
        bound -= 1e-12 * (abs(length) + (lam[1] + lam[-1]) * max(self.z_start, self.z_end))
        z = np.concatenate(([self.z_start], path_level[1:], [self.z_end]))
        slope = (z[1:] - z[:-1] + path_drain) * self.shape[1:]
        return float(bound), np.bincount(self.arcs, slope, minlength=factors.size)


def ascend(dual: Dual, factors: np.ndarray, upper: float) -> tuple[float, np.ndarray, int]:
    """Improve the factors by Polyak steps towards the schedule's cost; return the best.

    A step aims at the best bound plus a share of what is left to `upper`; the share is cut when
    a step brings nothing. Factors stay where the hulls are valid.
    """
    best, best_gradient = dual.value(factors)
    best_factors, aim, iteration = factors, 1.0, 0
    while iteration < ITERATIONS and upper - best > 1e-2 * WANTED_PERCENT * abs(upper):
        iteration += 1
        norm = float(best_gradient @ best_gradient)
        if norm == 0.0:
            break
        trial = dual.clip(best_factors + aim * (upper - best) / norm * best_gradient)
        value, gradient = dual.value(trial)
        if value > best:
            best, best_factors, best_gradient = value, trial, gradient
        else:
            aim *= 0.4
    return best, best_factors, iteration


def stored_energy(cell: Cell, soc: float | np.ndarray) -> np.ndarray:
    """Energy stored up to a SoC, J: charge times the integral of the piecewise linear voltage."""
    steps = 0.5 * np.diff(cell.soc) * (cell.voltage[1:] + cell.voltage[:-1])
    at_nodes = np.concatenate(([0.0], np.cumsum(steps)))
    i = np.clip(np.searchsorted(cell.soc, soc, side="right") - 1, 0, cell.soc.size - 2)
    past = np.asarray(soc) - cell.soc[i]
    slope = (cell.voltage[i + 1] - cell.voltage[i]) / (cell.soc[i + 1] - cell.soc[i])
    return np.asarray(cell.capacity * (at_nodes[i] + past * (cell.voltage[i] + 0.5 * slope * past)))


def voltage_slope(cell: Cell, soc: np.ndarray) -> np.ndarray:
    """Return dz/dx at states of charge: capacity times open-circuit voltage, J."""
    return np.asarray(cell.capacity * np.interp(soc, cell.soc, cell.voltage))


def limit_arcs(problem: Problem, run: Run) -> np.ndarray:
    """Return the number of each step's arc between contacts with a SoC limit, (steps,), from 0."""
    low = problem.grid.low
    high = low + problem.grid.spacing * (problem.grid.points - 1)
    after = run.soc[1:]
    touching = (after < low + CONTACT) | (after > high - CONTACT)
    changes = np.concatenate(([0], np.diff(touching.astype(np.int64)) == -1))
    return np.asarray(np.cumsum(changes), dtype=np.int64)


def dynamics(problem: Problem, run: Run) -> np.ndarray:
    """Shape of the costate along a run, (steps + 1,), 1 at the end: l_t = l_{t+1} (1 - dD/dz)."""
    cell, soc = problem.cell, run.soc[:-1]
    reach = 2e-3
    power = run_power(problem, run)
    there, here = soc + reach, soc - reach
    change = _inner_energy(cell, there, power, problem.points.dt) - _inner_energy(
        cell, here, power, problem.points.dt
    )
    ratio = 1.0 - change / (2.0 * reach * voltage_slope(cell, soc))
    return np.concatenate((np.cumprod(ratio[::-1])[::-1], [1.0]))


def run_power(problem: Problem, run: Run) -> np.ndarray:
    """Battery power of each step of a run, W, from its fall of SoC."""
    cell, soc = problem.cell, run.soc[:-1]
    charge = cell.capacity * (run.soc[:-1] - run.soc[1:])
    current = charge / problem.points.dt / np.where(charge < 0.0, cell.efficiency, 1.0)
    voltage = np.interp(soc, cell.soc, cell.voltage)
    return np.asarray(voltage * current - _resistance(cell, soc, current) * current**2)


def _resistance(cell: Cell, soc: np.ndarray, sign: np.ndarray) -> np.ndarray:
    discharge = np.interp(soc, cell.soc, cell.discharge)
    return np.asarray(np.where(sign > 0.0, discharge, np.interp(soc, cell.soc, cell.charge)))


def _inner_energy(cell: Cell, soc: np.ndarray, power: np.ndarray, dt: np.ndarray) -> np.ndarray:
    """Energy that powers take from the store at states of charge, J."""
    voltage, resistance = np.interp(soc, cell.soc, cell.voltage), _resistance(cell, soc, power)
    root = np.sqrt(np.maximum(voltage**2 - 4.0 * resistance * power, 0.0))
    current = 2.0 * power / (voltage + root)
    share = np.where(power > 0.0, 1.0, cell.efficiency)
    return np.asarray(share * voltage * current * dt)


def make_boxes(
    problem: Problem, run: Run, count: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cut the SoC window into boxes, and find which of them each step can reach.

    Returns
    -------
    boxes : ndarray, (count, 6)
        Rows as in bound_kernels.
    first, last : ndarray of int, (steps,)
        Range of boxes of each step.
    """
    grid = problem.grid
    low = min(grid.low, float(run.soc.min()))
    edges = np.linspace(low, problem.settings.socs[1], count + 1)
    step = problem.largest_fall * grid.spacing
    pairs = zip(edges[:-1], edges[1:], strict=True)
    boxes = np.array([_box(problem, a, b, step) for a, b in pairs])
    rise, fall = _reach(problem)
    lowest = problem.soc - np.concatenate(([0.0], np.cumsum(fall)[:-1]))
    highest = problem.soc + np.concatenate(([0.0], np.cumsum(rise)[:-1]))
    if grid.penalty > 0.0:
        needed = min(grid.target, float(run.soc[-1]))
        lowest = np.maximum(lowest, needed - np.cumsum(rise[::-1])[::-1])
    slack = 1e-9
    first = np.searchsorted(edges, lowest - slack, side="right") - 1
    last = np.searchsorted(edges, highest + slack, side="left") - 1
    first, last = np.clip(first, 0, count - 1), np.clip(last, 0, count - 1)
    return boxes, first.astype(np.int64), np.maximum(last, first).astype(np.int64)


def _box(problem: Problem, low: float, high: float, step: float) -> list[float]:
    """Box of one SoC range; `step` is the farthest SoC can move in a step."""
    cell = problem.cell
    inside = cell.soc[(cell.soc > low) & (cell.soc < high)]
    soc = np.concatenate(([low], inside, [high]))
    voltage = np.interp(soc, cell.soc, cell.voltage)
    discharge = np.interp(soc, cell.soc, cell.discharge)
    charge = np.interp(soc, cell.soc, cell.charge)
    near = (cell.soc[1:] > low - step) & (cell.soc[:-1] < high + step)
    rise = float(np.max((np.diff(cell.voltage) / np.diff(cell.soc))[near], initial=0.0))
    power = max(float(problem.points.power[np.isfinite(problem.points.cost)].max()), 0.0)
    ratio = _current_ratio(voltage, discharge, power)
    bend = 0.5 * rise / cell.capacity * ratio**2
    z_low, z_high = stored_energy(cell, np.array([low, high]))
    return [z_low, z_high, voltage.max(), discharge.min(), charge.min(), bend]


def _current_ratio(voltage: np.ndarray, resistance: np.ndarray, power: float) -> float:
    """Most that a current in a box can exceed the one at highest voltage, lowest resistance."""
    worst = voltage.min() ** 2 - 4.0 * resistance.max() * power
    plain = float(voltage.max() / voltage.min())
    if worst <= 0.0:
        return 2.0 * plain
    best = voltage.max() ** 2 - 4.0 * resistance.min() * power
    return max(plain, float((voltage.max() + best**0.5) / (voltage.min() + worst**0.5)))


def _reach(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Bounds on how far SoC can rise and fall in each step, (steps,)."""
    points, cell = problem.points, problem.cell
    used = np.isfinite(points.cost)
    voltage, discharge = problem.nodes[0].min(), problem.nodes[1].max()
    highest = np.max(points.power, axis=(1, 2, 3), where=used, initial=0.0)
    lowest = np.min(points.power, axis=(1, 2, 3), where=used, initial=0.0)
    root = np.sqrt(np.maximum(voltage**2 - 4.0 * discharge * highest, 0.0))
    fall = 2.0 * highest / (voltage + root) * points.dt / cell.capacity
    return -lowest / voltage * points.dt / cell.capacity, fall


def _cause(
    problem: Problem,
    run: Run,
    shape: np.ndarray,
    arcs: np.ndarray,
    factors: np.ndarray,
    best: float,
    gap: float,
) -> str:
    """Say what dominates a gap: battery spread, SoC limits, or starts, shifts and grid."""
    finer, _ = Dual(problem, run, shape, arcs, factors, 8 * BOXES).value(factors)
    if finer - best > 0.5 * gap:
        return "spread of battery voltage and resistance over SoC"
    starts = np.count_nonzero(run.schedule.engine_class == EngineClass.STARTING)
    if arcs.max() > 0 or run.soc.min() < problem.grid.low + CONTACT:
        return "SoC limits that the schedule touches"
    return f"whole starts ({starts}) and shifts, which the bound may mix, and the SoC grid"
