"""How much of each braking a motor recuperated, of what it could have."""

import numpy as np

from ..base.intervals import intervals
from ..base.units import GRAVITY
from ..inputs.driveline import Driveline
from ..physics.demand import Demand

ALL = 0.95  # of what can be recuperated in a braking, from which it counts as all
SMALL = 0.06  # s of the motor's peak power: what noise adds to the energy of a braking (by trial)
SMALL_STEP = 0.03  # the same of one step, over its length (by trial)
FAR = 3.0  # errors, from which on a step is not as the braking
GRADE = 0.0015  # standard deviation of a grade that is made of a logged altitude (by trial)


def recuperated(
    torque: np.ndarray,
    lowest: np.ndarray,
    speed: np.ndarray,
    demand: Demand,
    driveline: Driveline,
    braking: np.ndarray,
) -> np.ndarray:
    """Return torques that recuperate the measured share of what the model can in each braking.

    Parameters
    ----------
    torque, lowest, speed
        Of the motor in each step: as measured and the lowest possible, N m; rad/s, (steps,).
    demand, driveline
        The drive and its model.
    braking
        Steps in which the motor brakes by itself.

    Notes
    -----
    The share is that of the whole braking, so that a demand that noise or smoothing has moved from
    step to step is met, drawn towards that of all as far as noise hides it. Steps whose own share
    lies below the braking's by more than noise explains, as where the motor lets go before the car
    stands, count by themselves.
    """
    torque = np.array(torque)
    peak = driveline.motor.peak_power
    weight = GRADE * GRAVITY * driveline.vehicle.total_mass
    work = speed * demand.dt
    done = work * np.where(braking, torque, 0.0)
    could = np.where(braking, work * np.minimum(lowest, 0.0), 0.0)
    one = np.hypot(SMALL_STEP * peak * demand.dt, weight * demand.speed * demand.dt)
    found, shares, errors = [], [], []
    for a, b in intervals(braking):
        steps = np.arange(a, b)[could[a:b] < 0.0]
        while steps.size:  # those that recuperate as the braking does
            share = done[steps].sum() / could[steps].sum()
            away = share - done[steps] / could[steps] > FAR * one[steps] / -could[steps]
            if not away.any():
                break
            steps = steps[~away]
        if not steps.size:
            continue
        most, far = -could[steps].sum(), float(demand.speed[steps] @ demand.dt[steps])
        found.append(steps)
        shares.append(share)
        errors.append(np.hypot(SMALL * peak, weight * far) / most)
    if not found:
        return torque
    for steps, share in zip(found, drawn_together(np.array(shares), np.array(errors)), strict=True):
        torque[steps] = (1.0 if share > ALL else max(share, 0.0)) * lowest[steps]
    return torque


def drawn_together(values: np.ndarray, errors: np.ndarray) -> np.ndarray:
    """Return measured values drawn towards their mean as far as their errors explain the spread.

    Parameters
    ----------
    values, errors
        What was measured, and its standard errors, (n,).

    Notes
    -----
    Random effects: the spread beside the errors by the method of moments (R. DerSimonian, N. Laird,
    *Controlled Clinical Trials* 7, 1986, from memory), then the posterior mean of each.
    """
    weights = errors**-2
    mean = np.average(values, weights=weights)
    beyond = float(weights @ (values - mean) ** 2) - (values.size - 1)
    freedom = float(weights.sum() - (weights @ weights) / weights.sum())
    spread = max(beyond / freedom, 0.0) if freedom > 0.0 else 0.0
    mean = np.average(values, weights=1.0 / (errors**2 + spread))
    return np.asarray(mean + spread / (errors**2 + spread) * (values - mean))
