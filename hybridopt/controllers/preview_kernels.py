"""Numba kernels of the predictive controller: what intervals cost, by its maps.

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
from .shortest_path import Path, make_path

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
SHORT = 0.5  # g/(N m s), charged for torque at the gearbox input that is lacking
IMPOSSIBLE = 1e6  # g, stands for what is impossible, so that no sum is infinite


class PreviewVehicle(NamedTuple):
    """What the controller knows of the vehicle.

    Attributes
    ----------
    ratio, efficiency, drag : of the gears, (gears,); drag in N m at the gearbox input
    shift_fuel, shift_cost : of shifts, as in `shortest_path.py`
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


class PackedPreview(NamedTuple):
    """What the predictive controller knows and foresees, and room for its work.

    Attributes
    ----------
    vehicle : maps and constants
    path : room for the path, the present step first
    foreseen : (steps, intervals, F_SIZE), see `foreseen.py`
    remaining : s, (steps,), time from each step to the end of the drive; infinite if unknown
    wants : (intervals + 1, F_SIZE), room for the present step and what is foreseen
    allowed : (2 engine states, gears), room for what is open in the present step
    step : s, length of an interval
    """

    vehicle: PreviewVehicle
    path: Path
    foreseen: Any
    remaining: Any
    wants: Any
    allowed: Any
    step: float


def make_preview(
    vehicle: PreviewVehicle, foreseen: np.ndarray, remaining: np.ndarray, step: float
) -> PackedPreview:
    """Return what is foreseen in a drive with room for the work of one controller."""
    intervals, gears = foreseen.shape[1], vehicle.ratio.size
    return PackedPreview(
        vehicle,
        make_path(intervals + 1, vehicle.shift_fuel, vehicle.shift_cost),
        foreseen,
        remaining,
        np.zeros((intervals + 1, F_SIZE)),
        np.zeros((2, gears)),
        step,
    )


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
def _fill_path(vehicle, path, wants, dt, step, factor):
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
