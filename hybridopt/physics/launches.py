"""Launches from rest through the slipping clutch: torque, slip loss, heat, and how often it holds.

The engine is held at launch speed until the gearbox input has caught up. Speed, not time, is cut
into equal parts: torque and acceleration are those at the middle of each part.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..base.errors import InfeasibleError, InputError
from ..base.units import GRAVITY, KM_PER_H, PERCENT
from ..inputs.driveline import Driveline
from ..inputs.maps import curve_values
from .demand import Demand, step_demand
from .gearbox import input_torque, wheel_torque
from .interpolation import map_row
from .plant import Plant, pack
from .step import _electric_power
from .thermal import clutch_temperature

PARTS = 200  # of the speed up to which the clutch slips
RESTS = 50  # parts of a pause in the temperature over time
STEEPEST = 1.0  # rise over run


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
    torque : N m through the clutch, at most `available` and `capacity`
    needed : N m asked for; more than `torque` where engine, motor and clutch cannot give it
    available : N m, engine at full load and motor at its peak, at launch speed
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
        """Friction coefficient that the launch takes: highest traction over weight on the road."""
        vehicle = self.driveline.vehicle
        force = wheel_torque(pack(self.driveline), 0, self.torque).max() / vehicle.wheel_radius
        return float(force / (vehicle.mass * GRAVITY * math.cos(math.atan(self.grade))))

    @property
    def faults(self) -> list[str]:
        """What the clutch, or engine and motor, cannot give, in words; empty if it suffices."""
        asked, found = float(self.needed.max()), []
        if asked > self.capacity * (1 + 1e-9):
            found.append(f"{asked:.0f} Nm are asked of a clutch that carries {self.capacity:.0f}")
        if asked > self.available * (1 + 1e-9):
            found.append(
                f"{asked:.0f} Nm are asked of engine and motor that give {self.available:.0f}"
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
        m/s2 wanted; all torque there is when not given.

    Returns
    -------
    Launch
        With the torque wanted, as far as engine, motor and clutch give it.

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
    available = available_torque(driveline)
    limit = min(available, driveline.clutches.launch_capacity)
    needed = np.full(PARTS, available)
    if acceleration is not None:
        needed = _clutch_torque(driveline, plant, speed, grade, acceleration)
    torque = np.minimum(needed, limit)
    reached = _acceleration(driveline, plant, speed, grade, torque)
    if torque.min() <= 0.0:
        raise InfeasibleError("the vehicle rolls without torque; take a steeper grade or less wind")
    if reached.min() <= 1e-6:
        hold = _clutch_torque(driveline, plant, speed, grade, 0.0).max()
        raise InfeasibleError(
            f"driveline {driveline.name} does not move off on {grade / PERCENT:g} %: holding it "
            f"takes {hold:.0f} Nm at the clutch, engine and motor give {available:.0f} Nm and the "
            f"clutch carries {driveline.clutches.launch_capacity:.0f} Nm"
        )
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


def _lock_speed(driveline: Driveline, plant: Plant) -> float:
    """Speed of the vehicle at which the gearbox input turns at launch speed, m/s."""
    turning = driveline.clutches.launch_speed / plant.ratio[0]
    return float(turning * driveline.vehicle.wheel_radius)


def _demand(driveline: Driveline, speed: np.ndarray, grade: float, acceleration: float) -> Demand:
    """Return what the wheels want at the middle of each part, at an acceleration."""
    middle, dt = 0.5 * (speed[:-1] + speed[1:]), np.ones(speed.size - 1)
    change = np.full(dt.size, 0.5 * acceleration)
    return step_demand(
        driveline.vehicle,
        np.zeros(dt.size),
        dt,
        middle - change,
        middle + change,
        np.full(dt.size, grade),
    )


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


@dataclass(frozen=True, eq=False)
class LaunchSeries:
    """The same launch repeated.

    Attributes
    ----------
    launch : the one that is repeated
    pause : s, from the locking of the clutch to the next launch
    count : launches looked at
    """

    launch: Launch
    pause: float
    count: int

    @cached_property
    def _rise(self) -> np.ndarray:
        """By how much one launch from the oil's temperature heats the clutch, K, (parts + 1,)."""
        return self.launch.temperature() - self.launch.driveline.clutches.oil_temperature

    def _kept(self, seconds: np.ndarray | float) -> np.ndarray:
        """Share of a temperature above the oil's that is left after a time."""
        clutches = self.launch.driveline.clutches
        assert clutches.heat_capacity is not None  # asked for only where it is given
        return np.exp(-clutches.oil_cooling / clutches.heat_capacity * np.asarray(seconds))

    @cached_property
    def _handed_on(self) -> tuple[float, float]:
        """Heat that one launch leaves for the next, K, and the share of older heat that is left."""
        fresh = float(self._rise[-1] * self._kept(self.pause))
        return fresh, float(self._kept(self.launch.duration + self.pause))

    @cached_property
    def starts(self) -> np.ndarray:
        """Temperature at the start of each launch, deg C, (count,)."""
        (fresh, kept), n = self._handed_on, np.arange(self.count)
        summed = n if kept == 1.0 else (1.0 - kept**n) / (1.0 - kept)
        return np.asarray(self.launch.driveline.clutches.oil_temperature + fresh * summed)

    @cached_property
    def peaks(self) -> np.ndarray:
        """Highest temperature of each launch, deg C, (count,)."""
        above = self.starts - self.launch.driveline.clutches.oil_temperature
        return self._peaks(above)

    def _peaks(self, above: np.ndarray) -> np.ndarray:
        """Highest temperatures of launches that start that much above the oil's, deg C."""
        old = above[:, None] * self._kept(self.launch.time)
        oil = self.launch.driveline.clutches.oil_temperature
        return np.asarray(oil + (self._rise + old).max(axis=1))

    @property
    def final_peak(self) -> float:
        """Temperature that the peaks tend to if the launches never stop, deg C."""
        fresh, kept = self._handed_on
        return float(self._peaks(np.array([fresh / (1.0 - kept)]))[0]) if kept < 1.0 else math.inf

    @property
    def first_over(self) -> int | None:
        """Number of the first launch that passes the limit, also beyond `count`; None is never."""
        clutches, (fresh, kept) = self.launch.driveline.clutches, self._handed_on
        room = clutches.max_temperature - clutches.oil_temperature - self._rise
        most = float((room / self._kept(self.launch.time)).min())  # above the oil's at its start
        if most < 0.0:
            return 1
        if kept == 1.0:
            return math.floor(most / fresh) + 2
        left = 1.0 - most * (1.0 - kept) / max(fresh, 1e-300)
        if left <= 0.0:
            return None
        return math.floor(math.log(left) / math.log(max(kept, 1e-300))) + 2

    @property
    def passes(self) -> bool:
        """Whether one of the launches looked at passes the limit."""
        return self.first_over is not None and self.first_over <= self.count

    def history(self) -> tuple[np.ndarray, np.ndarray]:
        """Return time (s) and temperature (deg C) over all launches and pauses."""
        clutches, period = self.launch.driveline.clutches, self.launch.duration + self.pause
        rest = np.full(RESTS, self.pause / RESTS)
        times, values = [], []
        for number, start in enumerate(self.starts.tolist()):
            heated = self.launch.temperature(start)
            cooled = clutch_temperature(clutches, np.zeros(RESTS), rest, float(heated[-1]))
            after = self.launch.duration + np.cumsum(rest)
            times.append(number * period + np.concatenate((self.launch.time, after)))
            values.append(np.concatenate((heated, cooled[1:])))
        return np.concatenate(times), np.concatenate(values)


def repeat_launch(launch: Launch, count: int, pause: float) -> LaunchSeries:
    """Repeat a launch, with the clutch cooling in between.

    Parameters
    ----------
    launch
        From :func:`launch`.
    count
        1 or more.
    pause
        s without slip between two launches, driving and standing; 0 or more.

    Returns
    -------
    LaunchSeries
        With the peak temperature of every launch.

    Raises
    ------
    InputError
        A value is out of range, or the driveline does not say how the clutch heats.

    Notes
    -----
    Each launch leaves the same heat R to the next one, and the share Q of what it found: launch
    n + 1 starts at T_oil + R (1 - Q^n) / (1 - Q), which tends to T_oil + R / (1 - Q).
    """
    if not launch.looks_at_heat:
        raise InputError(
            f"driveline {launch.driveline.name}: [clutches] heat_capacity_kJ_per_K: is missing; "
            "repeated launches need it"
        )
    if not 1 <= count <= 10_000:
        raise InputError(f"repeat is {count}; allowed is 1 to 10000 launches")
    if not 0.0 <= pause <= 1e5:
        raise InputError(f"pause is {pause:g} s; allowed is 0 to 100000")
    return LaunchSeries(launch, pause, count)


def verdict(launch: Launch, series: LaunchSeries | None = None) -> str:
    """Say in one sentence whether the clutch suffices.

    Parameters
    ----------
    launch
        From :func:`launch`.
    series
        From :func:`repeat_launch`; not looked at when not given.

    Returns
    -------
    str
        Whether it carries the torque, and stays below its temperature limit.
    """
    place = f"on {launch.grade / PERCENT:g} %"
    asked = "a full-load launch" if launch.wanted is None else f"{launch.wanted:g} m/s2"
    if launch.faults:
        return f"no: {'; '.join(launch.faults)}"
    text = (
        f"yes: {asked} {place} takes {launch.needed.max():.0f} of {launch.capacity:.0f} Nm and "
        f"{launch.slip_energy / 1e3:.1f} kJ of slip up to "
        f"{launch.speed[-1] / KM_PER_H:.1f} km/h"
    )
    if series is None:
        return text
    limit = launch.driveline.clutches.max_temperature
    if series.first_over is None:
        return f"{text}; repeated for ever it stays at {series.final_peak:.0f} of {limit:.0f} C"
    if not series.passes:
        return f"{text}; launch {series.first_over} would be the first to pass {limit:.0f} C"
    return f"no: launch {series.first_over} is the first to pass {limit:.0f} C"
