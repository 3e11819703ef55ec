"""Numba kernels of the predictive controller: the shortest path through what is foreseen.

The decisions are engine off or on and the gear, of the present step and of each foreseen interval.
All that they need are maps, constants of gearbox and vehicle, and what a controller measures.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.codes import OFF, RUNNING, STARTING
from ..physics.gearbox import _input_torque
from .foreseen import F_ACCELERATION, F_SIZE, F_SPEED, F_SPEED_START, F_TORQUE
from .maps import _lookup, _weight

# where each map begins
(
    MOTOR_POWER,
    FUEL,
    RUNNING_COST,
    START_COST,
    OFF_LIMIT,
    RUNNING_LIMIT,
    START_LIMIT,
    OVERRUN,
    DRAG,
    EXPECTED,
    MAPS,
) = range(11)
# constants of the vehicle
(
    RADIUS,
    IDLE,
    HIGHEST,
    MOTOR_HIGHEST,
    LAUNCH_SPEED,
    LAUNCH_CAPACITY,
    LAUNCH_GEARS,
    PUMP_SPEED,
    RECUPERATED,
    FADE_LOW,
    FADE_HIGH,
    INERTIA_OFF,
    INERTIA_ON,
    REST_POWER,
    COAST_POWER,
    PUMP_POWER,
    IDLE_POWER,
    START_DURATION,
    STOP_SPEED,
    BRAKE_SHIFT,
    START_EXTRA,
    CONSTANTS,
) = range(22)
MOTION_SPEED = 100.0 / 3.6  # m/s, at which the charge that motion counts as is stated
SHORT = 0.5  # g/(N m s), charged for torque at the gearbox input that is lacking
IMPOSSIBLE = 1e6  # g, stands for what is impossible, so that no sum is infinite


class PreviewVehicle(NamedTuple):
    """What the controller knows of the vehicle.

    Attributes
    ----------
    ratio, efficiency, drag : of the gears, (gears,); drag in N m at the gearbox input
    shift_fuel : g s2/rad2, (3 engine classes, gears, gears), of a shift at a wheel speed, squared
    shift_cost : g, (gears, gears), of a shift in any case
    constants : the constants above, (CONSTANTS,)
    begins : where each map begins, (MAPS,), int64
    maps : all of them, packed
    """

    ratio: Any
    efficiency: Any
    drag: Any
    shift_fuel: Any
    shift_cost: Any
    constants: Any
    begins: Any
    maps: Any


class Path(NamedTuple):
    """The intervals of a shortest path, the present step first, and room for its values.

    Attributes
    ----------
    stage : g, (intervals, gears, 3 engine classes), least cost of each, a start included
    square : rad2/s2, (intervals,), wheel speed at the start of each, squared
    may_stop, may_shift : (intervals,), 1 or 0
    value : g, (2, 2 engine states, gears), cost-to-go; that of the end is in the first at first
    end : g, (2 engine states, gears), expected after the last interval
    """

    stage: Any
    square: Any
    may_stop: Any
    may_shift: Any
    value: Any
    end: Any


class PackedPreview(NamedTuple):
    """What the predictive controller knows and foresees, and room for its work.

    Attributes
    ----------
    vehicle : maps and constants
    path : room for the path, the present step first
    foreseen : (steps, intervals, F_SIZE), see `foreseen.py`
    wants : (intervals + 1, F_SIZE), room for the present step and what is foreseen
    allowed : (2 engine states, gears), room for what is open in the present step
    step : s, length of an interval
    """

    vehicle: PreviewVehicle
    path: Path
    foreseen: Any
    wants: Any
    allowed: Any
    step: float


def make_path(intervals: int, gears: int) -> Path:
    """Return room for the path of some intervals."""
    return Path(
        stage=np.zeros((intervals, gears, 3)),
        square=np.zeros(intervals),
        may_stop=np.ones(intervals),
        may_shift=np.ones(intervals),
        value=np.zeros((2, 2, gears)),
        end=np.zeros((2, gears)),
    )


def make_preview(vehicle: PreviewVehicle, foreseen: np.ndarray, step: float) -> PackedPreview:
    """Return what is foreseen in a drive with room for the work of one controller."""
    intervals, gears = foreseen.shape[1], vehicle.ratio.size
    return PackedPreview(
        vehicle,
        make_path(intervals + 1, gears),
        foreseen,
        np.zeros((intervals + 1, F_SIZE)),
        np.zeros((2, gears)),
        step,
    )


NO_VEHICLE = PreviewVehicle(
    *(np.zeros(0) for _ in range(3)),
    np.zeros((3, 0, 0)),
    np.zeros((0, 0)),
    np.zeros(CONSTANTS),
    np.zeros(MAPS, dtype=np.int64),
    np.zeros(1),
)
NO_PREVIEW = make_preview(NO_VEHICLE, np.zeros((0, 0, F_SIZE)), 1.0)
"""For controllers that foresee nothing."""


@kernel
def _fade(constants, speed):
    """Share of braking that recuperation keeps at low speed with the engine off."""
    low, high = constants[FADE_LOW], constants[FADE_HIGH]
    if high <= 0.0 or speed >= high:
        return 1.0
    return max(speed - low, 0.0) / (high - low)


@kernel
def _off_point(vehicle, want, gear):
    """Speed and torque wanted at the gearbox input with the engine off, locked."""
    c, wheel, ratio = vehicle.constants, want[F_TORQUE], vehicle.ratio[gear]
    if wheel < 0.0:
        wheel *= c[RECUPERATED] * _fade(c, want[F_SPEED] * c[RADIUS])
    wanted = _input_torque(ratio, vehicle.efficiency[gear], vehicle.drag[gear], wheel)
    return want[F_SPEED] * ratio, wanted + c[INERTIA_OFF] * want[F_ACCELERATION] * ratio


@kernel
def _off_cost(vehicle, want, gear, factor):
    """Cost rate of an interval with the engine off, g/s."""
    c, maps, begins, torque = vehicle.constants, vehicle.maps, vehicle.begins, want[F_TORQUE]
    if want[F_SPEED] <= 0.0:
        return factor * c[REST_POWER]
    shaft, wanted = _off_point(vehicle, want, gear)
    if shaft > c[MOTOR_HIGHEST]:
        return IMPOSSIBLE
    if shaft < c[PUMP_SPEED]:
        return factor * c[COAST_POWER] if torque <= 0.0 else IMPOSSIBLE
    short = max(wanted - _lookup(maps, begins[OFF_LIMIT], shaft, 0.0, 0.0), 0.0)
    power = _lookup(maps, begins[MOTOR_POWER], shaft, wanted, 0.0) + c[PUMP_POWER]
    if torque <= 0.0:
        power = min(power, c[COAST_POWER])
    return factor * power + SHORT * short


@kernel
def _rests(vehicle, want, gear):
    """Whether the motor had better rest with the engine off: braking, and little is to be had."""
    shaft, wanted = _off_point(vehicle, want, gear)
    if want[F_SPEED] <= 0.0 or shaft < vehicle.constants[PUMP_SPEED]:
        return True
    power = _lookup(vehicle.maps, vehicle.begins[MOTOR_POWER], shaft, wanted, 0.0)
    c = vehicle.constants
    return want[F_TORQUE] <= 0.0 and power + c[PUMP_POWER] >= c[COAST_POWER]


@kernel
def _running_point(vehicle, want, gear):
    """Speed and torque wanted at the gearbox input with the engine on; NaN where impossible."""
    c, torque = vehicle.constants, want[F_TORQUE]
    ratio, efficiency, drag = vehicle.ratio[gear], vehicle.efficiency[gear], vehicle.drag[gear]
    shaft = want[F_SPEED] * ratio
    if want[F_SPEED] <= 0.0 or (shaft < c[IDLE] and torque <= 0.0):
        return c[IDLE], 0.0
    if shaft > c[HIGHEST]:
        return np.nan, 0.0
    wanted = _input_torque(ratio, efficiency, drag, torque)
    if shaft < c[IDLE]:
        slips = gear < c[LAUNCH_GEARS] and wanted <= c[LAUNCH_CAPACITY]
        return c[LAUNCH_SPEED] if slips else np.nan, wanted
    inertia = c[INERTIA_ON] * want[F_ACCELERATION] * ratio
    if torque >= 0.0:
        return shaft, wanted + inertia
    kept = _input_torque(ratio, efficiency, drag, c[RECUPERATED] * torque) + inertia
    overrun = _lookup(vehicle.maps, vehicle.begins[OVERRUN], shaft, 0.0, 0.0)
    return shaft, max(wanted + inertia, min(kept, overrun))


@kernel
def _fill_stage(vehicle, want, factor, dt, stage):
    """Fill the least cost of an interval, g, in every gear and engine class."""
    maps, begins = vehicle.maps, vehicle.begins
    for g in range(vehicle.ratio.size):
        stage[g, OFF] = _off_cost(vehicle, want, g, factor) * dt
        shaft, wanted = _running_point(vehicle, want, g)
        if np.isnan(shaft):
            stage[g, RUNNING], stage[g, STARTING] = IMPOSSIBLE, IMPOSSIBLE
            continue
        cost = _lookup(maps, begins[RUNNING_COST], shaft, wanted, factor) * dt
        most = _lookup(maps, begins[RUNNING_LIMIT], shaft, 0.0, 0.0)
        stage[g, RUNNING] = cost + SHORT * max(wanted - most, 0.0) * dt
        most = min(most, _lookup(maps, begins[START_LIMIT], shaft, 0.0, 0.0))
        start = _lookup(maps, begins[START_COST], shaft, wanted, factor)
        start += vehicle.constants[START_EXTRA]
        stage[g, STARTING] = cost + start + SHORT * max(wanted - most, 0.0) * dt


@kernel
def _fill_end(vehicle, speed, acceleration, end):
    """Fill the cost-to-go expected at a speed and acceleration, g, (2 engine states, gears)."""
    maps, begin = vehicle.maps, int(vehicle.begins[EXPECTED])
    n1, n2, size = int(maps[begin]), int(maps[begin + 1]), int(maps[begin + 2])
    axis, gears = begin + 3, end.shape[1]
    i, u = _weight(maps, axis, n1, speed)
    j, v = _weight(maps, axis + n1, n2, acceleration)
    values = axis + n1 + n2 + size
    for e in range(2):
        for g in range(gears):
            end[e, g] = 0.0
    for corner in range(4):
        a, b = corner // 2, corner % 2
        share = (u if a else 1.0 - u) * (v if b else 1.0 - v)
        place = values + ((i + a) * n2 + j + b) * size
        for e in range(2):
            for g in range(gears):
                if share > 0.0:
                    end[e, g] += share * maps[place + e * gears + g]


@kernel
def _best_move(vehicle, path, k, gear, engine, ahead):
    """Least cost of an interval and what is ahead by one engine class, from a gear."""
    best, square = np.inf, path.square[k]
    state = 0 if engine == OFF else 1
    if path.may_shift[k] == 0.0:
        return path.stage[k, gear, engine] + ahead[state, gear]
    for g in range(vehicle.ratio.size):
        shift = vehicle.shift_cost[gear, g] + vehicle.shift_fuel[engine, gear, g] * square
        best = min(best, path.stage[k, g, engine] + shift + ahead[state, g])
    return best


@kernel
def _look_ahead(vehicle, path, first, engine_lock, gear_lock):
    """Least cost from the start of interval `first` on by engine state and gear.

    No start or stop is made in the first `engine_lock` intervals from there on, and no shift in the
    first `gear_lock`. Returns which of the two values of the path holds it.
    """
    here, last = 0, path.stage.shape[0]
    for e in range(2):
        for g in range(vehicle.ratio.size):
            path.value[0, e, g] = path.end[e, g]
    for k in range(last - 1, first - 1, -1):
        ahead, value = path.value[here], path.value[1 - here]
        held = k < first + engine_lock
        for g in range(vehicle.ratio.size):
            _choose(vehicle, path, k, g, held, k < first + gear_lock, ahead, value)
        here = 1 - here
    return here


@kernel
def _choose(vehicle, path, k, gear, held, fixed, ahead, value):
    """Fill the value of a gear with the engine off and on, before interval `k`."""
    if fixed:
        off = path.stage[k, gear, OFF] + ahead[0, gear]
        run = path.stage[k, gear, RUNNING] + ahead[1, gear]
        start = path.stage[k, gear, STARTING] + ahead[1, gear]
    else:
        off = _best_move(vehicle, path, k, gear, OFF, ahead)
        run = _best_move(vehicle, path, k, gear, RUNNING, ahead)
        start = _best_move(vehicle, path, k, gear, STARTING, ahead)
    value[0, gear] = off if held else min(off, start)
    value[1, gear] = run if held or path.may_stop[k] == 0.0 else min(run, off)


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


@kernel(inline="always")
def _locked(least, time, step):
    """How many intervals of a length are left of a minimum time."""
    return int(max(np.ceil((least - time) / step - 1e-9), 0.0))


@kernel
def _first_move(vehicle, path, allowed, engine, gear, locks):
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
                here = _look_ahead(vehicle, path, 1, held, fixed)
            for g in range(vehicle.ratio.size):
                if allowed[e, g] == 0.0 or (g != gear) != (shifts == 1):
                    continue
                total = path.stage[0, g, now] + path.value[here, e, g]
                total += vehicle.shift_cost[gear, g]
                total += vehicle.shift_fuel[now, gear, g] * path.square[0]
                if total < best:
                    best, best_engine, best_gear = total, e, g
    return best_engine, best_gear


@kernel
def _split_cost(vehicle, shaft, wanted, works, factor, torque):
    """Cost rate of a motor torque with the engine on, g/s; NaN is the unpowered motor.

    The engine works for a share `works` of the step and gives what is left of the torque wanted.
    """
    maps, begins = vehicle.maps, vehicle.begins
    power = vehicle.constants[IDLE_POWER]
    if np.isnan(torque):
        torque = -_lookup(maps, begins[DRAG], shaft, 0.0, 0.0)
    else:
        power = _lookup(maps, begins[MOTOR_POWER], shaft, torque, 0.0)
    if works <= 0.0:
        return factor * power
    engine = (wanted - torque) / works
    fuel = _lookup(maps, begins[FUEL], shaft, max(engine, 0.0), 0.0)
    if engine < 0.0:
        fuel *= max(1.0 - engine / _lookup(maps, begins[OVERRUN], shaft, 0.0, 0.0), 0.0)
    return works * fuel + factor * power


@kernel
def _best_split(vehicle, shaft, wanted, works, factor, low, high):
    """Motor torque of the best split between two torques, N m; NaN is the unpowered motor.

    Cost is nearly linear between the breakpoints of both machines' maps, so they are tried, and
    both ends.
    """
    maps, motor, engine = vehicle.maps, vehicle.begins[MOTOR_POWER], vehicle.begins[FUEL]
    axis = motor + 3 + int(maps[motor])
    tried, torques = int(maps[motor + 1]), int(maps[engine + 1])
    fuel_axis = engine + 3 + int(maps[engine])
    best, least = np.nan, _split_cost(vehicle, shaft, wanted, works, factor, np.nan)
    drag = _lookup(maps, vehicle.begins[DRAG], shaft, 0.0, 0.0)
    if not low <= -drag <= high:
        least = np.inf
    for i in range(tried + torques + 3):
        torque = low if i == 0 else high
        if i == 2:
            torque = wanted - works * _lookup(maps, vehicle.begins[OVERRUN], shaft, 0.0, 0.0)
        elif i >= 3 + tried:
            torque = wanted - works * maps[fuel_axis + i - 3 - tried]
        elif i > 2:
            torque = maps[axis + i - 3]
        if not low <= torque <= high:
            continue
        cost = _split_cost(vehicle, shaft, wanted, works, factor, torque)
        if cost < least:
            best, least = torque, cost
    return best


@kernel
def _works(vehicle, starts, dt):
    """Share of a step in which the engine works."""
    if not starts:
        return 1.0
    return max(1.0 - vehicle.constants[START_DURATION] / dt, 0.0)


@kernel
def _foresee_costs(vehicle, path, wants, dt, step, factor):
    """Fill the path: costs of the present step, of each foreseen interval and behind them."""
    c, last = vehicle.constants, wants.shape[0] - 1
    for k in range(wants.shape[0]):
        want = wants[k]
        _fill_stage(vehicle, want, factor, dt if k == 0 else step, path.stage[k])
        speed, torque = want[F_SPEED] * c[RADIUS], want[F_TORQUE]
        path.square[k] = want[F_SPEED_START] * want[F_SPEED_START]
        path.may_stop[k] = 1.0 if speed <= c[STOP_SPEED] else 0.0
        brakes = want[F_SPEED_START] > 0.0 and torque < 0.0 and speed < c[BRAKE_SHIFT]
        path.may_shift[k] = 0.0 if brakes else 1.0
    want = wants[last]
    speed, acceleration = want[F_SPEED] * c[RADIUS], want[F_ACCELERATION] * c[RADIUS]
    _fill_end(vehicle, speed, acceleration, path.end)
