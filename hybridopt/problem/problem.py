"""The problem of one solve as kernels see it: choices, battery, SoC grid, event costs, start."""

import dataclasses
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from ..inputs.driveline import Battery
from ..physics.battery import (
    Cell,
    _states,
    corners,
    pack_battery,
    resistance_at,
    root_current,
    voltage_at,
)
from ..physics.codes import EngineClass
from .choices import Choices, PointsOnDemand
from .graph import Events, make_events
from .grid import FLOOR_FACTOR, Grid, make_grid
from .memory import Memory
from .settings import Settings


@dataclass(frozen=True, eq=False)
class Problem:
    """All that the optimiser needs, in bare arrays.

    Attributes
    ----------
    points : choices of every step
    cell, grid : battery and SoC grid as kernel tuples
    shift : g, cost of going from gear to gear, (steps, 3 engine classes, gears, gears)
    events : states of engine and gear, the moves between them and their costs
    soc, engine, gear : where the run begins: SoC, engine state 0 or 1, gear from 0
    settings : the resolved settings
    """

    points: Choices
    cell: Cell
    grid: Grid
    shift: np.ndarray
    events: Events
    soc: float
    engine: int
    gear: int
    settings: Settings

    @property
    def start_cost(self) -> float:
        """Event cost of an engine start, g."""
        return float(self.settings.start_cost)

    @property
    def state(self) -> int:
        """Number of the state the run begins in."""
        return self.events.graph.start(bool(self.engine))

    @cached_property
    def soc_grid(self) -> np.ndarray:
        """State of charge of the grid points, (SoC points,)."""
        return _soc_grid(self.grid)

    @cached_property
    def nodes(self) -> np.ndarray:
        """The battery at the grid points, (5, SoC points).

        Rows: voltage, V, resistances (discharge, charge), ohm, highest and lowest power, W.
        """
        return battery_nodes(self.cell, self.grid)

    @cached_property
    def max_move(self) -> float:
        """Bound on how far SoC can rise or drop in one step, grid cells."""
        lowest, highest = self.power_ranges
        longest = self.points.dt.max()
        rise, drop = self.reach(lowest.min(keepdims=True), highest.max(keepdims=True), longest)
        return float(max(rise[0], drop[0]) / self.grid.spacing)

    @cached_property
    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Lowest and highest admissible battery power of every step, W, (steps,) each."""
        return self.points.power_ranges()

    def reach(
        self, lowest: np.ndarray, highest: np.ndarray, dt: np.ndarray | float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return bounds on how far SoC can rise and drop in steps, SoC, (steps,) each.

        Parameters
        ----------
        lowest, highest
            Range of each step's battery power, W, (steps,); 0 or less, and 0 or more.
        dt
            s, (steps,) or one for all.

        Notes
        -----
        The lowest voltage and highest resistance are those of the battery's table between the
        ends of the window, not of the grid points, which may step over a dip.
        """
        soc = corners(self.cell, *self.settings.socs[:2])
        voltage = voltage_at(self.cell, soc).min()
        discharge = resistance_at(self.cell, soc, np.ones(soc.size)).max()
        scale = dt / self.cell.capacity
        return -lowest / voltage * scale, root_current(voltage, discharge, highest) * scale

    def on_grid(self, soc_points: int) -> "Problem":
        """Return the same problem on a grid of so many SoC points."""
        return self._with(soc_points=soc_points)

    def ending_at(self, soc: float) -> "Problem":
        """Return the same problem with another SoC as its target, kept within the window."""
        low, high = self.settings.socs[:2]
        return self._with(terminal="target", soc_target=min(max(soc, low), high))

    def _with(self, **changes: Any) -> "Problem":
        """Return the same problem with other settings that bear on the grid alone."""
        settings = dataclasses.replace(self.settings, **changes)
        grid = make_grid(settings, self.grid.floor_penalty / FLOOR_FACTOR)
        return dataclasses.replace(self, grid=grid, settings=settings)

    @property
    def memory(self) -> Memory:
        """What is kept in memory."""
        points = self.points
        return Memory(
            points.steps,
            points.gears,
            self.grid.points,
            points.splits,
            self.settings.memory_limit,
            self.events.graph.states,
            not isinstance(points, PointsOnDemand),
        )


def _soc_grid(grid: Grid) -> np.ndarray:
    return np.asarray(grid.low + grid.spacing * np.arange(grid.points))


def battery_nodes(cell: Cell, grid: Grid) -> np.ndarray:
    """Return the battery at the points of a grid, as :attr:`Problem.nodes`."""
    states = np.empty((5, grid.points))
    _states(cell, _soc_grid(grid), states)
    return states


def make_problem(
    points: Choices,
    battery: Battery,
    settings: Settings,
    penalty: float,
    shift_costs: Any = None,
    stop_costs: np.ndarray | None = None,
    start_steps: np.ndarray | None = None,
    start_costs: np.ndarray | None = None,
) -> Problem:
    """Put a problem together; see :func:`hybridopt.optimum.solve.solve` for the parameters."""
    if shift_costs is None:
        shift_costs = settings.shift_cost * (1.0 - np.eye(points.gears))
    shape = (points.steps, len(EngineClass), points.gears, points.gears)
    return Problem(
        points=points,
        cell=pack_battery(battery),
        grid=make_grid(settings, penalty),
        shift=np.array(np.broadcast_to(shift_costs, shape), dtype=np.float64, order="C"),
        events=make_events(settings, points.dt, stop_costs, start_steps, start_costs),
        soc=settings.socs[2],
        engine=int(settings.begins_on(0.0)),
        gear=settings.gear_start - 1,
        settings=settings,
    )
