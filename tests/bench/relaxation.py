"""A continuous relaxation of a solve, by CasADi and IPOPT.

Gear and engine class of every step are those of the schedule; the split is free: any mixture of
the step's splits, so that the cost is the lower convex hull of (power, cost). Battery, with a
discharging current a and a charging one b, both 0 or more, U and R linear over SoC:

    P = U (a - b) - R_d a^2 - R_c b^2,    SoC falls by (a - efficiency b) dt / Q

The schedule itself is allowed here, and so is nothing that the proved bound leaves out, hence
bound <= optimum of the relaxation <= cost of the schedule, up to IPOPT's tolerance. The window
must lie in one interval of the battery's table, so that U and R are linear and smooth.
"""

from typing import Any

import numpy as np

from hybridopt.dp.forward import event_cost
from hybridopt.optimum.optimum import Optimum

TOLERANCE = 1e-8  # relative, of IPOPT


def relaxed_cost(solved: Optimum) -> float:
    """Return the optimum of the relaxation, g, with the event costs of the schedule.

    Raises
    ------
    ValueError
        The SoC window covers more than one interval of the battery's table.
    RuntimeError
        IPOPT did not converge.
    """
    import casadi

    problem, plan = solved.solution.problem, solved.solution.schedule
    points, steps = problem.points.part(0, problem.points.steps), problem.points.steps
    opti = casadi.Opti()
    soc, fuel = opti.variable(steps + 1), opti.variable(steps)
    drawn, stored = opti.variable(steps), opti.variable(steps)
    voltage, discharge, charge = linear_battery(solved, soc[:-1])
    power = voltage * (drawn - stored) - discharge * drawn**2 - charge * stored**2
    opti.subject_to(opti.bounded(0.0, drawn, np.inf))
    opti.subject_to(opti.bounded(0.0, stored, np.inf))
    per_ampere = casadi.DM(points.dt / problem.cell.capacity)
    opti.subject_to(soc[1:] == soc[:-1] - per_ampere * (drawn - problem.cell.efficiency * stored))
    low, high, start, target = problem.settings.socs
    opti.subject_to(soc[0] == start)
    opti.subject_to(opti.bounded(low, soc[1:], high))
    opti.subject_to(soc[-1] >= target)
    guess = np.empty(steps)
    for t in range(steps):
        chosen = points.part(t, t + 1), plan.gear[t], plan.engine_class[t]
        watts, grams = lower_hull(*listed(*chosen))
        guess[t] = grams.mean()
        opti.subject_to(opti.bounded(watts[0], power[t], watts[-1]))
        slopes = np.diff(grams) / np.diff(watts)
        if not slopes.size:
            opti.subject_to(fuel[t] >= grams[0])
        for w, m, slope in zip(watts, grams, slopes, strict=False):
            opti.subject_to(fuel[t] >= m + slope * (power[t] - w))
    opti.set_initial(soc, start)
    opti.set_initial(fuel, guess)
    opti.minimize(casadi.sum1(fuel))
    opti.solver("ipopt", {"print_time": False}, {"print_level": 0, "sb": "yes", "tol": TOLERANCE})
    events = event_cost(problem, plan.gear, plan.engine_class)
    return float(opti.solve().value(casadi.sum1(fuel))) + events


def linear_battery(solved: Optimum, soc: Any) -> list[Any]:
    """Return voltage, discharge and charge resistance as linear expressions of SoC."""
    cell, (low, high, *_) = solved.solution.problem.cell, solved.settings.socs
    if np.any((cell.soc > low + 1e-12) & (cell.soc < high - 1e-12)):
        raise ValueError("the SoC window covers more than one interval of the battery's table")
    lines = []
    for column in (cell.voltage, cell.discharge, cell.charge):
        a, b = np.interp([low, high], cell.soc, column)
        lines.append(a + (b - a) / (high - low) * (soc - low))
    return lines


def listed(points: Any, gear: int, engine_class: int) -> tuple[np.ndarray, np.ndarray]:
    """Return power and cost of the admissible splits of the first step in a gear and class."""
    count = points.count[0, gear, engine_class]
    cost = points.cost[0, gear, engine_class, :count]
    return points.power[0, gear, engine_class, :count][np.isfinite(cost)], cost[np.isfinite(cost)]


def lower_hull(power: np.ndarray, cost: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the lower convex hull of points, by increasing power (monotone chain)."""
    hull: list[tuple[float, float]] = []
    for p, m in sorted(zip(power.tolist(), cost.tolist(), strict=True)):
        if hull and p - hull[-1][0] < 1e-6:
            continue
        while len(hull) > 1 and _above(hull[-2], hull[-1], (p, m)):
            hull.pop()
        hull.append((p, m))
    watts, grams = zip(*hull, strict=True)
    return np.array(watts), np.array(grams)


def _above(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    """Tell whether b lies on or above the line from a to c."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])
