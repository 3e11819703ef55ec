"""Any controller in closed loop with the driveline: one physics, every clipping counted."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NoReturn

import numpy as np
import xarray as xr

from ..base.errors import InfeasibleError, InputError
from ..base.units import PERCENT
from ..dp.forward import event_costs
from ..inputs.driveline import Driveline
from ..physics.battery import pack_battery
from ..physics.demand import Demand
from ..physics.operating_points import demand_rows
from ..physics.plant import pack
from ..physics.replay import replay_schedule
from ..physics.schedule import Schedule
from ..problem.choices import Choices, list_choices
from ..problem.events import driveline_events, shift_costs
from ..problem.memory import PART
from ..problem.settings import Settings
from . import clipping
from .builtin import BuiltIn
from .controller import Controller, ControllerFunction
from .kernels import _closed_loop
from .shared_kernels import GEAR_PLAN, GEARS, PLAYBACK, PackedController
from .situation import (
    ListedPoints,
    Situation,
    Surroundings,
    Wish,
    _make_memory,
    _make_workspace,
    make_moves,
)
from .user_controller import AskedController

CLIPPINGS = {
    "gear": clipping.CLIPPED_GEAR,
    "engine": clipping.CLIPPED_ENGINE,
    "torque": clipping.CLIPPED_TORQUE,
    "window": clipping.LEFT_WINDOW,
    "inhibitor": clipping.PASSED_INHIBITOR,
}
"""What can be clipped in a step, and its bit: gear, engine state, motor torque, SoC window,
inhibitors."""


@dataclass(frozen=True, eq=False)
class Drive:
    """What a controller did over a cycle.

    Attributes
    ----------
    schedule : what was really done
    soc : state of charge, (steps + 1,)
    fuel : g of each step with what battery throughput is charged, shifts not counted, (steps,)
    cost : g, fuel, shifts and event costs of the whole drive
    clipped : bits of :data:`CLIPPINGS`, (steps,)
    """

    schedule: Schedule
    soc: np.ndarray
    fuel: np.ndarray
    cost: float
    clipped: np.ndarray

    @property
    def soc_end(self) -> float:
        """State of charge at the end."""
        return float(self.soc[-1])

    def clippings(self) -> dict[str, int]:
        """Return in how many steps each kind of clipping occurred."""
        return {name: int(np.count_nonzero(self.clipped & b)) for name, b in CLIPPINGS.items()}


class ClosedLoop:
    """A driveline on a cycle, ready to be driven by any number of controllers.

    Parameters
    ----------
    driveline
        The vehicle.
    demand
        What the wheels want.
    settings
        Resolved settings: SoC window and start, gear and engine at the start, event costs.
    points
        Operating points, if they are known already.

    Attributes
    ----------
    around : what surrounds every drive, for the kernels
    """

    def __init__(
        self,
        driveline: Driveline,
        demand: Demand,
        settings: Settings,
        points: Choices | None = None,
    ) -> None:
        self.driveline, self.demand, self.settings = driveline, demand, settings
        if points is not None:
            self.points = points
        low, high, start, _ = settings.socs
        events = driveline_events(driveline, demand, settings)
        self.around = Surroundings(
            plant=pack(driveline),
            cell=pack_battery(driveline.battery),
            rows=demand_rows(demand),
            moves=make_moves(events, shift_costs(driveline, demand, settings)),
            low=low,
            high=high,
            soc=start,
            source=events.graph.on if settings.engine_on_start else events.graph.off,
            gear=settings.gear_start - 1,
        )

    @cached_property
    def points(self) -> Choices:
        """Operating points of all steps."""
        settings = self.settings
        return list_choices(self.driveline, self.demand, settings.splits, settings.memory_limit)

    def run(self, controller: BuiltIn | Controller | ControllerFunction) -> Drive:
        """Drive the cycle once.

        Parameters
        ----------
        controller
            A built-in one, an object with `reset` and `decide`, or a plain function from
            :class:`Observation` to :class:`Command`.

        Raises
        ------
        InfeasibleError
            Nothing at all can drive some step from the SoC the controller got to.
        InputError
            A command is not a :class:`Command`, or the controller's schedule is too short.
        FailedError
            The user's controller raised an exception; the message says where and when.
        """
        if isinstance(controller, BuiltIn):
            packed = controller.pack(self.driveline, self.settings)
            self._check_schedule(packed)
            return self._run_built_in(packed)
        return self._run_asked(AskedController(controller, self.demand, self.around).wish)

    def replay(self, drive: Drive) -> xr.Dataset:
        """Return all traces of a drive, from the same replay as the optimiser's schedule."""
        return replay_schedule(
            self.driveline,
            self.demand,
            drive.schedule,
            self.settings.socs[2],
            self.settings.gear_start,
        )

    def _check_schedule(self, packed: PackedController) -> None:
        follows = packed.kind == PLAYBACK or packed.params[GEARS] == GEAR_PLAN
        if follows and packed.schedule.gear.size != self.demand.steps:
            raise InputError(
                f"controller: its schedule has {packed.schedule.gear.size} steps, the cycle "
                f"{self.demand.steps}; give the schedule of this cycle"
            )

    def _parts(self, packed: PackedController) -> Iterator[tuple[tuple[int, int], ListedPoints]]:
        """Yield first step and end of each part, and the points a controller needs there."""
        if not packed.needs_points:
            yield (0, self.demand.steps), _NO_POINTS
            return
        for first in range(0, self.demand.steps, PART):
            last = min(first + PART, self.demand.steps)
            part = self.points.part(first, last)
            listed = ListedPoints(first, part.cost, part.power, part.motor_torque, part.count)
            yield (first, last), listed

    def _run_built_in(self, packed: PackedController) -> Drive:
        columns, memory = self._columns(), _make_memory()
        work = _make_workspace(self.around.plant)
        for span, points in self._parts(packed):
            stopped = _closed_loop(self.around, packed, points, memory, columns, work, span)
            if stopped >= 0:
                self._refuse(stopped, float(columns.soc[stopped]))
        return self._drive(columns)

    def _run_asked(self, wish: Callable[[Situation], Wish]) -> Drive:
        """Run the steps one by one, each with what is asked for there."""
        columns, memory = self._columns(), _make_memory()
        work = _make_workspace(self.around.plant)
        for t in range(self.demand.steps):
            at = clipping._situation(self.around, columns, memory, t)
            if not clipping._step(self.around, at, wish(at), columns, work):
                self._refuse(t, at.soc)
        return self._drive(columns)

    def _columns(self) -> clipping.Columns:
        """Return room for what is done, with state and SoC at the start."""
        steps = self.demand.steps
        columns = clipping.Columns(
            gear=np.zeros(steps, dtype=np.int64),
            engine=np.zeros(steps, dtype=np.int64),
            torque=np.zeros(steps),
            powered=np.zeros(steps, dtype=np.bool_),
            fuel=np.zeros(steps),
            clipped=np.zeros(steps, dtype=np.int64),
            states=np.zeros(steps + 1, dtype=np.int64),
            soc=np.zeros(steps + 1),
        )
        columns.states[0], columns.soc[0] = self.around.source, self.around.soc
        return columns

    def _drive(self, done: clipping.Columns) -> Drive:
        events = event_costs(self.around.moves.shift, self.settings, done.gear, done.engine)
        return Drive(
            Schedule(done.gear, done.engine, done.torque, done.powered),
            done.soc,
            done.fuel,
            float(done.fuel.sum() + events.sum()),
            done.clipped,
        )

    def _refuse(self, t: int, soc: float) -> NoReturn:
        raise InfeasibleError(
            f"the controller leads to a dead end: nothing can drive the step at "
            f"{self.demand.time[t]:g} s from SoC {soc / PERCENT:.1f} %; use a stronger driveline "
            "or another start"
        )


_EMPTY = np.empty((0, 0, 0, 0))
_NO_POINTS = ListedPoints(0, _EMPTY, _EMPTY, _EMPTY, np.empty((0, 0, 0), np.int64))
