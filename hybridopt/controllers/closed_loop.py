"""Any controller in closed loop with the driveline: one physics, every clipping counted."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NoReturn

import numpy as np
import xarray as xr

from ..base.errors import FailedError, InfeasibleError, InputError
from ..base.units import PERCENT
from ..dp.forward import event_costs
from ..inputs.driveline import Driveline
from ..physics.battery import pack_battery
from ..physics.demand import Demand
from ..physics.entries import S_ENGINE, S_FULL, S_HIGH, S_INPUT, S_LOW, S_MOTOR, S_OVERRUN, S_TOTAL
from ..physics.operating_points import demand_rows
from ..physics.plant import pack
from ..physics.replay import replay_schedule
from ..physics.schedule import Schedule
from ..problem.choices import Choices, list_choices
from ..problem.events import driveline_events, shift_costs
from ..problem.graph import Graph
from ..problem.memory import PART
from ..problem.settings import Settings
from . import clipping, kernels
from .builtin import BuiltIn, Packed
from .controller import Command, Controller, ControllerFunction, Observation, Shaft

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
        self._plant, self._cell = pack(driveline), pack_battery(driveline.battery)
        self._road = clipping.make_road(demand_rows(demand))
        self._shift = shift_costs(driveline, demand, settings)
        self._rules = clipping.Rules(*driveline_events(driveline, demand, settings), self._shift)

    def _parts(self, packed: Packed) -> Iterator[tuple[int, int, kernels.PointsPart]]:
        """Yield first and last step of each part, and what the kernels need to know of it."""
        if not packed.needs_points:
            yield 0, self.demand.steps, _NO_PART
            return
        for first in range(0, self.demand.steps, PART):
            last = min(first + PART, self.demand.steps)
            points = self.points.part(first, last)
            yield (
                first,
                last,
                kernels.PointsPart(
                    first,
                    points.cost,
                    points.power,
                    points.motor_torque,
                    points.count,
                    self._shift[first:last],
                ),
            )

    @cached_property
    def points(self) -> Choices:
        """Operating points of all steps."""
        settings = self.settings
        return list_choices(self.driveline, self.demand, settings.splits, settings.memory_limit)

    def run(
        self, controller: BuiltIn | Controller | ControllerFunction, compiled: bool = True
    ) -> Drive:
        """Drive the cycle once.

        Parameters
        ----------
        controller
            A built-in one, an object with `reset` and `decide`, or a plain function from
            :class:`Observation` to :class:`Command`.
        compiled
            Run a built-in controller in the compiled loop; the Python loop gives the same.

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
            self._check_plan(packed)
            if compiled:
                return self._run_compiled(packed)
            return self._run_stepwise(packed)
        if isinstance(controller, Controller):
            controller.reset()
            decide: Callable[[Observation], Any] = controller.decide
        else:
            decide = controller
        return self._run_python(lambda t, state: self._ask(decide, t, state))

    def replay(self, drive: Drive) -> xr.Dataset:
        """Return all traces of a drive, from the same replay as the optimiser's schedule."""
        return replay_schedule(
            self.driveline,
            self.demand,
            drive.schedule,
            self.settings.socs[2],
            self.settings.gear_start,
        )

    def _check_plan(self, packed: Packed) -> None:
        follows = packed.kind == kernels.PLAYBACK or (
            packed.params[kernels.GEARS] == kernels.GEAR_PLAN
        )
        if follows and packed.plan.gear.size != self.demand.steps:
            raise InputError(
                f"controller: its schedule has {packed.plan.gear.size} steps, the cycle "
                f"{self.demand.steps}; give the schedule of this cycle"
            )

    def _run_compiled(self, packed: Packed) -> Drive:
        out = _Columns(self.demand.steps, self.settings, self._rules.graph)
        memory = kernels._make_memory()
        low, high, _, _ = self.settings.socs
        for first, last, part in self._parts(packed):
            _, gear = out.state(first)
            stopped = kernels._closed_loop(
                self._plant,
                self._cell,
                self._road,
                self._rules,
                low,
                high,
                part,
                packed.plan,
                packed.kind,
                packed.params,
                packed.maps,
                memory,
                first,
                last,
                gear,
                out.gear,
                out.engine,
                out.torque,
                out.powered,
                out.fuel,
                out.clipped,
                out.states,
                out.soc,
            )
            if stopped >= 0:
                self._refuse(stopped, float(out.soc[stopped]))
        return self._drive(out)

    def _run_stepwise(self, packed: Packed) -> Drive:
        """Run a built-in controller through the Python loop."""
        low, high, _, _ = self.settings.socs
        work, parts = clipping._make_work(self._plant), self._parts(packed)
        _, last, part = next(parts)

        def command_of(t: int, state: _State) -> tuple[bool, int, float]:
            nonlocal last, part
            if t >= last:
                _, last, part = next(parts)
            command: tuple[bool, int, float] = kernels._decide(
                self._plant,
                self._cell,
                self._road,
                t,
                low,
                high,
                part,
                packed.plan,
                packed.kind,
                packed.params,
                packed.maps,
                state.soc,
                state.engine,
                state.gear,
                state.memory,
                work,
            )
            return command

        return self._run_python(command_of)

    def _run_python(self, command_of: Callable[[int, "_State"], tuple[bool, int, float]]) -> Drive:
        out = _Columns(self.demand.steps, self.settings, self._rules.graph)
        work = clipping._make_work(self._plant)
        low, high, _, _ = self.settings.socs
        memory = kernels._make_memory()
        for t in range(self.demand.steps):
            engine, gear = out.state(t)
            soc, dt = float(out.soc[t]), float(self._road.dt[t])
            state = _State(soc, engine, gear, memory, int(out.states[t]))
            on, wanted_gear, wanted = command_of(t, state)
            (
                out.gear[t],
                out.engine[t],
                out.torque[t],
                out.powered[t],
                out.soc[t + 1],
                out.clipped[t],
            ) = clipping._apply(
                self._plant,
                self._cell,
                self._road,
                t,
                self._rules,
                out.states[t],
                gear,
                low,
                high,
                soc,
                on,
                wanted_gear,
                wanted,
                work,
            )
            if math.isnan(out.soc[t + 1]):
                self._refuse(t, soc)
            out.fuel[t] = clipping._step_fuel(self._plant, work, out.engine[t], dt)
            kernels._remember(memory, dt, engine, gear, *out.state(t + 1))
            move = clipping._move(self._rules, out.states[t], out.engine[t], gear, out.gear[t])
            out.states[t + 1] = self._rules.graph.target[move]
        return self._drive(out)

    def _ask(
        self, decide: Callable[[Observation], Any], t: int, state: "_State"
    ) -> tuple[bool, int, float]:
        """Ask a user's controller for the command of a step."""
        observation = self._observe(t, state)
        try:
            answer = decide(observation)
        except Exception as error:  # the user's code may raise anything
            raise FailedError(
                f"the controller failed at {observation.time:g} s ({_where(error)}): "
                f"{type(error).__name__}: {error}"
            ) from error
        return _checked(answer, observation.time)

    def _observe(self, t: int, state: "_State") -> Observation:
        demand, memory = self.demand, state.memory
        torque = float(demand.wheel_torque[t])
        return Observation(
            time=float(demand.time[t]),
            dt=float(demand.dt[t]),
            speed=float(demand.speed[t]),
            acceleration=float(demand.acceleration[t]),
            wheel_torque=torque,
            wheel_power=torque * float(demand.wheel_speed[t]),
            soc=state.soc,
            gear=state.gear + 1,
            engine_on=state.engine == 1,
            engine_time=float(memory[kernels.ENGINE_TIME]),
            gear_time=float(memory[kernels.GEAR_TIME]),
            look=lambda gear, on: self._look(t, state, gear, on),
        )

    def _look(self, t: int, state: "_State", gear: int, on: bool) -> Shaft | None:
        if not 1 <= gear <= self.driveline.gearbox.gears:
            return None
        engine = clipping._engine_class(self._rules, t, state.source, on)
        work = clipping._make_work(self._plant)
        if not clipping._fill_shaft(self._plant, self._road, t, gear - 1, int(engine), work):
            return None
        shaft = work.shaft
        entries = (S_INPUT, S_MOTOR, S_ENGINE, S_TOTAL, S_LOW, S_HIGH, S_OVERRUN, S_FULL)
        return Shaft(*(float(shaft[i]) for i in entries))

    def _drive(self, out: "_Columns") -> Drive:
        schedule = Schedule(out.gear, out.engine, out.torque, out.powered)
        events = event_costs(self._shift, self.settings, out.gear, out.engine)
        cost = float(out.fuel.sum() + events.sum())
        return Drive(schedule, out.soc, out.fuel, cost, out.clipped)

    def _refuse(self, t: int, soc: float) -> NoReturn:
        raise InfeasibleError(
            f"the controller leads to a dead end: nothing can drive the step at "
            f"{self.demand.time[t]:g} s from SoC {soc / PERCENT:.1f} %; use a stronger driveline "
            "or another start"
        )


_EMPTY = np.empty((0, 0, 0, 0))
_NO_PART = kernels.PointsPart(0, _EMPTY, _EMPTY, _EMPTY, np.empty((0, 0, 0), np.int64), _EMPTY)


class _Columns:
    """Room for what is done in each step, and the state at the start."""

    def __init__(self, steps: int, settings: Settings, graph: Graph) -> None:
        self.gear, self.engine, self.clipped = (np.zeros(steps, dtype=np.int64) for _ in range(3))
        self.torque, self.fuel = np.zeros(steps), np.zeros(steps)
        self.powered = np.zeros(steps, dtype=np.bool_)
        self.soc = np.zeros(steps + 1)
        self.soc[0] = settings.socs[2]
        self._start = int(settings.engine_on_start), settings.gear_start - 1
        self.states = np.full(steps + 1, graph.on if settings.engine_on_start else graph.off)

    def state(self, t: int) -> tuple[int, int]:
        """Return engine state and gear before a step."""
        if t == 0:
            return self._start
        return min(int(self.engine[t - 1]), 1), int(self.gear[t - 1])


@dataclass(frozen=True)
class _State:
    """Where a drive is at the start of a step."""

    soc: float
    engine: int
    gear: int
    memory: np.ndarray
    source: int


def _where(error: BaseException) -> str:
    """Return file and line of the innermost place of an exception."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None:
        return "no line known"
    return f"{trace.tb_frame.f_code.co_filename}, line {trace.tb_lineno}"


def _checked(answer: Any, time: float) -> tuple[bool, int, float]:
    """Return a command as the kernels take it, or refuse it."""
    try:
        command = Command(*answer)
        gear = int(command.gear)
        torque = math.nan if command.motor_torque is None else float(command.motor_torque)
    except (TypeError, ValueError):
        raise InputError(
            f"the controller answers {answer!r} at {time:g} s; return "
            "Command(engine_on, gear, motor_torque), with None for an unpowered motor"
        ) from None
    if math.isnan(torque) and command.motor_torque is not None:
        raise InputError(
            f"the controller asks for a motor torque of nan at {time:g} s; give a number, or None "
            "for an unpowered motor"
        )
    return bool(command.engine_on), gear - 1, torque
