"""Dynamic programming: the cost-to-go over the whole cycle, and the least-fuel schedule."""

from dataclasses import dataclass

import numpy as np

from ..errors import InfeasibleError
from ..inputs.driveline import Battery
from ..operating_points import EngineClass, OperatingPoints
from ..units import PERCENT
from . import kernels
from .progress import Progress, silent
from .settings import Settings

SOC_TOLERANCE = 1e-3  # how far beyond a window or below a target an answer may lie
SWEEP_STEPS = 100  # steps between two progress reports


@dataclass(frozen=True, eq=False)
class Schedule:
    """What to do in each step; all arrays have shape (steps,).

    Attributes
    ----------
    gear : int64, 0 is first gear
    engine_class : int64, an :class:`EngineClass`
    motor_torque : N m at the gearbox input
    powered : bool, whether the motor's inverter is on
    """

    gear: np.ndarray
    engine_class: np.ndarray
    motor_torque: np.ndarray
    powered: np.ndarray


@dataclass(frozen=True, eq=False)
class Solution:
    """The answer of the optimiser.

    Attributes
    ----------
    schedule : the optimal schedule
    soc : state of charge, (steps + 1,)
    cost : g of fuel, of the schedule with events and terminal penalty
    value_start : g of fuel, the cost-to-go at the start; equals `cost` within grid error
    costate : (steps,), g of fuel per unit of SoC after each step, -dV/dSoC along the path
    value : g of fuel, (steps + 1, 2 engine states, gears, SoC points)
    soc_grid : (SoC points,)
    """

    schedule: Schedule
    soc: np.ndarray
    cost: float
    value_start: float
    costate: np.ndarray
    value: np.ndarray
    soc_grid: np.ndarray


def pack_battery(battery: Battery) -> kernels.Cell:
    """Flatten a battery for the kernels; power limits are capped at the voltage's own limit."""

    def column(name: str) -> np.ndarray:
        return np.ascontiguousarray(battery.table.sel(quantity=name).values, dtype=np.float64)

    return kernels.Cell(
        soc=np.ascontiguousarray(battery.table["soc"].values, dtype=np.float64),
        voltage=column("open_circuit_voltage"),
        discharge=column("resistance_discharge"),
        charge=column("resistance_charge"),
        power_max=column("power_discharge_max"),
        power_min=-column("power_charge_max"),
        capacity=float(battery.capacity),
        efficiency=float(battery.coulombic_efficiency),
    )


def make_grid(settings: Settings, penalty: float) -> kernels.Grid:
    """Return the SoC grid of resolved settings; `penalty` is in g per unit of SoC."""
    low, high, target = settings.soc_min, settings.soc_max, settings.soc_target
    assert low is not None and high is not None and target is not None  # resolved
    return kernels.Grid(
        low=float(low),
        spacing=(high - low) / (settings.soc_points - 1),
        points=settings.soc_points,
        penalty=0.0 if settings.terminal == "free" else float(penalty),
        floor_penalty=float(penalty),
        target=float(target),
        two_sided=float(settings.two_sided),
    )


def solve(
    points: OperatingPoints,
    battery: Battery,
    settings: Settings,
    penalty: float,
    shift_costs: np.ndarray | None = None,
    progress: Progress = silent,
) -> Solution:
    """Find the least-cost schedule over given operating points.

    Parameters
    ----------
    points
        Choices of every step, from :func:`hybridopt.operating_points.operating_points`.
    battery
        Turns battery power into a change of SoC.
    settings
        Resolved settings (see :meth:`Settings.resolved`).
    penalty
        Slope of the terminal and window penalty, g per unit of SoC.
    shift_costs
        g of fuel from gear (row) to gear (column), (gears, gears); default is
        `settings.shift_cost` for every change of gear.
    progress
        Called with the share done, 0 to 1.

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
    V_t(x,e,g) = min over e', g', u of c(g,e -> g',e') + m_u + V_{t+1}(x - d_u(x), e', g'),
    Bellman's recursion over state of charge x, engine state e and gear g, with V_N the exact
    penalty K max(0, target - x). V is interpolated linearly in x. The forward run takes the best
    decision from the continuous SoC and refines the torque split between two listed ones.
    """
    cell, grid = pack_battery(battery), make_grid(settings, penalty)
    if shift_costs is None:
        shift_costs = settings.shift_cost * (1.0 - np.eye(points.gears))
    shift = np.ascontiguousarray(shift_costs, dtype=np.float64)
    value = cost_to_go(points, cell, grid, shift, settings.start_cost, progress)
    return _forward(points, cell, grid, shift, settings, value)


def cost_to_go(
    points: OperatingPoints,
    cell: kernels.Cell,
    grid: kernels.Grid,
    shift: np.ndarray,
    start_cost: float,
    progress: Progress = silent,
) -> np.ndarray:
    """Backward sweep; returns the cost-to-go, (steps + 1, 2, gears, SoC points), in g."""
    steps = points.steps
    value = np.empty((steps + 1, 2, points.gears, grid.points))
    soc_grid = grid.low + grid.spacing * np.arange(grid.points)
    value[steps] = [kernels._terminal(grid, soc) for soc in soc_grid]
    nodes = battery_nodes(cell, soc_grid)
    for last in range(steps, 0, -SWEEP_STEPS):
        first = max(last - SWEEP_STEPS, 0)
        kernels._sweep(points.cost, points.power, points.count, points.dt, cell, grid, nodes,
                       shift, float(start_cost), value, first, last)  # fmt: skip
        progress(1.0 - first / steps)
    return value


def battery_nodes(cell: kernels.Cell, soc: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return voltage, resistances and power limits at the SoC grid points."""
    voltage = np.interp(soc, cell.soc, cell.voltage)
    discharge = np.interp(soc, cell.soc, cell.discharge)
    power_max = np.interp(soc, cell.soc, cell.power_max)
    with np.errstate(divide="ignore"):
        power_max = np.minimum(power_max, voltage**2 / (4.0 * discharge))
    return (
        voltage,
        discharge,
        np.interp(soc, cell.soc, cell.charge),
        power_max,
        np.interp(soc, cell.soc, cell.power_min),
    )


def _forward(
    points: OperatingPoints,
    cell: kernels.Cell,
    grid: kernels.Grid,
    shift: np.ndarray,
    settings: Settings,
    value: np.ndarray,
) -> Solution:
    steps, start = points.steps, settings.soc_start
    assert start is not None  # resolved
    engine, gear = int(settings.engine_on_start), settings.gear_start - 1
    gears, classes, splits = (np.empty(steps, dtype=np.int64) for _ in range(3))
    shares, path = np.zeros(steps), np.empty(steps + 1)
    done = kernels._forward(points.cost, points.power, points.count, points.dt, cell, grid, shift,
                            float(settings.start_cost), value, float(start), engine, gear,
                            gears, classes, splits, shares, path)  # fmt: skip
    if done < steps:
        raise InfeasibleError(
            f"at step {done + 1} of {steps}, SoC {path[done] / PERCENT:.1f} %, no choice keeps the "
            "battery's limits; widen the SoC window, start elsewhere or use a milder cycle"
        )
    _refuse_missed(path, settings)
    cost = _mix(points.cost, gears, classes, splits, shares)
    torque = _mix(points.motor_torque, gears, classes, splits, shares)
    events = _event_cost(gears, classes, shift, settings)
    return Solution(
        schedule=Schedule(gears, classes, torque, splits > 0),
        soc=path,
        cost=float(cost.sum() + events + kernels._terminal(grid, path[-1])),
        value_start=float(kernels._value(grid, value[0, engine, gear], start)),
        costate=_costate(value, grid, path, gears, classes),
        value=value,
        soc_grid=grid.low + grid.spacing * np.arange(grid.points),
    )


def _mix(
    values: np.ndarray, gears: np.ndarray, classes: np.ndarray, splits: np.ndarray, share: np.ndarray
) -> np.ndarray:
    """Pick each step's value at its split, or between it and the next one."""
    t = np.arange(gears.size)
    here = values[t, gears, classes, splits]
    there = values[t, gears, classes, np.minimum(splits + 1, values.shape[3] - 1)]
    return np.where(share > 0.0, here + share * np.where(share > 0.0, there - here, 0.0), here)


def _event_cost(
    gears: np.ndarray, classes: np.ndarray, shift: np.ndarray, settings: Settings
) -> float:
    before = np.concatenate(([settings.gear_start - 1], gears[:-1]))
    starts = np.count_nonzero(classes == EngineClass.STARTING)
    return float(shift[before, gears].sum() + settings.start_cost * starts)


def _costate(
    value: np.ndarray, grid: kernels.Grid, path: np.ndarray, gears: np.ndarray, classes: np.ndarray
) -> np.ndarray:
    """Return -dV/dSoC after each step, by the slope of the grid cell the path is in."""
    cell = ((path[1:] - grid.low) / grid.spacing).astype(np.int64).clip(0, grid.points - 2)
    t = np.arange(gears.size)
    engine = (classes != EngineClass.OFF).astype(np.int64)
    low = value[t + 1, engine, gears, cell]
    return (low - value[t + 1, engine, gears, cell + 1]) / grid.spacing


def _refuse_missed(path: np.ndarray, settings: Settings) -> None:
    low, target = settings.soc_min, settings.soc_target
    assert low is not None and target is not None  # resolved
    if path.min() < low - SOC_TOLERANCE:
        raise InfeasibleError(
            f"no schedule keeps the SoC above {low / PERCENT:g} %; the best falls to "
            f"{path.min() / PERCENT:.1f} %; widen the window, start higher or lower the load"
        )
    if settings.terminal != "free" and path[-1] < target - SOC_TOLERANCE:
        raise InfeasibleError(
            f"the final SoC of {target / PERCENT:g} % is out of reach; the best reachable is "
            f"{path[-1] / PERCENT:.1f} %; set a lower target or a longer cycle"
        )
