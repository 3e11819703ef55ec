"""A launch from rest through the slipping clutch: torque, slip loss, heat, and what limits it.

The engine is held at launch speed until the gearbox input has caught up. Speed, not time, is cut
into equal parts: torque and acceleration are those at the middle of each part.
"""

from dataclasses import dataclass

import numpy as np

from ..base.errors import InfeasibleError, InputError
from ..base.units import PERCENT
from ..inputs.driveline import Driveline
from ..inputs.maps import curve_values
from .demand import Demand, mean_demand
from .gearbox import input_torque, wheel_torque
from .grip import grip_taken, held_force
from .interpolation import map_row
from .plant import Plant, pack
from .step import _electric_power
from .thermal import clutch_temperature

PARTS = 200  # of the speed up to which the clutch slips
STEEPEST = 1.0  # rise over run
ROLLS = "the vehicle rolls without torque; take a steeper grade or less wind"


@dataclass(frozen=True, eq=False)
class Launch:
    """One launch until the clutch locks; arrays over the parts of the launch have shape (parts,).

    Attributes
    ----------
    driveline, grade : what is launched, and where, rise over run
    wanted : acceleration asked for, m/s2; None for all the torque there is
    time, speed, input_speed : s, m/s and rad/s at the ends of the parts, (parts + 1,)
    dt : s
    acceleration : m/s2
    torque : N m through the clutch, at most `available`, `capacity` and `held`
    needed : N m asked for; more than `torque` where engine, motor, clutch or tyres cannot give it
    available : N m, engine at full load and motor at its peak, at launch speed
    held : N m at the clutch that the tyres of the driven axles hold
    """

    driveline: Driveline
    grade: float
    wanted: float | None
    time: np.ndarray
    speed: np.ndarray
    input_speed: np.ndarray
    dt: np.ndarray
    acceleration: np.ndarray
    torque: np.ndarray
    needed: np.ndarray
    available: float
    held: float

    @property
    def capacity(self) -> float:
        """Torque that the clutch can carry, N m."""
        return self.driveline.clutches.launch_capacity

    @property
    def slip_speed(self) -> np.ndarray:
        """Speed across the clutch, rad/s, mean of each part."""
        mean = 0.5 * (self.input_speed[:-1] + self.input_speed[1:])
        return np.asarray(self.driveline.clutches.launch_speed - mean)

    @property
    def loss(self) -> np.ndarray:
        """Slip loss, W, mean of each part."""
        return np.asarray(self.torque * self.slip_speed)

    @property
    def slip_energy(self) -> float:
        """Slip loss of the whole launch, J."""
        return float(self.loss @ self.dt)

    @property
    def duration(self) -> float:
        """Time until the clutch locks, s."""
        return float(self.time[-1])

    @property
    def looks_at_heat(self) -> bool:
        """Whether the driveline says how the clutch heats."""
        return self.driveline.clutches.heat_capacity is not None

    def temperature(self, start: float | None = None) -> np.ndarray:
        """Return the clutch's temperature from a start, deg C, at the ends of the parts."""
        return clutch_temperature(self.driveline.clutches, self.loss, self.dt, start)

    @property
    def grip(self) -> float:
        """Friction that the launch as driven takes: highest traction over load of driven axles."""
        return self._grip(float(self.torque.max()))

    def _grip(self, torque: float) -> float:
        """Friction that a torque at the clutch takes, N m."""
        vehicle = self.driveline.vehicle
        force = float(wheel_torque(pack(self.driveline), 0, np.array(torque)))
        return grip_taken(vehicle, self.grade, force / vehicle.wheel_radius)

    @property
    def limited_by_tyres(self) -> bool:
        """Whether a launch with all the torque there is takes what the tyres hold."""
        return self.wanted is None and self.held < min(self.available, self.capacity)

    @property
    def faults(self) -> list[str]:
        """What clutch, engine and motor, or tyres cannot give, in words; empty if they suffice."""
        asked, found = float(self.needed.max()), []
        if asked > self.capacity * (1 + 1e-9):
            found.append(f"{asked:.0f} Nm are asked of a clutch that carries {self.capacity:.0f}")
        if asked > self.available * (1 + 1e-9):
            found.append(
                f"{asked:.0f} Nm are asked of engine and motor that give {self.available:.0f}"
            )
        if asked > self.held * (1 + 1e-9):
            vehicle = self.driveline.vehicle
            found.append(
                f"a grip of {self._grip(asked):.2f} is asked of {vehicle.driven_wheels} that hold "
                f"{vehicle.tyre_grip:g}"
            )
        limit = self.driveline.clutches.max_temperature
        if self.looks_at_heat and (peak := float(self.temperature().max())) > limit:
            found.append(f"one launch heats the clutch to {peak:.0f} C, above {limit:.0f} C")
        return found


def launch(driveline: Driveline, grade: float = 0.0, acceleration: float | None = None) -> Launch:
    """Launch a vehicle from rest in first gear until the clutch locks.

    Parameters
    ----------
    driveline
        The vehicle.
    grade
        Rise over run, 0 to 1.
    acceleration
        m/s2 wanted; when not given, all the torque that there is and that the tyres hold.

    Returns
    -------
    Launch
        With the torque wanted, as far as engine, motor, clutch and tyres give it.

    Raises
    ------
    InputError
        A value is out of range.
    InfeasibleError
        The vehicle does not move off, or rolls by itself.

    Notes
    -----
    Slip loss T (w_e - w_in), with the engine held at launch speed w_e and the input speed w_in
    that of the wheels times the ratio. Torque at the clutch as in `gearbox.py`.
    """
    if not 0.0 <= grade <= STEEPEST:
        raise InputError(f"grade is {grade / PERCENT:g} %; allowed is 0 to {STEEPEST / PERCENT:g}")
    if acceleration is not None and not 0.0 < acceleration <= 20.0:
        raise InputError(f"acceleration is {acceleration:g} m/s2; allowed is above 0, up to 20")
    plant = pack(driveline)
    speed = np.linspace(0.0, _lock_speed(driveline, plant), PARTS + 1)
    available, held = available_torque(driveline), held_torque(driveline, grade)
    limit = min(available, driveline.clutches.launch_capacity, held)
    needed = np.full(PARTS, min(available, held))
    if acceleration is not None:
        needed = _clutch_torque(driveline, plant, speed, grade, acceleration)
    torque = np.minimum(needed, limit)
    reached = _acceleration(driveline, plant, speed, grade, torque)
    if reached.min() <= 1e-6:
        hold = _clutch_torque(driveline, plant, speed, grade, 0.0).max()
        raise InfeasibleError(
            f"driveline {driveline.name} does not move off on {grade / PERCENT:g} %: holding it "
            f"takes {hold:.0f} Nm at the clutch, engine and motor give {available:.0f} Nm, the "
            f"clutch carries {driveline.clutches.launch_capacity:.0f} Nm and "
            f"{driveline.vehicle.driven_wheels} hold {held:.0f} Nm"
        )
    if torque.min() <= 0.0:
        raise InfeasibleError(ROLLS)
    dt = np.diff(speed) / reached
    return Launch(
        driveline,
        grade,
        acceleration,
        np.concatenate(([0.0], np.cumsum(dt))),
        speed,
        speed / driveline.vehicle.wheel_radius * plant.ratio[0],
        dt,
        reached,
        torque,
        needed,
        available,
        held,
    )


def available_torque(driveline: Driveline) -> float:
    """Return what engine and motor give together at launch speed, N m; the battery may limit it."""
    speed = driveline.clutches.launch_speed
    engine, motor = driveline.engine, driveline.motor
    peak = float(curve_values(motor.peak_torque, speed)) if driveline.functions.can_boost else 0.0
    torques = np.linspace(0.0, peak, 201)
    plant = pack(driveline)
    row = map_row(plant.loss_speed, plant.loss, speed)
    power = [_electric_power(plant.loss_torque, row, speed, torque) for torque in torques]
    fed = torques[np.array(power) + plant.auxiliary <= driveline.battery.power_limits[1]]
    return float(curve_values(engine.full_load, speed)) + float(fed.max(initial=0.0))


def held_torque(driveline: Driveline, grade: float) -> float:
    """Return the torque at the clutch that the driven tyres hold in first gear on a grade, N m."""
    vehicle = driveline.vehicle
    wheels = held_force(vehicle, grade) * vehicle.wheel_radius
    return float(input_torque(pack(driveline), 0, np.array(wheels)))


def steepest_launch(driveline: Driveline) -> float:
    """Return the steepest grade on which a vehicle still moves off, rise over run.

    Returns
    -------
    float
        At most :data:`STEEPEST`; 0 where it does not move off on the level.
    """

    def moves_off(grade: float) -> bool:
        try:
            launch(driveline, grade)
        except InfeasibleError as error:
            return str(error) == ROLLS
        return True

    low, high = 0.0, STEEPEST
    if moves_off(high):
        return high
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if moves_off(middle) else (low, middle)
    return low


def _lock_speed(driveline: Driveline, plant: Plant) -> float:
    """Speed of the vehicle at which the gearbox input turns at launch speed, m/s."""
    turning = driveline.clutches.launch_speed / plant.ratio[0]
    return float(turning * driveline.vehicle.wheel_radius)


def _demand(driveline: Driveline, speed: np.ndarray, grade: float, acceleration: float) -> Demand:
    """Return what the wheels want at the middle of each part, at an acceleration."""
    return mean_demand(driveline.vehicle, 0.5 * (speed[:-1] + speed[1:]), acceleration, grade)


def _clutch_torque(
    driveline: Driveline, plant: Plant, speed: np.ndarray, grade: float, acceleration: float
) -> np.ndarray:
    """Torque at the clutch for an acceleration, N m, (parts,)."""
    wheels = _demand(driveline, speed, grade, acceleration).wheel_torque
    return input_torque(plant, 0, wheels)


def _acceleration(
    driveline: Driveline, plant: Plant, speed: np.ndarray, grade: float, torque: np.ndarray
) -> np.ndarray:
    """Return the accelerations by torques at the clutch, m/s2: wheel torque is affine in them."""
    held = _demand(driveline, speed, grade, 0.0).wheel_torque
    per_unit = _demand(driveline, speed, grade, 1.0).wheel_torque - held
    return np.asarray((wheel_torque(plant, 0, torque) - held) / per_unit)
