"""Any controller in closed loop with the driveline: one physics, every clipping counted."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import xarray as xr

from ..base.errors import InputError
from ..dp.forward import event_costs
from ..inputs.driveline import Driveline
from ..physics.battery import pack_battery
from ..physics.demand import Demand
from ..physics.operating_points import demand_rows
from ..physics.plant import pack
from ..physics.replay import replay_schedule
from ..physics.schedule import Schedule
from ..physics.warm_up import NO_WARMING, make_warming, without_oil
from ..problem.choices import Choices, list_choices
from ..problem.emission_prices import with_prices
from ..problem.events import driveline_events, shift_costs
from ..problem.memory import PART
from ..problem.settings import Settings
from . import clipping
from .builtin import BuiltIn
from .controller import Controller, ControllerFunction
from .journey import Journey, Shortfall
from .kernels import _closed_loop
from .preview import Preview
from .preview_loop import _preview_loop
from .shared_kernels import GEAR_PLAN, GEARS, PLAYBACK, PackedController
from .situation import ListedPoints, Situation, Surroundings, Wish, make_moves
from .user_controller import AskedController

AnyController = BuiltIn | Controller | ControllerFunction

CLIPPINGS = {
    "gear": clipping.CLIPPED_GEAR,
    "engine": clipping.CLIPPED_ENGINE,
    "torque": clipping.CLIPPED_TORQUE,
    "window": clipping.LEFT_WINDOW,
    "inhibitor": clipping.PASSED_INHIBITOR,
    "speed": clipping.LACKED_POWER,
}
"""What can be clipped in a step, and its bit: gear, engine state, motor torque, SoC window,
inhibitors, speed."""


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
    demand : what the wheels were asked for: that of the cycle, less where power was lacking
    shortfall : what was lacking; None where the cycle was followed
    """

    schedule: Schedule
    soc: np.ndarray
    fuel: np.ndarray
    cost: float
    clipped: np.ndarray
    demand: Demand
    shortfall: Shortfall | None = None

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
        driveline = with_prices(driveline, settings)
        self.driveline, self.demand, self.settings = driveline, demand, settings
        if points is not None:
            self.points = points
        low, high, start, _ = settings.socs
        warming, known = NO_WARMING, demand
        if settings.ambient_temperature is not None:
            limits = settings.ambient_temperature, settings.stop_oil_temperature
            warming = make_warming(driveline, *limits)
            known = without_oil(demand)
        events = driveline_events(driveline, known, settings)
        self.around = Surroundings(
            plant=pack(driveline),
            cell=pack_battery(driveline.battery),
            rows=demand_rows(demand),
            moves=make_moves(events, shift_costs(driveline, demand, settings)),
            low=low,
            high=high,
            soc=start,
            source=events.graph.start(settings.begins_on(float(demand.speed_start[0]))),
            gear=settings.gear_start - 1,
            rise=np.inf if settings.torque_rise is None else float(settings.torque_rise),
            fall=np.inf if settings.torque_fall is None else float(settings.torque_fall),
            warming=warming,
        )

    @cached_property
    def points(self) -> Choices:
        """Operating points of all steps."""
        settings = self.settings
        return list_choices(self.driveline, self.demand, settings.splits, settings.memory_limit)

    def run(self, controller: AnyController) -> Drive:
        """Drive the cycle once.

        Parameters
        ----------
        controller
            A built-in one, an object with `reset` and `decide`, or a plain function from
            :class:`Observation` to :class:`Command`.

        Raises
        ------
        InfeasibleError
            Some step cannot be driven at any speed, such as one beyond the top gear.
        InputError
            The user's controller raised an exception, took too long or gave no
            :class:`Command`, and the message says where and when; or the controller's schedule
            is too short.
        """
        if isinstance(controller, Preview):
            return self._run_preview(controller)
        if isinstance(controller, BuiltIn):
            return self.run_packed(controller.pack(self.driveline, self.settings))
        journey = self._journey()
        asked = AskedController(controller, journey.demand, journey.around)
        return self._run_asked(journey, asked.wish)

    def replay(self, drive: Drive) -> xr.Dataset:
        """Return all traces of a drive, from the same replay as the optimiser's schedule."""
        return replay_schedule(
            self.driveline,
            drive.demand,
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

    def run_packed(self, packed: PackedController) -> Drive:
        """Drive the cycle once with a built-in controller that is flattened; errors as `run`."""
        self._check_schedule(packed)
        journey = self._journey()
        for (t, last), listed in self._parts(packed):
            while t < last:
                t = self._run_part(journey, packed, journey.points(listed, t, last), (t, last))
        return self._drive(journey)

    def _run_part(
        self,
        journey: Journey,
        packed: PackedController,
        points: ListedPoints,
        span: tuple[int, int],
    ) -> int:
        """Run steps until one cannot be driven, and that one as well as can be; return the next."""
        around, columns = journey.around, journey.columns
        stopped = _closed_loop(around, packed, points, journey.memory, columns, journey.work, span)
        return self._after_stop(journey, stopped, span[1])

    def _after_stop(self, journey: Journey, stopped: int, last: int) -> int:
        """Do the step that stopped a run, if any, as well as can be; return the next."""
        if stopped < 0:
            return last
        journey.give_best(stopped)
        return int(stopped) + 1

    def _run_preview(self, controller: Preview) -> Drive:
        """Run the steps with what a predictive controller foresees."""
        packed = controller.pack(self.driveline, self.settings)
        preview = controller.ahead(self.driveline, self.settings, self.demand)
        journey, t, last = self._journey(), 0, self.demand.steps
        while t < last:
            stopped = _preview_loop(
                journey.around,
                packed,
                preview,
                journey.memory,
                journey.columns,
                journey.work,
                (t, last),
            )
            t = self._after_stop(journey, stopped, last)
        return self._drive(journey)

    def _run_asked(self, journey: Journey, wish: Callable[[Situation], Wish]) -> Drive:
        """Run the steps one by one, each with what is asked for there."""
        for t in range(self.demand.steps):
            at = journey.situation(t)
            if not clipping._step(journey.around, at, wish(at), journey.columns, journey.work):
                journey.give_best(t)
        return self._drive(journey)

    def _journey(self) -> Journey:
        return Journey(self.driveline, self.demand, self.settings, self.around)

    def _drive(self, journey: Journey) -> Drive:
        journey.take_oil()
        done, shift = journey.columns, journey.around.moves.shift
        events = event_costs(shift, self.settings, done.gear, done.engine)
        return Drive(
            Schedule(done.gear, done.engine, done.torque, done.powered),
            done.soc,
            done.fuel,
            float(done.fuel.sum() + events.sum()),
            done.clipped,
            journey.demand,
            journey.shortfall(),
        )


_EMPTY = np.empty((0, 0, 0, 0))
_NO_POINTS = ListedPoints(0, _EMPTY, _EMPTY, _EMPTY, np.empty((0, 0, 0), np.int64))
