"""Numba kernels of the reserve for a start: the engine runs while a start could come too late."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel
from ..physics.codes import STARTING
from ..physics.entries import R_DT, R_WHEEL_SPEED, R_WHEEL_TORQUE
from .clipping import NO_WINDOW, _settle
from .shared_kernels import START_RESERVE
from .situation import TorqueSpan, _battery_step


@kernel
def _start_carries(around, at, torque, work):
    """Whether a step of starting could give a torque at the wheels here, in any gear."""
    row, gears = around.rows[at.t], around.plant.ratio.size
    asked = row[R_WHEEL_TORQUE]
    row[R_WHEEL_TORQUE] = torque
    battery = _battery_step(around.cell, at.soc, row[R_DT], -NO_WINDOW, NO_WINDOW)
    carries, span = False, TorqueSpan(0.0, np.inf)
    for i in range(gears):
        gear = (at.gear + i) % gears
        if not np.isnan(_settle(around.plant, row, gear, STARTING, 0.0, battery, span, work)[2]):
            carries = True
            break
    row[R_WHEEL_TORQUE] = asked
    return carries


@kernel
def _must_run(around, at, rule, work):
    """Whether the engine has to run, since a start in the next step might lack power.

    That is so where a step of starting could not give what the wheels ask for now, or asked for a
    step ago, and the reserve. An engine that is off is started as long as a start is in time.
    """
    now, before = around.rows[at.t, R_WHEEL_TORQUE], around.rows[max(at.t - 1, 0), R_WHEEL_TORQUE]
    wanted = (1.0 + rule.params[START_RESERVE]) * max(now, before)
    rests = around.rows[at.t, R_WHEEL_SPEED] == 0.0
    if rests or wanted <= 0.0 or _start_carries(around, at, wanted, work):
        return False
    return at.engine == 1 or _start_carries(around, at, now, work)
