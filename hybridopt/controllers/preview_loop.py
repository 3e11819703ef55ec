"""Numba kernels of the predictive controller in closed loop: price, open moves, command, steps."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel
from ..physics.entries import (
    R_DT,
    R_SPEED,
    R_WHEEL_ACCELERATION,
    R_WHEEL_SPEED,
    R_WHEEL_TORQUE,
    S_HIGH,
    S_LOW,
)
from .clipping import _situation, _step
from .equivalence_kernels import FACTOR_HIGH, FACTOR_LOW, PROPORTIONAL, _equivalence_factor
from .foreseen import F_ACCELERATION, F_SPEED, F_SPEED_START, F_TORQUE
from .preview_kernels import _best_split, _fill_path, _rests, _running_point, _works
from .reserve_kernels import _must_run
from .shared_kernels import MIN_GEAR, MIN_OFF, MIN_ON, OWN, SOC_REFERENCE
from .shortest_path import Locks, _first_move
from .situation import ENGINE_TIME, GEAR_TIME, Wish, _engine_class, _fill_shaft, _is_open

# the parameters of the factor come before: SoC that motion counts as, s2/m2; g/J of a factor of 1
MOTION, UNIT = range(OWN + 5, OWN + 7)
REACH = 400.0  # s, times a unit of factor per unit of SoC: charge is brought back by the end
LATEST = 20.0  # s, before the end, from where it is brought back no more firmly


@kernel(inline="always")
def _fill_allowed(around, at, rule, obey, must, allowed, work):
    """Fill which engine states and gears are open and possible; return whether any is.

    The rule's own minimum times close as well where they are obeyed, and an engine that must run
    is not off.
    """
    params, memory, some = rule.params, at.memory, False
    least = params[MIN_ON] if at.engine == 1 else params[MIN_OFF]
    held, fixed = memory[ENGINE_TIME] < least, memory[GEAR_TIME] < params[MIN_GEAR]
    for e in range(2):
        engine = _engine_class(around.moves, at, e == 1)
        for g in range(around.plant.ratio.size):
            closed = obey and ((held and e != at.engine) or (fixed and g != at.gear))
            closed = closed or (must and e == 0)
            able = not closed and _is_open(around.moves, at, engine, g)
            able = able and _fill_shaft(around.plant, around.rows[at.t], g, engine, work)
            allowed[e, g] = 1.0 if able else 0.0
            some = some or able
    return some


@kernel(inline="always")
def _fill_wants(row, foreseen, t, wants):
    """Put the present step before what is foreseen."""
    wants[0, F_SPEED], wants[0, F_TORQUE] = row[R_WHEEL_SPEED], row[R_WHEEL_TORQUE]
    wants[0, F_ACCELERATION] = row[R_WHEEL_ACCELERATION]
    start = row[R_WHEEL_SPEED] - 0.5 * row[R_WHEEL_ACCELERATION] * row[R_DT]
    wants[0, F_SPEED_START] = max(start, 0.0)
    for k in range(foreseen.shape[1]):
        for i in range(foreseen.shape[2]):
            wants[k + 1, i] = foreseen[t, k, i]


@kernel(inline="always")
def _price(around, at, params, remaining, dt):
    """Equivalence factor, g/J, by the SoC and what the vehicle's motion counts as.

    Where the end of the drive is known, the missing charge weighs the more the nearer it is.
    """
    speed = around.rows[at.t, R_SPEED]
    motion = params[MOTION] * speed * speed
    factor = _equivalence_factor(around, at, params, motion, dt)
    late = params[UNIT] * REACH / (remaining + LATEST)
    error = params[SOC_REFERENCE] - at.soc - motion
    factor += max(late - params[PROPORTIONAL], 0.0) * error
    return min(max(factor, params[FACTOR_LOW]), params[FACTOR_HIGH])


@kernel
def _preview_command(around, at, rule, preview, work):
    """Engine on, gear and motor torque of the predictive controller."""
    params, memory, row = rule.params, at.memory, around.rows[at.t]
    vehicle, dt, allowed = preview.vehicle, row[R_DT], preview.allowed
    factor = _price(around, at, params, preview.remaining[at.t], dt)
    _fill_wants(row, preview.foreseen, at.t, preview.wants)
    _fill_path(vehicle, preview.path, preview.wants, dt, preview.step, factor)
    must = _must_run(around, at, rule, work)
    if not _fill_allowed(around, at, rule, True, must, allowed, work):
        _fill_allowed(around, at, rule, False, False, allowed, work)
    locks = Locks(
        params[MIN_ON],
        params[MIN_OFF],
        params[MIN_GEAR],
        memory[ENGINE_TIME] + dt,
        memory[GEAR_TIME] + dt,
        dt,
        preview.step,
    )
    state, gear = _first_move(preview.path, allowed, at.engine, at.gear, locks)
    want = preview.wants[0]
    if state < 0:
        return True, at.gear, -np.inf
    if state == 0:
        return False, gear, np.nan if _rests(vehicle, want, gear) else -np.inf
    engine = _engine_class(around.moves, at, True)
    if not _fill_shaft(around.plant, row, gear, engine, work):
        return True, gear, -np.inf
    shaft, wanted = _running_point(vehicle, want, gear)
    works = _works(vehicle, at.engine == 0, dt)
    low, high = work.shaft[S_LOW], work.shaft[S_HIGH]
    return True, gear, _best_split(vehicle, shaft, wanted, works, factor, low, high)


@kernel(borrows=True)
def _preview_loop(around, rule, preview, memory, columns, work, span):
    """Run the predictive controller over the steps of a span, as `_closed_loop` does the others."""
    for t in range(span[0], span[1]):
        at = _situation(around, columns, memory, t)
        on, gear, torque = _preview_command(around, at, rule, preview, work)
        if not _step(around, at, Wish(on, gear, torque), columns, work):
            return t
    return -1
