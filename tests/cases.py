"""Closed loops on made-up demands, and built-in controllers asked from Python."""

import numpy as np
from makers import plain_driveline, wanted

from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.controllers.kernels import _decide
from hybridopt.controllers.situation import Wish, _make_workspace
from hybridopt.controllers.standard import names
from hybridopt.problem.settings import Settings

PLAIN = plain_driveline()
RULES = {name: make for name, make in names().items() if name != "preview"}
"""The standard controllers that know the present step only, and need no maps."""


def closed_loop(demand, driveline=PLAIN, **options):
    """Return a closed loop; engine off, SoC from 50 % in a window of 20 to 80 % unless given."""
    settings = Settings(**{"engine_on_start": False} | options)
    return ClosedLoop(driveline, demand, settings.resolved(driveline))


def stepwise(loop, controller):
    """Drive a built-in controller as a user's is driven: asked from Python, step by step."""
    packed = controller.pack(loop.driveline, loop.settings)
    work, parts = _make_workspace(loop.around.plant), loop._parts(packed)
    (_, end), points = next(parts)
    journey = loop._journey()

    def wish(at):
        nonlocal end, points
        if at.t >= end:
            (_, end), points = next(parts)
        now = journey.points(points, at.t, at.t + 1)
        return Wish(*_decide(journey.around, at, packed, now, work))

    return loop._run_asked(journey, wish)


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
