"""The problem of one solve as the kernels see it: choices, battery, grid, event costs, start."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from ..inputs.driveline import Battery
from ..operating_points import EngineClass, OperatingPoints
from . import kernels
from .settings import Settings

FLOOR_FACTOR = 100.0  # penalty below the window over the terminal one: even idling is cheaper


@dataclass(frozen=True, eq=False)
class Problem:
    """All that the optimiser needs, in bare arrays.

    Attributes
    ----------
    points : choices of every step
    cell, grid : battery and SoC grid as kernel tuples
    shift : g, cost of going from gear to gear, (steps, 3 engine classes, gears, gears)
    start_cost : g, cost of an engine start
    soc, engine, gear : where the run begins: SoC, engine state 0 or 1, gear from 0
    settings : the resolved settings
    """

    points: OperatingPoints
    cell: kernels.Cell
    grid: kernels.Grid
    shift: np.ndarray
    start_cost: float
    soc: float
    engine: int
    gear: int
    settings: Settings

    @cached_property
    def soc_grid(self) -> np.ndarray:
        """State of charge of the grid points, (SoC points,)."""
        return self.grid.low + self.grid.spacing * np.arange(self.grid.points)

    @cached_property
    def nodes(self) -> tuple[np.ndarray, ...]:
        """Voltage, resistances (discharge, charge), highest and lowest power at the grid points."""
        cell, soc = self.cell, self.soc_grid
        states = np.array([kernels._state(cell, x) for x in soc]).T
        return tuple(np.ascontiguousarray(row) for row in states)

    @cached_property
    def largest_fall(self) -> float:
        """Bound on how many grid cells SoC can move in one step."""
        used = np.isfinite(self.points.cost)
        if not used.any():
            return 0.0
        power = self.points.power[used]
        voltage, discharge = self.nodes[0].min(), self.nodes[1].max()
        highest, lowest = max(float(power.max()), 0.0), max(-float(power.min()), 0.0)
        root = math.sqrt(max(voltage**2 - 4.0 * discharge * highest, 0.0))
        current = max(2.0 * highest / (voltage + root), lowest / voltage)
        return float(current * self.points.dt.max() / (self.cell.capacity * self.grid.spacing))


def pack_battery(battery: Battery) -> kernels.Cell:
    """Flatten a battery for the kernels."""

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
    """Return the SoC grid of resolved settings; `penalty` is in g per unit of SoC.

    The target is a grid point, so that the kink of the terminal penalty is not blurred; the
    spacing is stretched for it, and the top of the grid may lie up to one cell below the window's.
    """
    low, high, _, target = settings.socs
    if settings.terminal == "free":
        target = low
    spacing = (high - low) / (settings.soc_points - 1)
    cells = max(round((target - low) / spacing), 1)
    if target - low > 0.5 * spacing:
        spacing = (target - low) / cells
    return kernels.Grid(
        low=low,
        spacing=spacing,
        points=int((high - low) / spacing + 1e-6) + 1,
        penalty=0.0 if settings.terminal == "free" else float(penalty),
        floor_penalty=FLOOR_FACTOR * float(penalty),
        target=target,
        two_sided=float(settings.two_sided),
    )


def make_problem(
    points: OperatingPoints,
    battery: Battery,
    settings: Settings,
    penalty: float,
    shift_costs: Any = None,
) -> Problem:
    """Put a problem together; see :func:`hybridopt.dp.solve.solve` for the parameters."""
    if shift_costs is None:
        shift_costs = settings.shift_cost * (1.0 - np.eye(points.gears))
    shape = (points.steps, len(EngineClass), points.gears, points.gears)
    return Problem(
        points=points,
        cell=pack_battery(battery),
        grid=make_grid(settings, penalty),
        shift=np.array(np.broadcast_to(shift_costs, shape), dtype=np.float64, order="C"),
        start_cost=float(settings.start_cost),
        soc=settings.socs[2],
        engine=int(settings.engine_on_start),
        gear=settings.gear_start - 1,
        settings=settings,
    )
