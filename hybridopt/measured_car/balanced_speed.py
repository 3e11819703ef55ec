"""Speed and grade within their noise, as the torques of engine and motor say the car was driven.

The acceleration of a step is a difference of two speeds, so that a hundredth of a m/s of noise is
some hundred watts; so is the grade that is made of a logged altitude, which half a metre of noise
makes wrong by 0.1 to 0.2 % for some 50 m. Torques tell both without a difference. All together are
the least squares

    sum (x_i / a)^2 + sum ((c_t (x_(t+1) - x_t) + h_t (z_(t+1) + z_t) / 2 - e_t) / b)^2
        + z_0^2 / q^2 + sum (z_(t+1) - k_t z_t)^2 / (q^2 (1 - k_t^2)),   k_t = exp(-s_t / l)

over the corrections x of the speeds and z of the grades at the borders of steps, with e the torque
that is measured beyond what speed and grade ask for, c and h the torques of a change of speed and
of a grade, and an error q of the grade that persists over l of road s.
"""

import dataclasses

import numpy as np
from scipy.linalg import solveh_banded

from ..base.units import GRAVITY
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.codes import LOCKED
from ..physics.demand import Demand, drive_demand
from ..physics.entries import S_CLUTCH
from ..physics.plant import pack
from ..physics.rotors import rotor_inertia
from .channel_noise import ALONG, COARSE
from .decisions import read_decisions
from .fine_speed import MOVING
from .recuperation import GRADE
from .slow_part import slow_part
from .splits import measured_torques
from .step_samples import StepSamples

SPEED_ERROR = 0.01  # m/s, of a speed at the border of a step (assumed)
SLOW_SPEED_ERROR = 0.05  # m/s, the same where each step has a sample or two (by trial)
TORQUE_ERROR = 0.003  # of the highest torque of engine and motor, of a step's mean (assumed)
WILD = 15.0  # times the median difference, from which on torques and speed do not belong together
UNBRAKED = 4.0  # times the median difference, up to which a motor that brakes does it alone
MOST = 0.3  # m/s, of a correction
SLOWLY = 30.0  # s: what lasts longer is left to model and import
LEAST_STEPS = 20
LEAST_WAY = 0.1  # m, of a step


def balanced_cycle(recording: Recording, driveline: Driveline, cycle: Cycle) -> Cycle | None:
    """Return the cycle at the speed and grade that its own samples and the torques say together.

    Parameters
    ----------
    recording, driveline
        The drive and its model.
    cycle
        At the speed of the samples alone.

    Returns
    -------
    Cycle
        None where torques of engine and motor are not told.

    Notes
    -----
    Only what changes within 30 s is corrected: a torque that is wrong throughout, a model or a
    grade that are, leave the speed as it is. So do starts and the brakes: where the motor gives
    less than the speed asks of it while braking, and more than noise makes of that, they act.
    """
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
    where = (drives | alone) & (np.abs(beyond) <= WILD * usual)
    hilly = recording.has("altitude") or recording.has("grade")
    errors = SLOW_SPEED_ERROR if recording.step > COARSE else SPEED_ERROR, GRADE * hilly
    beyond = np.where(where, beyond, np.nan)
    off, steeper = _corrections(driveline, demand, gear, plan.engine_class, beyond, errors)
    off = np.where(cycle.speed > 0.0, np.clip(off, -MOST, MOST), 0.0)
    speed = np.maximum(cycle.speed + off, 0.0)
    return dataclasses.replace(cycle, speed=speed, grade=cycle.grade + steeper)


def _corrections(
    driveline: Driveline,
    demand: Demand,
    gear: np.ndarray,
    engine: np.ndarray,
    beyond: np.ndarray,
    errors: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray]:
    """Return what speeds (m/s) and grades at the borders of steps are corrected by, (steps + 1,).

    `beyond` is NaN where torques tell nothing, `errors` are those of speed and grade, a and q.
    """
    error, doubt = errors
    change, climb = _torques_of_a_change(driveline, demand, gear, engine)
    highest = float(driveline.engine.full_load.max() + driveline.motor.peak_torque.max())
    told = np.where(np.isnan(beyond), 0.0, 1.0) / (TORQUE_ERROR * highest)
    half = 0.5 * climb * doubt
    rows = np.stack((-change * error, half, change * error, half), axis=1)
    rows *= told[:, None]  # of speed and grade in their errors, at both borders of a step
    keep = np.exp(-np.maximum(demand.speed * demand.dt, LEAST_WAY) / ALONG)
    new = 1.0 / (1.0 - keep**2)
    prior = np.zeros((demand.steps, 4, 4))
    prior[:, 1, 1], prior[:, 1, 3], prior[:, 3, 3] = keep**2 * new, -keep * new, new
    bands, right = np.zeros((4, 2 * demand.steps + 2)), np.zeros(2 * demand.steps + 2)
    bands[3, ::2], bands[3, 1] = 1.0, 1.0
    pull = told * np.nan_to_num(beyond)
    first = 2 * np.arange(demand.steps)
    for i in range(4):
        np.add.at(right, first + i, rows[:, i] * pull)
        for j in range(i, 4):
            np.add.at(bands[3 + i - j], first + j, rows[:, i] * rows[:, j] + prior[:, i, j])
    found = solveh_banded(bands, right)
    return error * found[::2], doubt * found[1::2]


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
