"""The one interface of all controllers: what they see in a step, and what they ask for."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol, runtime_checkable


class Shaft(NamedTuple):
    """What a gear and engine state would mean in this step.

    Attributes
    ----------
    input_speed : rad/s, at the gearbox input
    motor_speed, engine_speed : rad/s
    torque : N m wanted at the gearbox input, from motor and engine together
    motor_low, motor_high : N m, range of the motor, battery limits not counted
    engine_low, engine_high : N m, overrun and full load; both 0 with the engine off
    """

    input_speed: float
    motor_speed: float
    engine_speed: float
    torque: float
    motor_low: float
    motor_high: float
    engine_low: float
    engine_high: float


Look = Callable[[int, bool], Shaft | None]


@dataclass(frozen=True, slots=True)
class Observation:
    """What a controller sees at the start of a step; nothing of what comes after it.

    Attributes
    ----------
    time : s, at the start of the step
    dt : s, length of the step
    speed : m/s, mean of the step
    acceleration : m/s2
    wheel_torque : N m wanted at the wheels, negative when braking
    wheel_power : W
    soc : state of charge, 0 to 1
    gear : gear engaged before the step, 1 is first gear
    engine_on : whether the engine ran before the step
    engine_time, gear_time : s in the present engine state and gear; 1e9 at the start of the drive
    look : what :meth:`shaft` asks
    """

    time: float
    dt: float
    speed: float
    acceleration: float
    wheel_torque: float
    wheel_power: float
    soc: float
    gear: int
    engine_on: bool
    engine_time: float
    gear_time: float
    look: Look = field(repr=False, compare=False)

    def shaft(self, gear: int, engine_on: bool) -> Shaft | None:
        """Return what a gear (from 1) and engine state would mean; None if they are impossible."""
        return self.look(gear, engine_on)


class Command(NamedTuple):
    """What a controller asks for in a step.

    Attributes
    ----------
    engine_on : whether the engine shall run
    gear : 1 is first gear
    motor_torque : N m at the gearbox input, the engine and the brakes do the rest; None is the
        unpowered motor, minus or plus infinity the limit on that side
    """

    engine_on: bool
    gear: int
    motor_torque: float | None = None


ControllerFunction = Callable[[Observation], Command]


@runtime_checkable
class Controller(Protocol):
    """A controller with a state: `reset` is called before a drive, `decide` in each step."""

    def reset(self) -> None:
        """Forget the drive before."""

    def decide(self, observation: Observation) -> Command:
        """Return the command of a step."""
