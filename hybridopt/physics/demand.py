"""What the cycle asks of the wheels: mean speed, acceleration and torque of each step."""

import dataclasses
from dataclasses import dataclass

import numpy as np

from ..base.units import GRAVITY
from ..inputs.cycle import Cycle, mean_of_steps
from ..inputs.driveline import Driveline, Vehicle
from .codes import LIT

NO_RESTRICTION = {
    "motor_share": 1.0,
    "battery_share": 1.0,
    "slip_allowed": True,
    "fuel_factor": 1.0,
    "engine_needed": False,
    "oil_temperature": np.nan,
    "grade": 0.0,
    "auxiliary_off": np.nan,
    "auxiliary_on": np.nan,
    "drag_factor": 1.0,
    "friction_factor": 1.0,
    "heater_power": 0.0,
    "catalyst_phase": LIT,
}


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
    motor_share : 1 allows the motor's peak torque, 0 its continuous torque, linear in between
    battery_share : the same for the battery's power
    slip_allowed : whether the launch clutch may slip
    fuel_factor : factor on the fuel rate, above 1 for a cold engine
    engine_needed : whether the engine must not be off, for heat or because it is cold
    oil_temperature : degC, of the engine; NaN is not known
    grade : rise over run, mean over the step
    auxiliary_off, auxiliary_on : W, electric load with the engine off and on; NaN is the
        driveline's constant
    drag_factor, friction_factor : on the gearbox's drag and the engine's overrun torque, above 1
        while they are cold
    heater_power : W, electric, of the cabin
    catalyst_phase : code of the catalyst: LIT, HEATING, where the engine must not be off, or
        WAITING, where it must be

    Notes
    -----
    From `motor_share` on, they say what else bears on a step; left out, nothing is restricted and
    the road is level.
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
    motor_share: np.ndarray = None  # type: ignore[assignment]
    battery_share: np.ndarray = None  # type: ignore[assignment]
    slip_allowed: np.ndarray = None  # type: ignore[assignment]
    fuel_factor: np.ndarray = None  # type: ignore[assignment]
    engine_needed: np.ndarray = None  # type: ignore[assignment]
    oil_temperature: np.ndarray = None  # type: ignore[assignment]
    grade: np.ndarray = None  # type: ignore[assignment]
    auxiliary_off: np.ndarray = None  # type: ignore[assignment]
    auxiliary_on: np.ndarray = None  # type: ignore[assignment]
    drag_factor: np.ndarray = None  # type: ignore[assignment]
    friction_factor: np.ndarray = None  # type: ignore[assignment]
    heater_power: np.ndarray = None  # type: ignore[assignment]
    catalyst_phase: np.ndarray = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        """Fill what is left out with "no restriction" and a level road."""
        for name, free in NO_RESTRICTION.items():
            if getattr(self, name) is None:
                object.__setattr__(self, name, np.full(self.dt.size, free))

    @property
    def steps(self) -> int:
        """Number of steps."""
        return self.dt.size

    @property
    def distance(self) -> float:
        """Distance driven, m."""
        return float(np.sum(self.speed * self.dt))

    @property
    def speeds(self) -> np.ndarray:
        """Speed before each step and at the end, m/s, (steps + 1,)."""
        return np.append(
            self.speed_start, self.speed_start[-1] + self.acceleration[-1] * self.dt[-1]
        )

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
        One entry per step of the cycle, from :func:`step_demand`, with its heat requests and
        oil temperatures.
    """
    wanted = step_demand(
        vehicle, cycle.time[:-1], cycle.dt, cycle.speed[:-1], cycle.speed[1:], cycle.mean_grade
    )
    return dataclasses.replace(
        wanted,
        engine_needed=cycle.heat_request[:-1] > 0.0,
        oil_temperature=mean_of_steps(cycle.oil_temperature),
    )


def drive_demand(driveline: Driveline, cycle: Cycle, ambient: float | None = None) -> Demand:
    """As :func:`wheel_demand`, with what a cold engine takes more and the electric load.

    Parameters
    ----------
    driveline
        The vehicle and its engine.
    cycle
        Speed, grade and oil temperature over time; its electric load where it gives one, or the
        ambient temperature for the driveline's.
    ambient
        Ambient temperature, degC, that counts in place of the cycle's.
    """
    wanted = wheel_demand(driveline.vehicle, cycle)
    factor = driveline.engine.fuel_factor(wanted.oil_temperature)
    given = mean_of_steps(cycle.auxiliary_power)
    air = mean_of_steps(cycle.ambient_temperature)
    loads = driveline.auxiliary.loads(air if ambient is None else np.full(air.size, ambient))
    off, on = np.where(np.isnan(given), loads, given)
    return dataclasses.replace(wanted, fuel_factor=factor, auxiliary_off=off, auxiliary_on=on)


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
    u is v plus the headwind. A trailer adds its mass to m, its own m c_r and its own c_d A.
    At rest the brakes hold the vehicle and the demand is zero.
    Source: Guzzella, Sciarretta, *Vehicle Propulsion Systems*, 3rd ed., 2013, ch. 2, DOI
    10.1007/978-3-642-35913-2.
    """
    speed = 0.5 * (speed_start + speed_end)
    acceleration = (speed_end - speed_start) / dt
    moving = speed > 0.0
    angle = np.arctan(grade)
    total = vehicle.total_mass
    weight = GRAVITY * moving
    mass = total + vehicle.wheel_inertia / vehicle.wheel_radius**2
    resistance = vehicle.rolling_resistance * vehicle.mass
    resistance += vehicle.trailer_rolling_resistance * vehicle.trailer_mass
    rolling = resistance * weight * np.cos(angle)
    climb = total * weight * np.sin(angle)
    drag_area = vehicle.drag_area + vehicle.trailer_drag_area
    air = (speed + vehicle.headwind) * moving
    drag = 0.5 * vehicle.air_density * drag_area * air * np.abs(air)
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
        grade=grade,
    )


def mean_demand(
    vehicle: Vehicle,
    speed: np.ndarray,
    acceleration: np.ndarray | float = 0.0,
    grade: np.ndarray | float = 0.0,
) -> Demand:
    """Work out what the wheels want in steps of 1 s that need not follow each other.

    Parameters
    ----------
    vehicle
        Mass, road load and wheels.
    speed
        Mean of each step, m/s, (steps,).
    acceleration, grade
        m/s2, and rise over run, (steps,) or one for all.
    """
    change, zero = 0.5 * acceleration, np.zeros(speed.size)
    return step_demand(vehicle, zero, zero + 1.0, speed - change, speed + change, zero + grade)


def steady_demand(
    vehicle: Vehicle, speeds: np.ndarray, powers: np.ndarray, dt: float = 1.0
) -> Demand:
    """Return one step at steady speed for every pair of speed and wheel power.

    Parameters
    ----------
    vehicle
        Mass, road load and wheels.
    speeds
        m/s, above 0, (n,).
    powers
        W at the wheels, (m,); what the speed alone does not take is a climb.
    dt
        Length of each step, s.

    Returns
    -------
    Demand
        n m steps, the powers of the first speed first.
    """
    speed, power = (np.ravel(x).astype(float) for x in np.meshgrid(speeds, powers, indexing="ij"))
    every = np.full(speed.size, dt)
    level = step_demand(
        vehicle, np.arange(speed.size) * dt, every, speed, speed, np.zeros(speed.size)
    )
    return dataclasses.replace(
        level,
        wheel_torque=power / level.wheel_speed,
        grade_power=power - level.rolling_power - level.drag_power,
    )
