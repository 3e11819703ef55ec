"""Speed and grade within their noise, as the torques of engine and motor say the car was driven.

The acceleration of a step is a difference of two speeds, so that a hundredth of a m/s of noise is
some hundred watts. Torques tell it without a difference, but with noise that persists; altitudes
tell the grade over the way. All together are the least squares

    sum ((c_t (x_(t+1) - x_t) + h_t (z_(t+1) + z_t) / 2 + (u_(t+1) + u_t) / 2 - e_t) / b_t)^2
        + sum (integral of x^2 over step t) / a_t^2
        + sum (u_(t+1) - k u_t)^2 / (q^2 (1 - k^2)) + sum of squares of the road's rows

over the corrections x of the speeds and z of the grades at the borders of steps, and the noise u of
the torques that persists, with e the torque that is measured beyond what speed and grade ask for, c
and h the torques of a change of speed and of a grade, and a and b what noise of samples leaves in a
step; u has the standard deviation q and fades to the share k in a step; the road's rows are those
of :mod:`.road`.
"""

import dataclasses
from typing import NamedTuple

import numpy as np
from scipy.linalg import solveh_banded

from ..base.units import GRAVITY
from ..inputs.cycle import Cycle
from ..inputs.cycle_checks import GRADE_MAX
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..measurements.refreshes import coarse_step
from ..measurements.resampling import GAUSS
from ..physics.codes import LOCKED, OFF
from ..physics.demand import Demand, drive_demand
from ..physics.entries import S_CLUTCH
from ..physics.plant import pack
from ..physics.rotors import rotor_inertia
from .channel_noise import COARSE, PERSISTS, SLOW, noise_size
from .decisions import read_decisions
from .fine_speed import MOVING
from .recuperation import GRADE
from .road import Equations, RoadReading, doubted_road, equation
from .slow_part import slow_part
from .splits import measured_torques
from .step_samples import StepSamples

LEAST_ERROR, EXACT = 0.001, 0.001
"""m/s, and of the highest torque of engine and motor: no sample is better (assumed)."""
SLOW_SPEED_ERROR, SLOW_TORQUE_ERROR = 0.05, 0.003
"""The same where each step has a sample or two (by trial)."""
FUEL_ERROR = 0.03  # of the full load, of a torque by fuel (assumed)
LEAST_DOUBT = 1e-6  # of a grade that is not logged
WILD = 15.0  # times the median difference, from which on torques and speed do not belong together
UNBRAKED = 4.0  # times the median difference, up to which a motor that brakes does it alone
MOST = 0.3  # m/s, of a correction
STEEPEST = 0.1  # of a correction of the grade, beyond which torques are wrong (assumed)
SLOWLY = 30.0  # s: what lasts longer is left to model and import
LEAST_STEPS = 20
SPEED, LASTING, STEEPER = 0, 1, 2
"""Unknowns at a border of steps, the last of which is the first of the road's."""


def balanced_cycle(
    recording: Recording, driveline: Driveline, cycle: Cycle, road: RoadReading | None = None
) -> Cycle | None:
    """Return the cycle at the speed and grade that its own samples and the torques say together.

    Parameters
    ----------
    recording, driveline
        The drive and its model.
    cycle
        At the speed of the samples alone.
    road
        What is known of its grade; None: one that is logged, or made of altitudes, may be off by
        0.15 % over 50 m.

    Returns
    -------
    Cycle
        None where torques of engine and motor are not told, or ask for a road that there is not.

    Notes
    -----
    Only what changes within 30 s is corrected: a torque that is wrong throughout, a model or a
    grade that are, leave the speed as it is, while driving and while braking, where what is left of
    the mean would be read as a climb. So do starts and the brakes: where the motor gives less than
    the speed asks of it while braking, and more than noise makes of that, they act.
    """
    if road is None:
        hilly = recording.has("grade") or recording.has("altitude")
        road = doubted_road(cycle, GRADE if hilly else LEAST_DOUBT)
    demand = drive_demand(driveline, cycle)
    plan = read_decisions(recording, driveline, demand).schedule
    samples, gears = StepSamples(recording), driveline.gearbox.gears
    gear = np.clip(plan.gear, 0, gears - 1)
    known = measured_torques(recording, driveline, samples, demand, gear, plan.engine_class)
    if known is None:
        return None
    locked = known.shafts.entries[:, S_CLUTCH] == LOCKED
    where = known.steady & locked & (demand.speed > MOVING)
    beyond = np.where(where, known.engine + known.motor - known.total, 0.0)
    drives = where & (demand.wheel_torque > 0.0)
    if drives.sum() < LEAST_STEPS:
        return None
    beyond = beyond - slow_part(beyond, drives, demand.dt, SLOWLY)
    usual = float(np.median(np.abs(beyond[drives])))
    alone = where & ~drives & (beyond <= UNBRAKED * usual)
    if recording.step <= COARSE:  # with it verdicts of slow logs are further off (by trial)
        beyond = np.where(alone, beyond - slow_part(beyond, alone, demand.dt, SLOWLY), beyond)
    where = (drives | alone) & (np.abs(beyond) <= WILD * usual)
    errors = reading_errors(recording, driveline, demand, gear, plan.engine_class)
    off, steeper = _corrections(
        driveline,
        demand,
        gear,
        plan.engine_class,
        np.where(where, beyond, np.nan),
        errors,
        road.rows,
    )
    if np.abs(steeper).max() > STEEPEST:  # the torques are not those of this drive
        return None
    off = np.where(cycle.speed > 0.0, np.clip(off, -MOST, MOST), 0.0)
    speed = np.maximum(cycle.speed + off, 0.0)
    grade = np.clip(cycle.grade + steeper, -GRADE_MAX, GRADE_MAX)
    return dataclasses.replace(cycle, speed=speed, grade=grade)


def _corrections(
    driveline: Driveline,
    demand: Demand,
    gear: np.ndarray,
    engine: np.ndarray,
    beyond: np.ndarray,
    errors: "Errors",
    road: Equations,
) -> tuple[np.ndarray, np.ndarray]:
    """Return what speeds (m/s) and grades at the borders of steps are corrected by, (steps + 1,).

    `beyond` is NaN where torques tell nothing.
    """
    rows, size = balance(driveline, demand, gear, engine, np.isfinite(beyond), errors, road)
    told = np.nan_to_num(beyond) / errors.torque
    bands, right = rows._replace(wanted=(told, *rows.wanted[1:])).normal()
    found = solveh_banded(bands, right)
    return found[SPEED::size], found[STEEPER::size]


class Errors(NamedTuple):
    """What noise of samples leaves in speed, m/s, and torque, N m, of each step, (steps,).

    `lasting` is the standard deviation of the noise of the torque that persists, N m.
    """

    speed: np.ndarray
    torque: np.ndarray
    lasting: np.ndarray


def balance(
    driveline: Driveline,
    demand: Demand,
    gear: np.ndarray,
    engine: np.ndarray,
    told: np.ndarray,
    errors: Errors,
    road: Equations,
) -> tuple[Equations, int]:
    """Return the rows of the module's sum, that of the torques first, and how many unknowns."""
    change, climb = _torques_of_a_change(driveline, demand, gear, engine)
    wide = road.parts[0].shape[1] // 2
    size = STEEPER + wide
    speed, b = errors.speed, told / errors.torque
    keep = np.exp(-demand.dt / SLOW)
    fresh = 1.0 / np.sqrt(1.0 - keep**2)
    half, first = 0.5 * b, np.eye(1, demand.steps)[0]
    near, far = (1.0 - GAUSS) / (np.sqrt(2.0) * speed), GAUSS / (np.sqrt(2.0) * speed)
    torques = equation(
        size,
        a0=-change * b,
        b0=change * b,
        a1=errors.lasting * half,
        b1=errors.lasting * half,
        a2=climb * half,
        b2=climb * half,
    )
    own = (
        torques,
        equation(size, a0=near, b0=far),
        equation(size, a0=far, b0=near),
        equation(size, a1=-keep * fresh, b1=fresh),
        equation(size, a1=first),
    )
    none = np.zeros((demand.steps, STEEPER))
    others = tuple(np.hstack((none, p[:, :wide], none, p[:, wide:])) for p in road.parts)
    parts = (*own, *others)
    return Equations(parts, (np.zeros(demand.steps),) * len(parts)), size


def reading_errors(
    recording: Recording, driveline: Driveline, demand: Demand, gear: np.ndarray, engine: np.ndarray
) -> Errors:
    """Return the errors that the noise of a recording leaves in speed and torque of each step."""
    channels, plant = recording.channels, pack(driveline)
    highest = float(driveline.engine.full_load.max() + driveline.motor.peak_torque.max())
    if recording.step > COARSE:
        slow = np.array([SLOW_SPEED_ERROR, SLOW_TORQUE_ERROR * highest, 0.0])
        return Errors(*np.repeat(slow[:, None], demand.steps, axis=1))
    share = np.sqrt(min(recording.step / float(np.median(demand.dt)), 1.0))
    speed = np.full(demand.steps, _noise(channels["speed"]))
    if coarse_step(recording.drive.raw.values) and recording.shaft:
        shaft = _noise(channels[recording.shaft]) / plant.ratio[gear]
        speed = shaft * driveline.vehicle.wheel_radius
    pulls, helps = FUEL_ERROR * float(plant.full.max()), 0.0
    if recording.has("engine_torque"):
        pulls = _noise(channels["engine_torque"])
    if recording.has("motor_torque"):
        helps = _noise(channels["motor_torque"])
    both = np.hypot(np.where(engine == OFF, 0.0, pulls), helps)
    both = np.maximum(both, EXACT * highest)
    return Errors(np.maximum(share * speed, LEAST_ERROR), share * both, PERSISTS * both)


def _noise(values: np.ndarray) -> float:
    """Return the noise of a sample: of every second one, as delays that were taken off mix two."""
    return float(np.hypot(*(np.array(noise_size(values[::2])) * (1.0, 1.0 / np.sqrt(12.0)))))


def _torques_of_a_change(
    driveline: Driveline, demand: Demand, gear: np.ndarray, engine: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the torque at the shaft of a m/s more at the end of a step, and of a grade of 1."""
    plant, vehicle = pack(driveline), driveline.vehicle
    radius, ratio = vehicle.wheel_radius, plant.ratio[gear]
    arm = radius / (ratio * plant.efficiency[gear])
    mass = vehicle.total_mass + vehicle.wheel_inertia / radius**2
    change = mass * arm + rotor_inertia(driveline)[engine] * ratio / radius
    return change / demand.dt, vehicle.total_mass * GRAVITY * arm
