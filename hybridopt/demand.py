"""What the cycle asks of the wheels: mean speed, acceleration and torque of each step."""

from dataclasses import dataclass

import numpy as np

from .inputs.cycle import Cycle
from .inputs.driveline import Vehicle
from .units import GRAVITY


@dataclass(frozen=True, eq=False)
class Demand:
    """Demand at the wheels, one entry per step; all arrays have shape (steps,).

    Attributes
    ----------
    time : s, at the start of the step
    dt : s, length of the step
    speed : m/s, mean over the step
    speed_start : m/s, at the start of the step
    acceleration : m/s2, of the vehicle
    wheel_speed : rad/s
    wheel_acceleration : rad/s2
    wheel_torque : N m, positive when it propels
    rolling_power, drag_power, grade_power, inertia_power : W, the parts of the wheel power
    """

    time: np.ndarray
    dt: np.ndarray
    speed: np.ndarray
    speed_start: np.ndarray
    acceleration: np.ndarray
    wheel_speed: np.ndarray
    wheel_acceleration: np.ndarray
    wheel_torque: np.ndarray
    rolling_power: np.ndarray
    drag_power: np.ndarray
    grade_power: np.ndarray
    inertia_power: np.ndarray

    @property
    def steps(self) -> int:
        """Number of steps."""
        return self.dt.size

    @property
    def distance(self) -> float:
        """Distance driven, m."""
        return float(np.sum(self.speed * self.dt))

    def part(self, start: int, stop: int) -> "Demand":
        """Return the steps start to stop - 1."""
        return Demand(**{name: value[start:stop] for name, value in vars(self).items()})


def wheel_demand(vehicle: Vehicle, cycle: Cycle) -> Demand:
    """Work out the torque and speed wanted at the wheels for each step of a cycle.

    Parameters
    ----------
    vehicle
        Mass, road load and wheels.
    cycle
        Speed and grade over time.

    Returns
    -------
    Demand
        One entry per step of the cycle, from :func:`step_demand`.
    """
    return step_demand(
        vehicle, cycle.time[:-1], cycle.dt, cycle.speed[:-1], cycle.speed[1:], cycle.mean_grade
    )


def step_demand(
    vehicle: Vehicle,
    time: np.ndarray,
    dt: np.ndarray,
    speed_start: np.ndarray,
    speed_end: np.ndarray,
    grade: np.ndarray,
) -> Demand:
    """Work out what the wheels want in steps that need not follow each other.

    Parameters
    ----------
    vehicle
        Mass, road load and wheels.
    time, dt
        Start and length of each step, s, shape (steps,), as all that follow.
    speed_start, speed_end
        m/s; speed is linear in the step.
    grade
        Mean of the step, rise over run.

    Notes
    -----
    F = (m + J_w / r^2) a + m g (sin θ + c_r cos θ) + ½ ρ c_d A u |u| with the mean speed v and
    acceleration a of the step, so that m a v dt sums exactly to the change of kinetic energy;
    u is v plus the headwind.
    At rest the brakes hold the vehicle and the demand is zero.
    Source: Guzzella, Sciarretta, *Vehicle Propulsion Systems*, ch. 2, from memory.
    """
    speed = 0.5 * (speed_start + speed_end)
    acceleration = (speed_end - speed_start) / dt
    moving = speed > 0.0
    angle = np.arctan(grade)
    weight = vehicle.mass * GRAVITY * moving
    mass = vehicle.mass + vehicle.wheel_inertia / vehicle.wheel_radius**2
    rolling = vehicle.rolling_resistance * weight * np.cos(angle)
    climb = weight * np.sin(angle)
    air = (speed + vehicle.headwind) * moving
    drag = 0.5 * vehicle.air_density * vehicle.drag_area * air * np.abs(air)
    force = mass * acceleration + rolling + climb + drag
    return Demand(
        time=time,
        dt=dt,
        speed=speed,
        speed_start=speed_start,
        acceleration=acceleration,
        wheel_speed=speed / vehicle.wheel_radius,
        wheel_acceleration=acceleration / vehicle.wheel_radius,
        wheel_torque=force * vehicle.wheel_radius,
        rolling_power=rolling * speed,
        drag_power=drag * speed,
        grade_power=climb * speed,
        inertia_power=mass * acceleration * speed,
    )
