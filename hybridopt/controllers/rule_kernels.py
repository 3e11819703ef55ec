"""Numba kernel of the rule table: what the C code of an export does, in the same order.

It needs speed, wheel torque and SoC, four values it remembers, six maps, a few constants and those
of the gearbox, nothing of the maps of engine or motor.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

from ..base.compiled import kernel
from ..physics.gearbox import _input_torque
from .maps import _lookup

# a rule table's own parameters: where its maps begin, then constants
START_MAP, STOP_MAP, LIMIT_MAP, SPLIT_MAP, UP_MAP, DOWN_MAP, LAND_UP, LAND_DOWN, MOTION = range(9)
MOTION_SPEED = 100.0 / 3.6  # m/s, at which the charge that motion counts as is stated


class PackedGearbox(NamedTuple):
    """Constants of the gearbox: ratio, efficiency, drag (N m) by gear; speeds of the input, rad/s.

    Torques and speeds are those of the gearbox input.
    """

    ratio: Any
    efficiency: Any
    drag: Any
    idle_speed: float
    highest_speed: float


class PackedTable(NamedTuple):
    """A rule table: its own parameters, minimum times on, off and in gear (s), and maps."""

    own: Any
    times: Any
    maps: Any


class TableInputs(NamedTuple):
    """What a rule table looks at: m/s, rad/s, N m, SoC; engine, gear and time in them before, s."""

    speed: float
    wheel_speed: float
    wheel_torque: float
    soc: float
    engine: int
    gear: int
    engine_time: float
    gear_time: float


@kernel
def _up_line(table, gear, torque, state):
    """Speed at which a gear, from 0, is left upwards."""
    return _lookup(table.maps, table.own[UP_MAP], gear + 1.0, torque, state)


@kernel
def _down_line(table, gear, torque, state):
    """Speed below which a gear, from 0, is left downwards."""
    return _lookup(table.maps, table.own[DOWN_MAP], gear + 1.0, torque, state)


@kernel(inline="always")
def _holds_gear(gearbox, table, seen, on):
    """Whether the minimum time of a gear is not over, and the gear fits the shaft speed.

    Where the engine starts the gear is free: what is held was chosen for the motor alone.
    """
    if on and seen.engine == 0:
        return False
    shaft, moves = seen.wheel_speed * gearbox.ratio[seen.gear], seen.wheel_speed > 0.0
    slow = on and seen.gear > 0 and moves and shaft < gearbox.idle_speed
    return shaft <= gearbox.highest_speed and not slow and seen.gear_time < table.times[2]


@kernel
def _table_gear(gearbox, table, seen, on):
    """Gear by lines of vehicle speed over gear, wheel torque and engine state.

    A gear whose minimum time is not over is held where it fits, but where the engine starts. A
    shift passes over gears that would soon be left again: each next line is moved, by its share of
    landing, towards the line that would lead back.
    """
    own, speed, torque, gear = table.own, seen.speed, seen.wheel_torque, seen.gear
    if _holds_gear(gearbox, table, seen, on):
        return gear
    state, before = (1.0 if on else 0.0), gear
    while gear > 0:
        line = _down_line(table, gear, torque, state)
        if gear < before:
            back = _up_line(table, gear - 1, torque, state)
            line += own[LAND_DOWN] * max(back - line, 0.0)
        if speed >= line:
            break
        gear -= 1
    while gear >= before and gear + 1 < gearbox.ratio.size:
        line = _up_line(table, gear, torque, state)
        if gear > before:
            back = _down_line(table, gear + 1, torque, state)
            line -= own[LAND_UP] * max(line - back, 0.0)
        if speed < line:
            break
        gear += 1
    return gear


@kernel(inline="always")
def _charge(table, seen):
    """State of charge of the tables: the SoC and what motion counts as."""
    return seen.soc + table.own[MOTION] * (seen.speed / MOTION_SPEED) ** 2


@kernel(inline="always")
def _power_line(table, seen):
    """Map of the wheel power that decides on the engine; -1 within a minimum time."""
    if seen.engine == 1:
        return STOP_MAP if seen.engine_time >= table.times[0] else -1
    return START_MAP if seen.engine_time >= table.times[1] else -1


@kernel
def _table_command(gearbox, table, seen):
    """Engine on, gear and motor torque (N m, with the engine on) of a rule table."""
    own, maps, wheel_torque = table.own, table.maps, seen.wheel_torque
    on, charge, line = seen.engine == 1, _charge(table, seen), _power_line(table, seen)
    if line >= 0:
        power = wheel_torque * seen.wheel_speed
        on = power >= _lookup(maps, own[line], seen.speed, charge, 0.0)
    chosen, wanted = seen.gear, 0.0
    for _ in range(2):
        chosen = _table_gear(gearbox, table, seen, on)
        ratio, efficiency = gearbox.ratio[chosen], gearbox.efficiency[chosen]
        wanted = _input_torque(ratio, efficiency, gearbox.drag[chosen], wheel_torque)
        shaft = seen.wheel_speed * ratio
        if on or wanted <= _lookup(maps, own[LIMIT_MAP], shaft, 0.0, 0.0):
            break
        on = True
    if on:
        shaft = max(seen.wheel_speed * gearbox.ratio[chosen], gearbox.idle_speed)
        wanted = _lookup(maps, own[SPLIT_MAP], shaft, wanted, charge)
    return on, chosen, wanted
