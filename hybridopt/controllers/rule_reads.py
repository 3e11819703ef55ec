"""Which values of rule tables a drive reads, and for how long.

A value is read where a lookup gives it a weight above zero. A drive stays as it is, to the bit,
when values change that it does not read.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.entries import R_DT, R_SPEED, R_WHEEL_SPEED, R_WHEEL_TORQUE
from ..physics.gearbox import _input_torque
from ..physics.operating_points import demand_rows
from .closed_loop import ClosedLoop, Drive
from .kernels import _gearbox_of, _table_inputs
from .maps import _lookup, _weight
from .rule_kernels import (
    DOWN_MAP,
    LIMIT_MAP,
    SPLIT_MAP,
    UP_MAP,
    PackedTable,
    _charge,
    _holds_gear,
    _power_line,
    _table_gear,
)
from .shared_kernels import GEARS, MIN_ON, OWN, PackedController
from .situation import Situation, _make_memory, _remember


class Reads(NamedTuple):
    """When values were read: the last step, and s in all; in the order of packed maps."""

    last: Any
    seconds: Any


def read_seconds(loop: ClosedLoop, drive: Drive, packed: PackedController) -> np.ndarray:
    """Return for how long each value of packed rule tables is read in a drive.

    Parameters
    ----------
    loop
        What was driven.
    drive
        Of the tables. Where power was lacking, what is counted is what they would read at the
        speed that was driven.
    packed
        The tables.

    Returns
    -------
    ndarray
        s, in the order of `packed.maps`; a step counts once, whatever the weight.
    """
    size = packed.maps.size
    reads = Reads(np.full(size, -1, dtype=np.int64), np.zeros(size))
    engine = np.minimum(drive.schedule.engine_class, 1).astype(np.int64)
    gear = np.ascontiguousarray(drive.schedule.gear, dtype=np.int64)
    around = loop.around._replace(rows=demand_rows(drive.demand))
    _add_reads(around, packed, engine, gear, np.ascontiguousarray(drive.soc), reads)
    seconds: np.ndarray = reads.seconds
    return seconds


@kernel
def _mark(reads, maps, start, place, t, dt):
    """Count a step at every value that the lookup of a place reads; see `_lookup`."""
    begin = int(start)
    n1, n2, n3 = int(maps[begin]), int(maps[begin + 1]), int(maps[begin + 2])
    axis = begin + 3
    i, u = _weight(maps, axis, n1, place[0])
    j, v = _weight(maps, axis + n1, n2, place[1])
    k, w = _weight(maps, axis + n1 + n2, n3, place[2])
    values = axis + n1 + n2 + n3
    for a in range(1 if u >= 1.0 else 0, 2 if u > 0.0 else 1):
        for b in range(1 if v >= 1.0 else 0, 2 if v > 0.0 else 1):
            for c in range(1 if w >= 1.0 else 0, 2 if w > 0.0 else 1):
                cell = values + ((i + a) * n2 + j + b) * n3 + k + c
                if reads.last[cell] != t:
                    reads.last[cell] = t
                    reads.seconds[cell] += dt


@kernel
def _mark_lines(gearbox, table, seen, on, reads, t, dt):
    """Count the shift lines that `_table_gear` looks up; return its gear."""
    gear = _table_gear(gearbox, table, seen, on)
    if _holds_gear(gearbox, table, seen, on):
        return gear
    maps, before, torque, state = table.maps, seen.gear, seen.wheel_torque, 1.0 if on else 0.0
    up, down = table.own[UP_MAP], table.own[DOWN_MAP]
    for g in range(max(min(gear, before), 1), before + 1):
        _mark(reads, maps, down, (g + 1.0, torque, state), t, dt)
        if g < before:
            _mark(reads, maps, up, (float(g), torque, state), t, dt)
    for g in range(before, min(gear, gearbox.ratio.size - 2) + 1):
        _mark(reads, maps, up, (g + 1.0, torque, state), t, dt)
        if g > before:
            _mark(reads, maps, down, (g + 2.0, torque, state), t, dt)
    return gear


@kernel
def _mark_step(gearbox, table, seen, reads, t, dt):
    """Count all values that `_table_command` looks up in a step."""
    own, maps, on = table.own, table.maps, seen.engine == 1
    charge, line = _charge(table, seen), _power_line(table, seen)
    if line >= 0:
        _mark(reads, maps, own[line], (seen.speed, charge, 0.0), t, dt)
        power = seen.wheel_torque * seen.wheel_speed
        on = power >= _lookup(maps, own[line], seen.speed, charge, 0.0)
    shaft, wanted = 0.0, 0.0
    for _ in range(2):
        gear = _mark_lines(gearbox, table, seen, on, reads, t, dt)
        shaft = seen.wheel_speed * gearbox.ratio[gear]
        losses = gearbox.efficiency[gear], gearbox.drag[gear]
        wanted = _input_torque(gearbox.ratio[gear], losses[0], losses[1], seen.wheel_torque)
        if on:
            break
        _mark(reads, maps, own[LIMIT_MAP], (shaft, 0.0, 0.0), t, dt)
        if wanted <= _lookup(maps, own[LIMIT_MAP], shaft, 0.0, 0.0):
            break
        on = True
    if on:
        shaft = max(shaft, gearbox.idle_speed)
        _mark(reads, maps, own[SPLIT_MAP], (shaft, wanted, charge), t, dt)


@kernel
def _add_reads(around, rule, engines, gears, soc, reads):
    """Count the values read over all steps of a drive."""
    table = PackedTable(rule.params[OWN:], rule.params[MIN_ON:GEARS], rule.maps)
    gearbox, memory = _gearbox_of(around.plant), _make_memory()
    engine, gear = (1 if around.source > around.moves.off else 0), around.gear
    for t in range(around.rows.shape[0]):
        row = around.rows[t]
        at = Situation(t, soc[t], around.source, engine, gear, memory)
        seen = _table_inputs(at, row[R_SPEED], row[R_WHEEL_SPEED], row[R_WHEEL_TORQUE])
        _mark_step(gearbox, table, seen, reads, t, row[R_DT])
        _remember(at, row[R_DT], engines[t], gears[t])
        engine, gear = engines[t], gears[t]
