"""Numba kernels of a shortest path over engine state and gear, the present step first.

Each interval has a least cost by gear and engine class, and what shifts cost; behind the last one
stands a cost-to-go. No memory is taken but what is handed in.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.codes import OFF, RUNNING, STARTING


class Path(NamedTuple):
    """The intervals of a shortest path, the present step first, and room for its values.

    Attributes
    ----------
    stage : g, (intervals, gears, 3 engine classes), least cost of each, a start included
    square : rad2/s2, (intervals,), wheel speed at the start of each, squared
    may_stop, may_shift : (intervals,), 1 or 0
    shift_fuel : g s2/rad2, (3 engine classes, gears, gears), of a shift over that square
    shift_cost : g, (gears, gears), of a shift in any case
    value : g, (2, 2 engine states, gears), cost-to-go; that of the end is in the first at first
    end : g, (2 engine states, gears), expected after the last interval
    """

    stage: Any
    square: Any
    may_stop: Any
    may_shift: Any
    shift_fuel: Any
    shift_cost: Any
    value: Any
    end: Any


class Locks(NamedTuple):
    """Minimum times on, off and in a gear, and the time in engine state and gear after the step, s.

    `step` is the length of a foreseen interval, s.
    """

    on: float
    off: float
    gear: float
    engine_time: float
    gear_time: float
    dt: float
    step: float


def make_path(intervals: int, shift_fuel: np.ndarray, shift_cost: np.ndarray) -> Path:
    """Return room for the path of some intervals, the present step among them.

    Parameters
    ----------
    intervals
        How many, 1 or more.
    shift_fuel, shift_cost
        What shifts cost, as in :class:`Path`.
    """
    gears = shift_cost.shape[0]
    return Path(
        stage=np.zeros((intervals, gears, 3)),
        square=np.zeros(intervals),
        may_stop=np.ones(intervals),
        may_shift=np.ones(intervals),
        shift_fuel=np.ascontiguousarray(shift_fuel, dtype=np.float64),
        shift_cost=np.ascontiguousarray(shift_cost, dtype=np.float64),
        value=np.zeros((2, 2, gears)),
        end=np.zeros((2, gears)),
    )


@kernel
def _best_move(path, k, gear, engine, ahead):
    """Least cost of an interval and what is ahead by one engine class, from a gear."""
    best, square = np.inf, path.square[k]
    state = 0 if engine == OFF else 1
    if path.may_shift[k] == 0.0:
        return path.stage[k, gear, engine] + ahead[state, gear]
    for g in range(path.shift_cost.shape[0]):
        shift = path.shift_cost[gear, g] + path.shift_fuel[engine, gear, g] * square
        best = min(best, path.stage[k, g, engine] + shift + ahead[state, g])
    return best


@kernel
def _look_ahead(path, first, engine_lock, gear_lock):
    """Least cost from the start of interval `first` on by engine state and gear.

    No start or stop is made in the first `engine_lock` intervals from there on, and no shift in the
    first `gear_lock`. Returns which of the two values of the path holds it.
    """
    here, last = 0, path.stage.shape[0]
    for e in range(2):
        for g in range(path.shift_cost.shape[0]):
            path.value[0, e, g] = path.end[e, g]
    for k in range(last - 1, first - 1, -1):
        ahead, value = path.value[here], path.value[1 - here]
        held = k < first + engine_lock
        for g in range(path.shift_cost.shape[0]):
            _choose(path, k, g, held, k < first + gear_lock, ahead, value)
        here = 1 - here
    return here


@kernel
def _choose(path, k, gear, held, fixed, ahead, value):
    """Fill the value of a gear with the engine off and on, before interval `k`."""
    if fixed:
        off = path.stage[k, gear, OFF] + ahead[0, gear]
        run = path.stage[k, gear, RUNNING] + ahead[1, gear]
        start = path.stage[k, gear, STARTING] + ahead[1, gear]
    else:
        off = _best_move(path, k, gear, OFF, ahead)
        run = _best_move(path, k, gear, RUNNING, ahead)
        start = _best_move(path, k, gear, STARTING, ahead)
    value[0, gear] = off if held else min(off, start)
    value[1, gear] = run if held or path.may_stop[k] == 0.0 else min(run, off)


@kernel(inline="always")
def _locked(least, time, step):
    """How many intervals of a length are left of a minimum time."""
    return int(max(np.ceil((least - time) / step - 1e-9), 0.0))


@kernel
def _first_move(path, allowed, engine, gear, locks):
    """Engine state and gear of the present step on the shortest path; -1 where nothing is allowed.

    `allowed` (2 engine states, gears) says which are open now. In what is foreseen, the minimum
    times after the present decision hold, those after later decisions do not.
    """
    best, best_engine, best_gear = np.inf, -1, gear
    held, fixed, here = -1, -1, 0
    for e in range(2):
        least = locks.on if e == 1 else locks.off
        hold = _locked(least, locks.dt if e != engine else locks.engine_time, locks.step)
        now = OFF if e == 0 else (RUNNING if engine == 1 else STARTING)
        for shifts in range(2):
            fix = _locked(locks.gear, locks.dt if shifts else locks.gear_time, locks.step)
            if hold != held or fix != fixed:
                held, fixed = hold, fix
                here = _look_ahead(path, 1, held, fixed)
            for g in range(path.shift_cost.shape[0]):
                if allowed[e, g] == 0.0 or (g != gear) != (shifts == 1):
                    continue
                total = path.stage[0, g, now] + path.value[here, e, g]
                total += path.shift_cost[gear, g]
                total += path.shift_fuel[now, gear, g] * path.square[0]
                if total < best:
                    best, best_engine, best_gear = total, e, g
    return best_engine, best_gear
