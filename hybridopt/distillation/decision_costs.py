"""What each engine and gear decision costs: Q-values of optima, at equivalence factors.

An equivalence factor is the price of stored energy in fuel, g/J. Along an optimum it is the costate
of the stored energy.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..foresight.stage_costs import stage_costs
from ..optimum.optimum import Optimum
from ..physics.codes import EngineClass
from ..physics.demand import Demand, steady_demand
from ..physics.operating_points import all_points
from ..problem.events import shift_costs

OFF, RUNNING, STARTING = EngineClass.OFF, EngineClass.RUNNING, EngineClass.STARTING
HELD = 10.0  # s, how long a point of steady driving lasts


class DecisionCosts(NamedTuple):
    """Costs of decisions, step by step; all arrays begin with (steps,), g where not said otherwise.

    Attributes
    ----------
    speed : m/s
    torque : N m at the wheels
    power : W at the wheels
    dt : s
    start : (steps, factors), cost of starting the engine less that of leaving it off
    stay : (steps, factors), cost of leaving it on less that of stopping it
    gears : (steps, 2 engine states, gears), cost of each gear, shifts not counted
    shift : (steps, 2 engine states, gears, gears), cost of shifts, from and to

    Notes
    -----
    Each is a difference of Q-values: fuel and events of the step, plus the equivalence factor times
    the energy taken from the store, plus the cost-to-go of engine state and gear after the step.
    `gears` is at the middle factor. Impossible is infinite.
    """

    speed: np.ndarray
    torque: np.ndarray
    power: np.ndarray
    dt: np.ndarray
    start: np.ndarray
    stay: np.ndarray
    gears: np.ndarray
    shift: np.ndarray

    @classmethod
    def joined(cls, parts: Sequence["DecisionCosts"]) -> "DecisionCosts":
        """Return the steps of several, one after the other."""
        return cls(*map(np.concatenate, zip(*parts, strict=True)))


def optimum_decision_costs(
    optimum: Optimum, factors: np.ndarray, expected: np.ndarray
) -> DecisionCosts:
    """Return decision costs along the optimal path of one cycle.

    The future is the one to be expected, not the one that the optimum knew: who knows what comes
    stops the engine in time, so thresholds fitted to that start the engine late and hold it too
    little on other drives.

    Parameters
    ----------
    optimum
        The solved cycle.
    factors
        Equivalence factors, g/J.
    expected
        (steps, factors, 2 engine states, gears), g, from :meth:`ExpectedCost.after`.
    """
    problem, gear = optimum.solution.problem, optimum.solution.schedule.gear
    stage = stage_costs(problem.points, problem.cell, problem.soc, factors)
    before = np.concatenate(([problem.gear], gear[:-1]))
    found = optimum.demand, stage, expected, problem.shift, before, problem.start_cost
    return _compared(*found)


def _compared(
    demand: Demand,
    stage: np.ndarray,
    ahead: np.ndarray,
    shift: np.ndarray,
    before: np.ndarray,
    start_cost: float,
) -> DecisionCosts:
    """Compare the decisions of each step.

    Parameters
    ----------
    demand
        At the wheels.
    stage
        (steps, factors, gears, 3), from :func:`stage_costs`.
    ahead
        (steps, factors or 1, 2 engine states, gears), g, cost-to-go after the step less the lowest.
    shift
        (steps, 3, gears, gears), g.
    before
        (steps,), gear before each step, from 0.
    start_cost
        g.
    """
    t = np.arange(demand.steps)
    ahead_of = {OFF: ahead[:, :, 0], RUNNING: ahead[:, :, 1], STARTING: ahead[:, :, 1]}
    lowest = {
        c: np.min(stage[..., c] + ahead_of[c] + shift[t, c, before][:, None], axis=2)
        for c in EngineClass
    }
    with np.errstate(invalid="ignore"):
        start = lowest[STARTING] + start_cost - lowest[OFF]
        stay = lowest[RUNNING] - lowest[OFF]
    middle = stage.shape[1] // 2
    gears = np.stack([(stage[..., c] + ahead_of[c])[:, middle] for c in (OFF, RUNNING)], axis=1)
    return DecisionCosts(
        speed=demand.speed,
        torque=demand.wheel_torque,
        power=demand.wheel_torque * demand.wheel_speed,
        dt=demand.dt,
        start=np.where(np.isnan(start), 0.0, start),
        stay=np.where(np.isnan(stay), 0.0, stay),
        gears=gears,
        shift=shift[:, [OFF, RUNNING]],
    )


def steady_decision_costs(optimum: Optimum, factors: np.ndarray) -> DecisionCosts:
    """Return the decision costs of physics alone: steady driving at every speed and power.

    There is no future; each point is held for :data:`HELD`, over which an engine start is spread.
    This fills what no training cycle visits.
    """
    driveline, problem = optimum.driveline, optimum.solution.problem
    demand = _steady_demand(optimum)
    points = all_points(driveline, demand, optimum.settings.splits)
    stage = stage_costs(points, problem.cell, problem.soc, factors)
    ahead = np.zeros((demand.steps, 1, 2, points.gears))
    shift = shift_costs(driveline, demand, optimum.settings)
    middle = stage[:, factors.size // 2]
    best = np.argmin(np.min(middle, axis=2), axis=1)
    found = _compared(demand, stage, ahead, shift, best, problem.start_cost)
    drivable = np.isfinite(middle).any(axis=(1, 2))
    return DecisionCosts(*(column[drivable] for column in found))


def _steady_demand(optimum: Optimum) -> Demand:
    """Steady speeds up to the fastest one, each at wheel powers from braking to full."""
    driveline, known = optimum.driveline, optimum.demand
    top = min(driveline.engine.max_speed, driveline.motor.max_speed)
    top *= driveline.vehicle.wheel_radius
    top /= min(driveline.gearbox.ratios) * driveline.gearbox.final_drive
    speeds = np.linspace(0.5, min(top, 70.0), 48)
    full = float((known.wheel_torque * known.wheel_speed).max()) * 2.0
    powers = np.concatenate((-np.geomspace(full, 200.0, 12), np.geomspace(200.0, full, 36)))
    return steady_demand(driveline.vehicle, speeds, powers, HELD)
