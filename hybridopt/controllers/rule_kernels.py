"""Numba kernel of the rule table: what the C code of an export does, in the same order.

It needs speed, wheel torque and SoC, four figures it remembers, six maps and the gearbox's
constants, nothing of the maps of engine or motor. Clear numba's cache after editing `maps.py`.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from numba import njit

from .maps import _lookup

# where a rule table keeps its maps in the controller's parameters, from the first own one
START_MAP, STOP_MAP, LIMIT_MAP, SPLIT_MAP, UP_MAP, DOWN_MAP = range(6)


@njit(cache=True)
def _table_gear(gearbox, lines, maps, wheel_speed, speed, torque, on, gear, free):
    """Gear by lines of vehicle speed over gear, wheel torque and engine state.

    `free` tells whether the least time in gear is over; it does not hold a gear that does not
    fit the shaft speed.
    """
    ratio, idle, fastest = gearbox
    shaft = wheel_speed * ratio[gear]
    fits = shaft <= fastest and (not on or gear == 0 or wheel_speed <= 0.0 or shaft >= idle)
    if fits and not free:
        return gear
    state, before = (1.0 if on else 0.0), gear
    while gear > 0 and speed < _lookup(maps, lines[DOWN_MAP], gear + 1.0, torque, state):
        gear -= 1
    while gear >= before and gear + 1 < ratio.size:
        if speed < _lookup(maps, lines[UP_MAP], gear + 1.0, torque, state):
            break
        gear += 1
    return gear


@njit(cache=True)
def _table_command(gearbox, loss, lines, maps, times, speed, wheel_speed, torque, soc, engine,
                   gear, engine_time, gear_time):  # fmt: skip
    """Engine on, gear and motor torque (N m, with the engine on) of a rule table.

    `gearbox` holds ratios, idle and highest speed; `loss` efficiencies and drag by gear; `times`
    the least times on, off and in gear.
    """
    power = torque * wheel_speed
    on = engine == 1
    if on and engine_time >= times[0]:
        on = power >= _lookup(maps, lines[STOP_MAP], speed, soc, 0.0)
    elif not on and engine_time >= times[1]:
        on = power >= _lookup(maps, lines[START_MAP], speed, soc, 0.0)
    free = gear_time >= times[2]
    chosen, wanted = gear, 0.0
    for _ in range(2):
        chosen = _table_gear(gearbox, lines, maps, wheel_speed, speed, torque, on, gear, free)
        ratio, efficiency, drag = gearbox[0][chosen], loss[0][chosen], loss[1][chosen]
        wanted = torque / (ratio * efficiency) + drag
        if torque < 0.0:
            wanted = torque * efficiency / ratio + drag
        shaft = wheel_speed * ratio
        if on or wanted <= _lookup(maps, lines[LIMIT_MAP], shaft, 0.0, 0.0):
            break
        on = True
    if on:
        shaft = max(wheel_speed * gearbox[0][chosen], gearbox[1])
        wanted = _lookup(maps, lines[SPLIT_MAP], shaft, wanted, soc)
    return on, chosen, wanted
