"""Numba kernel of the rule table: what the C code of an export does, in the same order.

It needs speed, wheel torque and SoC, four figures it remembers, six maps, a few constants and those
of the gearbox, nothing of the maps of engine or motor. Clear numba's cache after editing `maps.py`.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from ..base.compiled import kernel
from ..physics.gearbox import _input_torque
from .maps import _lookup

# a rule table's own parameters: where its maps begin, then constants
START_MAP, STOP_MAP, LIMIT_MAP, SPLIT_MAP, UP_MAP, DOWN_MAP, LAND_UP, LAND_DOWN, MOTION = range(9)
MOTION_SPEED = 100.0 / 3.6  # m/s, at which the charge that motion counts as is stated


@kernel
def _up_line(own, maps, gear, torque, state):
    """Speed at which a gear, from 0, is left upwards."""
    return _lookup(maps, own[UP_MAP], gear + 1.0, torque, state)


@kernel
def _down_line(own, maps, gear, torque, state):
    """Speed below which a gear, from 0, is left downwards."""
    return _lookup(maps, own[DOWN_MAP], gear + 1.0, torque, state)


@kernel
def _table_gear(gearbox, own, maps, wheel_speed, speed, torque, on, gear, free):
    """Gear by lines of vehicle speed over gear, wheel torque and engine state.

    `free` tells whether the least time in gear is over; it does not hold a gear that does not
    fit the shaft speed. A shift goes on over gears that would soon be left again: each next line
    is moved, by its share of landing, towards the line that would lead back.
    """
    ratio, idle, fastest = gearbox
    shaft = wheel_speed * ratio[gear]
    fits = shaft <= fastest and (not on or gear == 0 or wheel_speed <= 0.0 or shaft >= idle)
    if fits and not free:
        return gear
    state, before = (1.0 if on else 0.0), gear
    while gear > 0:
        line = _down_line(own, maps, gear, torque, state)
        if gear < before:
            back = _up_line(own, maps, gear - 1, torque, state)
            line += own[LAND_DOWN] * max(back - line, 0.0)
        if speed >= line:
            break
        gear -= 1
    while gear >= before and gear + 1 < ratio.size:
        line = _up_line(own, maps, gear, torque, state)
        if gear > before:
            back = _down_line(own, maps, gear + 1, torque, state)
            line -= own[LAND_UP] * max(line - back, 0.0)
        if speed < line:
            break
        gear += 1
    return gear


@kernel
def _table_command(
    gearbox,
    loss,
    own,
    maps,
    times,
    speed,
    wheel_speed,
    torque,
    soc,
    engine,
    gear,
    engine_time,
    gear_time,
):
    """Engine on, gear and motor torque (N m, with the engine on) of a rule table.

    `gearbox` holds ratios, idle and highest speed; `loss` efficiencies and drag by gear; `own` the
    table's own parameters; `times` the least times on, off and in gear.
    """
    power = torque * wheel_speed
    charge = soc + own[MOTION] * (speed / MOTION_SPEED) ** 2
    on = engine == 1
    if on and engine_time >= times[0]:
        on = power >= _lookup(maps, own[STOP_MAP], speed, charge, 0.0)
    elif not on and engine_time >= times[1]:
        on = power >= _lookup(maps, own[START_MAP], speed, charge, 0.0)
    free = gear_time >= times[2]
    chosen, wanted = gear, 0.0
    for _ in range(2):
        chosen = _table_gear(gearbox, own, maps, wheel_speed, speed, torque, on, gear, free)
        ratio, efficiency, drag = gearbox[0][chosen], loss[0][chosen], loss[1][chosen]
        wanted = _input_torque(ratio, efficiency, drag, torque)
        shaft = wheel_speed * ratio
        if on or wanted <= _lookup(maps, own[LIMIT_MAP], shaft, 0.0, 0.0):
            break
        on = True
    if on:
        shaft = max(wheel_speed * gearbox[0][chosen], gearbox[1])
        wanted = _lookup(maps, own[SPLIT_MAP], shaft, wanted, charge)
    return on, chosen, wanted
