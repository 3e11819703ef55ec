"""Closed loops on made-up demands, for tests of controllers."""

import numpy as np
from makers import plain_driveline, wanted

from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.problem.settings import Settings

PLAIN = plain_driveline()


def closed_loop(demand, driveline=PLAIN, **options):
    """Return a closed loop; SoC from 50 % in a window of 20 to 80 % unless given."""
    return ClosedLoop(driveline, demand, Settings(**options).resolved(driveline))


def steady(steps, speed=15.0, wheel_torque=300.0):
    """Return the demand of equal steps."""
    return wanted(np.full(steps, speed), np.full(steps, wheel_torque))


def bumpy(steps=120, seed=1):
    """Return the demand of a drive with stops, launches, hills and braking."""
    random = np.random.default_rng(seed)
    acceleration = np.repeat(random.normal(0.0, 0.7, steps // 4 + 1), 4)[:steps]
    speed = np.zeros(steps + 1)
    for t in range(steps):
        speed[t + 1] = min(max(speed[t] + acceleration[t], 0.0), 30.0)
    mean, rate = 0.5 * (speed[1:] + speed[:-1]), np.diff(speed)
    torque = np.where(mean > 0.0, 1500 * 0.3 * rate + 45.0 + 0.12 * mean**2, 0.0)
    return wanted(mean, torque, rate)
