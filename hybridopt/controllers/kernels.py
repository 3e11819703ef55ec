"""Numba kernels of the built-in controllers' decisions, and the closed loop that runs them."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from ..base.compiled import kernel
from ..physics.codes import RUNNING, STARTING
from ..physics.entries import R_SPEED, R_WHEEL_SPEED, R_WHEEL_TORQUE, S_HIGH, S_LOW
from .clipping import _situation, _step
from .equivalence_kernels import _equivalence
from .rule_kernels import PackedGearbox, PackedTable, TableInputs, _table_command
from .shared_kernels import (
    ELECTRIC_POWER,
    EQUIVALENCE,
    GEARS,
    MIN_ON,
    OWN,
    PLAYBACK,
    POWER_THRESHOLDS,
)
from .situation import ENGINE_TIME, GEAR_TIME, Wish, _fill_shaft
from .threshold_kernels import _can_be_off, _electric_command, _electric_power, _power_thresholds


@kernel(inline="always")
def _play_back(at, schedule):
    """Return what a schedule says."""
    return schedule.on[at.t] == 1, schedule.gear[at.t], schedule.motor_torque[at.t]


@kernel(inline="always")
def _gearbox_of(plant):
    """Constants of the gearbox that a rule table needs."""
    highest = min(plant.engine_max_speed, plant.motor_max_speed)
    return PackedGearbox(plant.ratio, plant.efficiency, plant.gear_drag, plant.idle_speed, highest)


@kernel(inline="always")
def _table_inputs(at, speed, wheel_speed, wheel_torque):
    """Put together what a rule table looks at in a step."""
    times = at.memory[ENGINE_TIME], at.memory[GEAR_TIME]
    return TableInputs(
        speed, wheel_speed, wheel_torque, at.soc, at.engine, at.gear, times[0], times[1]
    )


@kernel(inline="always")
def _rule_table(around, at, rule, work):
    """Rules by maps; the motor torque is brought into the motor's range."""
    row, params = around.rows[at.t], rule.params
    seen = _table_inputs(at, row[R_SPEED], row[R_WHEEL_SPEED], row[R_WHEEL_TORQUE])
    table = PackedTable(params[OWN:], params[MIN_ON:GEARS], rule.maps)
    on, g, wanted = _table_command(_gearbox_of(around.plant), table, seen)
    if not on and _can_be_off(around.plant, around.rows[at.t], g, work):
        return _electric_command(around, at, g, work)
    if not _fill_shaft(
        around.plant, around.rows[at.t], g, RUNNING if at.engine == 1 else STARTING, work
    ):
        return on, g, wanted
    return True, g, min(max(wanted, work.shaft[S_LOW]), work.shaft[S_HIGH])


@kernel(borrows=True)
def _decide(around, at, rule, points, work):
    """Command of a built-in controller: engine on, gear, motor torque (NaN: unpowered)."""
    if rule.kind == POWER_THRESHOLDS:
        return _power_thresholds(around, at, rule, work)
    if rule.kind == ELECTRIC_POWER:
        return _electric_power(around, at, rule, work)
    if rule.kind == EQUIVALENCE:
        return _equivalence(around, at, rule, points, work)
    if rule.kind == PLAYBACK:
        return _play_back(at, rule.schedule)
    return _rule_table(around, at, rule, work)


@kernel(borrows=True, nogil=True)
def _closed_loop(around, rule, points, memory, columns, work, span):
    """Run a built-in controller over the steps of a span; what is before them is in `columns`.

    Returns the step that nothing could drive, or -1.
    """
    for t in range(span[0], span[1]):
        at = _situation(around, columns, memory, t)
        on, gear, torque = _decide(around, at, rule, points, work)
        if not _step(around, at, Wish(on, gear, torque), columns, work):
            return t
    return -1
