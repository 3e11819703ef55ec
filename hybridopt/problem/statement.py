"""Problems stated in short, many at a time: what they share is kept once and worked out once."""

import dataclasses
from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from ..inputs.driveline import Driveline
from ..inputs.emissions import dearer
from ..physics.battery import Cell, pack_battery
from ..physics.codes import EngineClass
from ..physics.demand import Demand
from ..physics.starts import start_steps
from .choices import Choices
from .events import shift_costs, start_costs, stop_costs
from .graph import Events, make_events
from .grid import Grid, make_grid
from .problem import Problem, make_problem
from .settings import MIN_TIMES, Settings


@dataclass(frozen=True, eq=False)
class Statement:
    """A problem whose costs of shifts and starts are stated as what is shared and one number each.

    Attributes
    ----------
    points, cell, grid, settings : as those of a :class:`.problem.Problem`
    shift_base : g, as the problem's `shift`, without the setting's cost of a shift
    shift_cost : g, added to every change of gear
    event_base : as the problem's events, without the cost of a start
    start_cost : g, added to every move that begins a start
    penalty : slope of the terminal penalty, g per unit of SoC
    events : costs of stops, steps of a start, and costs of starts, as :func:`.problem.make_problem`
        takes them
    battery : of the driveline
    """

    points: Choices
    cell: Cell
    grid: Grid
    settings: Settings
    shift_base: np.ndarray
    shift_cost: float
    event_base: Events
    start_cost: float
    penalty: float
    events: tuple[np.ndarray, np.ndarray, np.ndarray]
    battery: Any

    @property
    def starts(self) -> np.ndarray:
        """Which moves begin a start, bool, (moves,)."""
        graph = self.event_base.graph
        off = graph.source < graph.off_ages * graph.gear_ages
        return np.asarray((graph.engine == EngineClass.STARTING) & off)

    @property
    def soc(self) -> float:
        """SoC at the start."""
        return self.settings.socs[2]

    @property
    def state(self) -> int:
        """Number of the state the run begins in."""
        return self.event_base.graph.start(self.settings.begins_on(0.0))

    @property
    def gear(self) -> int:
        """Gear before the first step, from 0."""
        return self.settings.gear_start - 1

    def steeper(self, factor: float) -> "Statement":
        """Return the same with a steeper penalty."""
        penalty = factor * self.penalty
        grid = make_grid(self.settings, penalty)
        return dataclasses.replace(self, penalty=penalty, grid=grid)

    @cached_property
    def problem(self) -> Problem:
        """The problem itself."""
        gears = self.points.gears
        shifts = self.shift_base + self.shift_cost * (1.0 - np.eye(gears))
        return make_problem(
            self.points, self.battery, self.settings, self.penalty, shifts, *self.events
        )


class Statements:
    """States problems; what is the same in several of them is one object."""

    def __init__(self) -> None:
        self._known: dict[Hashable, Any] = {}
        self._held: list[Any] = []  # what keys name by identity must not go away

    def state(
        self, driveline: Driveline, settings: Settings, demand: Demand, points: Choices
    ) -> Statement:
        """State the problem of resolved settings over the choices of a demand.

        Parameters
        ----------
        driveline, settings, demand
            The settings are resolved and for the cycle.
        points
            Choices of every step. Those of one object are laid out once.
        """
        self._held += [driveline, demand]
        parts = (driveline.gearbox, driveline.motor, driveline.engine)
        if not driveline.shifts.plain:  # what a shift loses depends on all parts and the demand
            parts = (*vars(driveline).values(), demand)
        which = tuple(id(part) for part in parts)
        braking = (demand.wheel_torque < 0.0) & (demand.speed < settings.brake_shift_speed)
        shifts = settings.skip_shifts, demand.speed_start.tobytes(), braking.tobytes()
        times = tuple(
            getattr(settings, name)
            for name in (*(*MIN_TIMES, "stop_soc_min"), *("stop_speed_max", "stop_oil_temperature"))
        )
        steps = demand.dt.tobytes(), driveline.start.span
        comfort = driveline.comfort.no_start, driveline.comfort.no_stop
        own = times[-2:] != (None, None) or any(comfort)  # costs of stops depend on the demand
        which_steps = *steps, times, comfort, id(demand) if own else 0
        clutches = id(driveline.clutches), driveline.fuel.heating_value
        battery, fuel = driveline.battery, driveline.fuel

        def free() -> Settings:
            return dataclasses.replace(settings, start_cost=0.0, shift_cost=0.0)

        costs = self._once(
            ("events", *which_steps),
            lambda: (
                stop_costs(driveline, demand, settings),
                start_steps(driveline.start.span, demand.dt),
                start_costs(driveline, demand),
            ),
        )
        energy = self._once(("energy", id(battery)), lambda: battery.energy)
        energy *= dearer(driveline.engine)
        penalty = settings.penalty_factor * energy / fuel.heating_value
        return Statement(
            points=points,
            cell=self._once(("cell", id(battery)), lambda: pack_battery(battery)),
            grid=make_grid(settings, penalty),
            settings=settings,
            shift_base=self._once(
                ("shift", *which, *clutches, driveline.vehicle.wheel_radius, *shifts),
                lambda: shift_costs(driveline, demand, free()),
            ),
            shift_cost=settings.shift_cost,
            event_base=self._once(
                ("moves", *which_steps), lambda: make_events(free(), demand.dt, *costs)
            ),
            start_cost=settings.start_cost,
            penalty=penalty,
            events=costs,
            battery=battery,
        )

    def _once(self, key: Hashable, make: Any) -> Any:
        if key not in self._known:
            self._known[key] = make()
        return self._known[key]


def stated(problem: Problem) -> Statement:
    """Return a problem as a statement."""
    zeros = np.zeros(problem.points.steps)
    known = Statement(
        points=problem.points,
        cell=problem.cell,
        grid=problem.grid,
        settings=problem.settings,
        shift_base=problem.shift,
        shift_cost=0.0,
        event_base=problem.events,
        start_cost=0.0,
        penalty=problem.grid.penalty,
        events=(zeros, np.ones(problem.points.steps), zeros),
        battery=None,
    )
    known.__dict__["problem"] = problem
    return known
