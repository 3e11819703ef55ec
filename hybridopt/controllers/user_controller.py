"""A user's controller, asked step by step: what it sees, and what its answer must be."""

import inspect
import math
from collections.abc import Callable
from numbers import Real
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..physics.demand import Demand
from ..physics.entries import S_ENGINE, S_FULL, S_HIGH, S_INPUT, S_LOW, S_MOTOR, S_OVERRUN, S_TOTAL
from .controller import Command, Controller, ControllerFunction, Observation, Shaft
from .situation import (
    ENGINE_TIME,
    GEAR_TIME,
    Situation,
    Surroundings,
    Wish,
    _engine_class,
    _fill_shaft,
    _make_workspace,
)
from .user_code import brief, call_user

MOST_GEAR = 1000
"""A gear beyond what a driveline has is clipped and counted; one beyond this is a mistake."""
_SHAFT_ENTRIES = (S_INPUT, S_MOTOR, S_ENGINE, S_TOTAL, S_LOW, S_HIGH, S_OVERRUN, S_FULL)
"""Entries of the kernels' shaft in the order of :class:`Shaft`."""


class AskedController:
    """A controller written by a user, on a cycle.

    Parameters
    ----------
    controller
        An object with `reset` and `decide`, which is reset now, or a plain function.
    demand, around
        What the wheels want; what surrounds the drive.

    Raises
    ------
    InputError
        Its `reset` fails.
    """

    def __init__(
        self, controller: Controller | ControllerFunction, demand: Demand, around: Surroundings
    ) -> None:
        self._demand, self._around = demand, around
        self._name = f"controller {_name(controller)}"
        self._decide: Callable[[Observation], Any]
        if isinstance(controller, Controller):
            call_user(f"{self._name}: its reset", controller.reset)
            self._decide = controller.decide
        else:
            self._decide = controller

    def wish(self, at: Situation) -> Wish:
        """Return what the controller asks for.

        Raises
        ------
        InputError
            It raised an exception, took too long, or its answer is no :class:`Command`; the
            message names controller, step and value.
        """
        observation = self._observe(at)
        place = f"{self._name}, step at {observation.time:g} s"
        return call_user(place, lambda: _checked(self._decide(observation), place))  # type: ignore[no-any-return]

    def _observe(self, at: Situation) -> Observation:
        demand, t = self._demand, at.t
        torque = float(demand.wheel_torque[t])
        return Observation(
            time=float(demand.time[t]),
            dt=float(demand.dt[t]),
            speed=float(demand.speed[t]),
            acceleration=float(demand.acceleration[t]),
            wheel_torque=torque,
            wheel_power=torque * float(demand.wheel_speed[t]),
            soc=at.soc,
            gear=at.gear + 1,
            engine_on=at.engine == 1,
            engine_time=float(at.memory[ENGINE_TIME]),
            gear_time=float(at.memory[GEAR_TIME]),
            look=lambda gear, on: self._look(at, gear, on),
        )

    def _look(self, at: Situation, gear: int, on: bool) -> Shaft | None:
        around = self._around
        if not 1 <= gear <= around.plant.ratio.size:
            return None
        engine = _engine_class(around.moves, at, on)
        work = _make_workspace(around.plant)
        if not _fill_shaft(around.plant, around.rows[at.t], gear - 1, int(engine), work):
            return None
        return Shaft(*(float(work.shaft[i]) for i in _SHAFT_ENTRIES))


def _name(controller: Any) -> str:
    """Return the name of a controller's function or class, with the file it stands in."""
    home = controller if hasattr(controller, "__qualname__") else type(controller)
    name = brief(getattr(home, "__name__", "unnamed"), str)
    try:
        return f"{Path(inspect.getfile(home)).name}:{name}"
    except (TypeError, OSError):  # made without a file
        return name


def _checked(answer: Any, place: str) -> Wish:
    """Return a command as the kernels take it, or refuse it."""
    if not isinstance(answer, tuple | list) or not 2 <= len(answer) <= len(Command._fields):
        raise InputError(
            f"{place}: answers {brief(answer)}; return Command(engine_on, gear, motor_torque), "
            "with None for an unpowered motor"
        )
    on, gear, torque = (_scalar(value) for value in Command(*answer))
    if not isinstance(on, np.bool_ | Real) or on not in (0, 1):
        raise InputError(f"{place}: engine_on is {brief(on)}; give True or False")
    whole = isinstance(gear, Real) and not isinstance(gear, bool) and gear == gear // 1
    if not whole or abs(gear) > MOST_GEAR:
        raise InputError(f"{place}: gear is {brief(gear)}; give a whole number, 1 is first gear")
    return Wish(bool(on), int(gear) - 1, _torque(torque, place))


def _scalar(value: Any) -> Any:
    """Return the one value of an array without dimensions, as NumPy gives it, else the value."""
    return value[()] if isinstance(value, np.ndarray) and not value.ndim else value


def _torque(value: Any, place: str) -> float:
    """Return a motor torque as the kernels take it, nan for the unpowered motor."""
    if value is None:
        return math.nan
    torque = math.nan
    if isinstance(value, Real) and not isinstance(value, bool):
        try:
            torque = float(value)
        except OverflowError:
            pass
    if math.isnan(torque):
        raise InputError(
            f"{place}: motor_torque is {brief(value)}; give a number in N m, or None for an "
            "unpowered motor"
        )
    return torque
