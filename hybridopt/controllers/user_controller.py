"""A user's controller, asked step by step: what it sees, and what its answer must be."""

import math
from collections.abc import Callable
from typing import Any

from ..base.errors import FailedError, InputError
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
    """

    def __init__(
        self, controller: Controller | ControllerFunction, demand: Demand, around: Surroundings
    ) -> None:
        self._demand, self._around = demand, around
        self._decide: Callable[[Observation], Any]
        if isinstance(controller, Controller):
            controller.reset()
            self._decide = controller.decide
        else:
            self._decide = controller

    def wish(self, at: Situation) -> Wish:
        """Return what the controller asks for.

        Raises
        ------
        FailedError
            It raised an exception; the message says where and when.
        InputError
            Its answer is no :class:`Command`.
        """
        observation = self._observe(at)
        try:
            answer = self._decide(observation)
        except Exception as error:  # the user's code may raise anything
            raise FailedError(
                f"the controller failed at {observation.time:g} s ({_where(error)}): "
                f"{type(error).__name__}: {error}"
            ) from error
        return _checked(answer, observation.time)

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


def _where(error: BaseException) -> str:
    """Return file and line of the innermost place of an exception."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None:
        return "no line known"
    return f"{trace.tb_frame.f_code.co_filename}, line {trace.tb_lineno}"


def _checked(answer: Any, time: float) -> Wish:
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
    return Wish(bool(command.engine_on), gear - 1, torque)
