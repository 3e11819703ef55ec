"""The best motor torques for given gears and engine classes within limits of heat: a program.

Once gears, engine classes and where the motor is powered are given, what is left is nearly convex:
cost is linear between neighbouring splits, heat and what the battery loses are convex. A linear
program over mixtures of splits finds the torques; the mean torque of a mixture heats and drains no
more than the mixture. The drain of a power is that at the SoC of the schedule before. Every answer
is driven by the physics, and counts only where it keeps all limits.
"""

import dataclasses
import time
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from ..base.errors import InfeasibleError
from ..base.units import PERCENT
from ..dp.bound import Bound
from ..dp.forward import SOC_TOLERANCE, ForwardRun, event_cost, missed_target
from ..dp.heat import Heat, limited_heat
from ..dp.heat_levels import raised
from ..dp.heat_sweep import plans_within
from ..physics.battery import resistance_at, root_current, stored_energy, voltage_at, voltage_slope
from ..physics.replay import replay_schedule
from ..physics.schedule import Schedule
from ..physics.thermal import strains
from ..problem.budgets import Budget, all_lengths, thermal_budgets
from ..problem.fine_lists import FineLists
from ..problem.grid import _terminal
from ..problem.memory import part_ranges
from .optimum import Optimum

ROUNDS = 4  # of the program, each at the SoC of the one before
PIECES, MOST = 4, 60_000  # of a gap between two splits; choices at most, with fewer pieces
LEVELS_PERCENT = 0.45  # gap above which heat becomes a state
MOST_FINE = 4_000_000  # choices of finely cut lists
ENERGY = 1e5  # J, unit of stored energy in the program
SAME = 1e-9  # share of a power, and SoC, by which rounding may pass a limit
MARGIN = 1e-7  # of limits and, as SoC, of the target


class Mixed(NamedTuple):
    """The choices that may be mixed in each step, one behind the other, (choices,).

    Attributes
    ----------
    step : int64
    cost, power, torque : g, W, N m
    rise : what they add to each budget, (budgets, choices)
    """

    step: np.ndarray
    cost: np.ndarray
    power: np.ndarray
    torque: np.ndarray
    rise: np.ndarray


def closer(best: Optimum, free: Optimum, bound: Bound) -> tuple[Optimum, Bound]:
    """Return a schedule within limits that costs no more, and a bound that is no lower.

    Parameters
    ----------
    best, free
        Within limits, and without them.
    bound
        Of the problem with limits.
    """
    if free.settings.limits_rates:  # the program knows no rates
        return best, bound
    best = _cheaper(best, free, best.solution.schedule, best.solution.soc)
    heat, known = bound.heat, free.settings.wanted_gap
    wanted = LEVELS_PERCENT * PERCENT if known is None else known
    if heat is not None and heat.prices.any() and _above(best, bound, wanted):
        best = _by_plans(best, free, heat)
        if _above(best, bound, wanted):
            began = time.perf_counter()
            bound = raised(bound, best.solution.cost, wanted / PERCENT, _finer(free))
            spent = time.perf_counter() - began
            bound = dataclasses.replace(bound, seconds=bound.seconds + spent)
    return best, bound.against(best.solution.cost)


def _above(best: Optimum, bound: Bound, wanted: float) -> bool:
    return best.solution.cost > (1.0 + wanted) * bound.bound


def _by_plans(best: Optimum, free: Optimum, heat: Heat) -> Optimum:
    """Return the best schedule of plans that keep the dearest budget, if it costs less."""
    lists = FineLists(free.points)
    listed = thermal_budgets(free.driveline, free.demand, lists, bent=False)
    budget = next(of for of in listed if of.name == heat.dearest.name)
    for plan, soc in plans_within(free.solution.problem, budget, lists, best.solution.soc):
        best = _cheaper(best, free, plan, soc)
    return best


def _finer(free: Optimum) -> Callable[[int], Heat]:
    """Return what lists the budgets of about so many splits, as far as there is room."""
    splits, points = free.settings.splits, free.points
    most = int(MOST_FINE * splits / all_lengths(points).sum())

    def finer(fine: int) -> Heat:
        made = limited_heat(free.driveline, free.demand, points, splits, min(fine, most))
        assert made is not None  # there is one with prices
        return made

    return finer


def _cheaper(best: Optimum, free: Optimum, plan: Schedule, soc: np.ndarray) -> Optimum:
    """Return the best schedule of a plan where it costs less than the one at hand."""
    found = best_torques(free, plan, soc)
    if found is None or found.solution.cost >= best.solution.cost:
        return best
    known = best.solution
    solution = dataclasses.replace(found.solution, value=known.value, value_start=known.value_start)
    return dataclasses.replace(found, solution=solution, rounds=best.rounds + 1)


def best_torques(free: Optimum, plan: Schedule, soc: np.ndarray) -> Optimum | None:
    """Return the best schedule of a plan's gears, engine classes and powered steps; None if none.

    Parameters
    ----------
    free
        The optimum without limits of heat.
    plan
        Its torques do not count.
    soc
        Where the drain of a power is first taken, (steps + 1,).
    """
    size = sum(
        int(free.points.costs(*part).length.max(axis=(1, 2)).sum())
        for part in part_ranges(free.points.steps)
    )
    if size > MOST:
        return None
    lists = FineLists(free.points, min(PIECES, MOST // size))
    budgets = thermal_budgets(free.driveline, free.demand, lists, bent=False)
    mixed, best = _mixed(lists, budgets, plan), None
    for _ in range(ROUNDS):
        solved = _program(free, mixed, budgets, soc)
        if solved is None:
            break
        torque, price = solved
        found = _driven(free, dataclasses.replace(plan, motor_torque=torque), price)
        if found is None:
            break
        soc = found.solution.soc
        hot = any(strain.over.any() for strain in strains(free.driveline, found.trace))
        if hot or missed_target(found.solution.run, found.solution.problem):
            continue
        if best is None or found.solution.cost < best.solution.cost:
            best = found
    return best


def _mixed(lists: FineLists, budgets: list[Budget], plan: Schedule) -> Mixed:
    """Return the choices of the plan's gears and engine classes, the motor on or off as there."""
    places, found = [], []
    for first, last in part_ranges(lists.steps):
        part = lists.costs(first, last)
        row = np.arange(last - first), plan.gear[first:last], plan.engine_class[first:last]
        begin, powered = part.first[row], plan.powered[first:last]
        count = np.where(powered, part.length[row] - 1, 1)
        step = np.repeat(np.arange(last - first), count)
        place = np.arange(step.size) - np.repeat(np.cumsum(count) - count, count)
        place += (begin + powered)[step]
        place, step = place[able := np.isfinite(part.cost[place])], step[able]
        places.append(step + first)
        rises = [budget.rises(first, last)[place] for budget in budgets]
        values = part.cost[place], part.power[place], lists.torque(first, last)[place], *rises
        found.append(np.array(values))
    cost, power, torque, *rise = np.concatenate(found, axis=1)
    return Mixed(np.concatenate(places), cost, power, torque, np.array(rise))


def _program(
    free: Optimum, mixed: Mixed, budgets: list[Budget], soc: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the motor torque of each step, N m, and the worth of stored energy, g/J."""
    from scipy.optimize import linprog  # 0.25 s that most cycles do not need
    from scipy.sparse import coo_array

    problem, steps, size = free.solution.problem, soc.size - 1, mixed.step.size
    cell, grid, choice, order = problem.cell, problem.grid, np.arange(size), np.arange(steps)
    before, dt = soc[mixed.step], problem.points.dt[mixed.step]
    resistance = resistance_at(cell, before, mixed.power)
    charge = dt * root_current(voltage_at(cell, before), resistance, mixed.power)
    charge *= np.where(mixed.power < 0.0, cell.efficiency, 1.0) / cell.capacity
    drain = (stored_energy(cell, before) - stored_energy(cell, before - charge)) / ENERGY
    entries = [(mixed.step, choice, np.ones(size))]
    states = [
        (np.ones(steps), drain),
        *((of.kept, -rise) for of, rise in zip(budgets, mixed.rise, strict=True)),
    ]
    for b, (kept, change) in enumerate(states, start=1):
        row, column = b * steps + order, size + (b - 1) * steps + order
        entries.append((b * steps + mixed.step, choice, change))
        entries.append((row, column, np.ones(steps)))
        entries.append((row[1:], column[:-1], -kept[1:]))
    row, column, value = (np.concatenate(part) for part in zip(*entries, strict=True))
    wanted = np.zeros((1 + len(states)) * steps)
    wanted[:steps], wanted[steps] = 1.0, stored_energy(cell, problem.soc) / ENERGY
    target = grid.target + MARGIN if grid.penalty > 0.0 else grid.low
    low, high = (np.full(steps, stored_energy(cell, x) / ENERGY) for x in (grid.low, grid.top))
    low[-1] = stored_energy(cell, target) / ENERGY
    limits = np.repeat([(1.0 - MARGIN) * budget.limit for budget in budgets], steps)
    bounds = np.column_stack(
        (
            np.concatenate((np.zeros(size), low, 0.0 * limits)),
            np.concatenate((np.ones(size), high, limits)),
        )
    )
    matrix = coo_array((value, (row, column)), shape=(wanted.size, len(bounds))).tocsr()
    paid = np.concatenate((mixed.cost, np.zeros(len(bounds) - size)))
    found = linprog(paid, A_eq=matrix, b_eq=wanted, bounds=bounds)
    if not found.success:
        return None
    torque = np.bincount(mixed.step, found.x[:size] * mixed.torque, steps)
    return torque, -found.eqlin.marginals[steps : 2 * steps] / ENERGY


def _driven(free: Optimum, plan: Schedule, price: np.ndarray) -> Optimum | None:
    """Return the optimum that a schedule is; None where it cannot be driven."""
    problem, settings = free.solution.problem, free.settings
    split, share = FineLists(free.points).places(plan)
    run = ForwardRun(plan.gear, plan.engine_class, split, share, free.solution.soc, 0.0, price)
    plan = run.schedule(free.points)
    try:
        inputs = free.driveline, free.demand, plan, settings.socs[2], settings.gear_start
        soc = np.append((trace := replay_schedule(*inputs)).soc, trace.attrs["soc_end"])
        costate = price * voltage_slope(problem.cell, soc[1:])
        trace = replay_schedule(*inputs, costate)
    except InfeasibleError:
        return None
    if not _allowed(free, plan, soc, trace.battery_power.values):
        return None
    grid = problem.grid
    cost = run.mixed(free.points).sum() + event_cost(problem, plan.gear, plan.engine_class)
    cost += _terminal(grid, soc[-1]) + grid.floor_penalty * max(grid.low - soc.min(), 0.0)
    run = dataclasses.replace(run, soc=soc, cost=float(cost), costate=costate)
    solution = dataclasses.replace(free.solution, run=run, schedule=plan, value_start=float(cost))
    return dataclasses.replace(free, solution=solution, trace=trace)


def _allowed(free: Optimum, plan: Schedule, soc: np.ndarray, power: np.ndarray) -> bool:
    """Return whether a schedule keeps the window, the SoC of stops and the battery's limits."""
    problem, on = free.solution.problem, plan.engine_class > 0
    grid, cell = problem.grid, problem.cell
    inside = grid.low - SOC_TOLERANCE <= soc.min() and soc.max() <= grid.top + SOC_TOLERANCE
    stops = ~on & np.append(problem.engine > 0, on[:-1])
    high = (soc[:-1][stops] >= problem.settings.stop_soc_min - SAME).all()
    least, most = (
        np.interp(soc[:-1], cell.soc, limit) for limit in (cell.power_min, cell.power_max)
    )
    spare = SAME * np.abs(power)
    return bool(inside and high and ((least - spare <= power) & (power <= most + spare)).all())
