"""A speed between its samples' noise, as the torques of engine and motor say the car gained it.

The acceleration of a step is a difference of two speeds, so that a hundredth of a m/s of noise is
some hundred watts. Torques tell the same acceleration without a difference. Both together are the
least squares

    sum (x_i / a)^2 + sum ((c_t (x_(t+1) - x_t) - e_t) / b)^2

over the corrections x of the speeds at the borders of steps, with e the torque that is measured
beyond what the speed asks for, and c the torque of a change of speed.
"""

import dataclasses

import numpy as np
from scipy.linalg import solveh_banded

from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.codes import LOCKED, OFF
from ..physics.demand import Demand, drive_demand
from ..physics.entries import S_CLUTCH
from ..physics.plant import pack
from ..physics.rotors import rotor_inertia
from .decisions import read_decisions
from .fine_speed import MOVING
from .slow_part import slow_part
from .splits import measured_torques
from .step_samples import StepSamples

SPEED_ERROR = 0.01  # m/s, of a speed at the border of a step (assumed)
TORQUE_ERROR = 0.0025  # of the highest torque of engine and motor, of a step's mean (assumed)
WILD = 15.0  # times the median difference, from which on torques and speed do not belong together
UNBRAKED = 4.0  # times the median difference, up to which a motor that brakes does it alone
MOST = 0.3  # m/s, of a correction
LEAST_STEPS = 20


def balanced_cycle(recording: Recording, driveline: Driveline, cycle: Cycle) -> Cycle | None:
    """Return the cycle at the speed that its own samples and the torques say together.

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
    Only what changes within 10 s is corrected: a torque that is wrong throughout, a model or a
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
    beyond = beyond - slow_part(beyond, drives, demand.dt)
    usual = float(np.median(np.abs(beyond[drives])))
    alone = where & ~drives & (plan.engine_class == OFF) & (beyond <= UNBRAKED * usual)
    where = (drives | alone) & (np.abs(beyond) <= WILD * usual)
    off = _corrections(driveline, demand, gear, plan.engine_class, np.where(where, beyond, np.nan))
    off = np.where(cycle.speed > 0.0, np.clip(off, -MOST, MOST), 0.0)
    return dataclasses.replace(cycle, speed=np.maximum(cycle.speed + off, 0.0))


def _corrections(
    driveline: Driveline, demand: Demand, gear: np.ndarray, engine: np.ndarray, beyond: np.ndarray
) -> np.ndarray:
    """Return what the speeds at the borders of steps are corrected by, m/s, (steps + 1,)."""
    plant, vehicle = pack(driveline), driveline.vehicle
    radius, ratio = vehicle.wheel_radius, plant.ratio[gear]
    mass = vehicle.total_mass + vehicle.wheel_inertia / radius**2
    change = mass * radius / (ratio * plant.efficiency[gear])
    change = (change + rotor_inertia(driveline)[engine] * ratio / radius) / demand.dt
    highest = float(plant.full.max() + plant.peak.max())
    weight = np.where(np.isnan(beyond), 0.0, change / (TORQUE_ERROR * highest)) ** 2
    pull = weight * np.nan_to_num(beyond) / change
    size = demand.steps + 1
    bands = np.zeros((2, size))
    bands[1] = 1.0 / SPEED_ERROR**2
    bands[1, :-1] += weight
    bands[1, 1:] += weight
    bands[0, 1:] = -weight
    right = np.zeros(size)
    right[:-1] -= pull
    right[1:] += pull
    return np.asarray(solveh_banded(bands, right))
