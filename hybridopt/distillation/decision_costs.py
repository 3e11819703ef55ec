"""What an optimum teaches: cost of every engine and gear decision, at prices of stored energy."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.errors import InfeasibleError
from ..dp.cost_to_go import CostToGo
from ..dp.forward import best_run
from ..optimum.optimum import Optimum
from ..physics.battery import Cell, inner_power, resistance_at
from ..physics.demand import Demand
from ..physics.operating_points import EngineClass, OperatingPoints, all_points
from ..problem.choices import Choices
from ..problem.events import shift_costs
from ..problem.memory import PART
from ..problem.problem import Problem

OFF, RUNNING, STARTING = EngineClass.OFF, EngineClass.RUNNING, EngineClass.STARTING


@dataclass(frozen=True, eq=False)
class DecisionCosts:
    """Decisions along optimal paths; all arrays begin with (steps,), g where not said otherwise.

    Attributes
    ----------
    speed : m/s
    torque : N m at the wheels
    power : W at the wheels
    dt : s
    start : (steps, prices), cost of starting the engine less that of leaving it off
    stay : (steps, prices), cost of leaving it on less that of stopping it
    gears : (steps, 2 engine states, gears), cost of each gear, shifts not counted
    shift : (steps, 2 engine states, gears, gears), cost of shifts, from and to

    Notes
    -----
    Each is a difference of Q-values: fuel and events of the step, plus a price times the energy
    taken from the store, plus what the optimum's cost-to-go says of engine state and gear after the
    step. `gears` is at the middle price. Impossible is infinite.
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
    def joined(cls, decision_costs: Sequence["DecisionCosts"]) -> "DecisionCosts":
        """Put decision_costs one behind the other."""
        names = [field.name for field in dataclasses.fields(cls)]
        return cls(
            **{
                name: np.concatenate([getattr(one, name) for one in decision_costs])
                for name in names
            }
        )


def stage_costs(points: Choices, cell: Cell, soc: float, prices: np.ndarray) -> np.ndarray:
    """Least fuel plus price times stored energy of every step, gear and engine class.

    Parameters
    ----------
    points
        Choices of every step.
    cell
        The battery, taken at one SoC.
    soc
        0 to 1.
    prices
        g/J.

    Returns
    -------
    ndarray, (steps, prices, gears, 3)
        g, infinite where nothing is admissible.
    """
    firsts = range(0, points.steps, PART)
    parts = [points.part(t, min(t + PART, points.steps)) for t in firsts]
    return np.concatenate([_stage_costs(part, cell, soc, prices) for part in parts])


def _stage_costs(points: OperatingPoints, cell: Cell, soc: float, prices: np.ndarray) -> np.ndarray:
    energy = store_power(cell, soc, points.power) * points.dt[:, None, None, None]
    used = np.isfinite(points.cost) & np.isfinite(energy)
    cost, energy = np.where(used, points.cost, np.inf), np.where(used, energy, 0.0)
    return np.stack([np.min(cost + price * energy, axis=3) for price in prices], axis=1)


def store_power(cell: Cell, soc: float, power: np.ndarray) -> np.ndarray:
    """Power out of the store for powers at the battery's terminals, W; NaN beyond its limits."""
    voltage, most, least = (
        float(np.interp(soc, cell.soc, column))
        for column in (cell.voltage, cell.power_max, cell.power_min)
    )
    square = voltage**2 - 4.0 * resistance_at(cell, soc, power) * power
    allowed = (square >= 0.0) & (power <= most) & (power >= least)
    return np.where(allowed, inner_power(cell, soc, power), np.nan)


def decision_costs_of(
    optimum: Optimum,
    value: CostToGo,
    starts: Sequence[float],
    prices: np.ndarray,
    expected: np.ndarray | None = None,
) -> DecisionCosts:
    """Take decision_costs from optimal paths of one cycle that begin at several states of charge.

    Each path gives them twice where there is an expected_cost: with the future that the optimum knew, and
    with the one to be expected.

    Parameters
    ----------
    optimum
        The solved cycle.
    value
        Its cost-to-go at all SoC points.
    starts
        States of charge, 0 to 1; those from which the target is out of reach are left out.
    prices
        g/J, of stored energy.
    expected
        (steps, prices, 2 engine states, gears), g, from :meth:`Outlook.after`.
    """
    problem, demand = optimum.solution.problem, optimum.demand
    stage = stage_costs(problem.points, problem.cell, problem.soc, prices)
    found = []
    for soc in starts:
        begun = dataclasses.replace(problem, soc=soc)
        try:
            run = best_run(begun, value)
        except InfeasibleError:
            continue
        futures = [_ahead(value, problem, run.soc)[:, None]]
        futures += [] if expected is None else [expected]
        before = np.concatenate(([problem.gear], run.gear[:-1]))
        found += [
            weigh(demand, stage, ahead, problem.shift, before, problem.start_cost)
            for ahead in futures
        ]
    return DecisionCosts.joined(found)


def _ahead(value: CostToGo, problem: Problem, soc: np.ndarray) -> np.ndarray:
    """Cost-to-go of engine long off or on and gear after each step, less the least one, g."""
    out, low, spacing = [], problem.grid.low, problem.grid.spacing
    states = [problem.events.graph.off, problem.events.graph.on]
    for t in range(soc.size - 1):
        row = value[t + 1][states]
        place = min(max((soc[t + 1] - low) / spacing, 0.0), row.shape[2] - 1.0)
        i = min(int(place), row.shape[2] - 2)
        with np.errstate(invalid="ignore"):
            here = row[:, :, i] + (place - i) * (row[:, :, i + 1] - row[:, :, i])
        here = np.where(np.isnan(here), np.inf, here)
        out.append(here - here.min())
    return np.array(out)


def weigh(
    demand: Demand,
    stage: np.ndarray,
    ahead: np.ndarray,
    shift: np.ndarray,
    before: np.ndarray,
    start_cost: float,
) -> DecisionCosts:
    """Turn stage costs into the cost of decisions.

    Parameters
    ----------
    demand
        What the wheels want.
    stage
        (steps, prices, gears, 3), from :func:`stage_costs`.
    ahead
        (steps, prices or 1, 2 engine states, gears), g, cost-to-go after the step less the least.
    shift
        (steps, 3, gears, gears), g.
    before
        (steps,), gear before each step, from 0.
    start_cost
        g.
    """
    t = np.arange(demand.steps)
    ahead_of = {OFF: ahead[:, :, 0], RUNNING: ahead[:, :, 1], STARTING: ahead[:, :, 1]}
    least = {
        c: np.min(stage[..., c] + ahead_of[c] + shift[t, c, before][:, None], axis=2)
        for c in EngineClass
    }
    with np.errstate(invalid="ignore"):
        start = least[STARTING] + start_cost - least[OFF]
        stay = least[RUNNING] - least[OFF]
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


def steady_decision_costs(
    optimum: Optimum, prices: np.ndarray, seconds: float = 10.0
) -> DecisionCosts:
    """DecisionCosts of physics alone: steady driving at every speed and power, without a future.

    Each point is held for some seconds, over which an engine start is spread. This is the rule
    that fills what no training cycle visits.
    """
    driveline, problem = optimum.driveline, optimum.solution.problem
    demand = _steady_demand(optimum, seconds)
    points = all_points(driveline, demand, optimum.settings.splits)
    stage = stage_costs(points, problem.cell, problem.soc, prices)
    ahead = np.zeros((demand.steps, 1, 2, points.gears))
    shift = shift_costs(driveline, demand, optimum.settings)
    middle = stage[:, prices.size // 2]
    best = np.argmin(np.min(middle, axis=2), axis=1)
    found = weigh(demand, stage, ahead, shift, best, problem.start_cost)
    drivable = np.isfinite(middle).any(axis=(1, 2))
    names = [field.name for field in dataclasses.fields(DecisionCosts)]
    return DecisionCosts(**{name: getattr(found, name)[drivable] for name in names})


def _steady_demand(optimum: Optimum, seconds: float) -> Demand:
    """Steady speeds up to the fastest one, each at wheel powers from braking to full."""
    driveline, known = optimum.driveline, optimum.demand
    radius = driveline.vehicle.wheel_radius
    top = min(driveline.engine.max_speed, driveline.motor.max_speed) * radius
    top /= min(driveline.gearbox.ratios) * driveline.gearbox.final_drive
    speeds = np.linspace(0.5, min(top, 70.0), 48)
    full = float((known.wheel_torque * known.wheel_speed).max()) * 2.0
    powers = np.concatenate((-np.geomspace(full, 200.0, 12), np.geomspace(200.0, full, 36)))
    speed, power = (grid.ravel() for grid in np.meshgrid(speeds, powers, indexing="ij"))
    zero = np.zeros(speed.size)
    needed = (f.name for f in dataclasses.fields(Demand) if f.default is dataclasses.MISSING)
    values: dict[str, np.ndarray] = dict.fromkeys(needed, zero)
    values |= {
        "time": np.arange(speed.size) * seconds,
        "dt": np.full(speed.size, seconds),
        "speed": speed,
        "speed_start": speed,
        "wheel_speed": speed / radius,
        "wheel_torque": power / (speed / radius),
    }
    return Demand(**values)
