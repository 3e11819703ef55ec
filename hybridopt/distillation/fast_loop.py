"""Rule tables in closed loop over listed operating points, for thousands of runs.

Between two listed splits cost and power are linear in torque, so steps are those of
:class:`hybridopt.controllers.closed_loop.ClosedLoop` without working out the physics again, some
five times as fast. Refinement uses it; what is reported comes from the closed loop itself.
Where the SoC window or the inhibitors leave nothing, power is lacking, or the rates of the engine's
torque are limited, the closed loop itself does the whole run. The two part where the closed loop
has the wished gear's torque for another gear with the engine off, and where the nearest listed
split is at a limit of the battery's power to within rounding: on mild hybrids with an almost empty
battery by up to 1.3 % of the cost.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..controllers.clipping import _differs
from ..controllers.kernels import _gearbox_of, _table_inputs
from ..controllers.rule_kernels import PackedTable, _table_command
from ..controllers.shared_kernels import GEARS, MIN_ON, OWN, PackedController, _creeps
from ..controllers.situation import (
    SLACK,
    ListedPoints,
    Situation,
    Wish,
    _battery_step,
    _engine_class,
    _inside,
    _is_open,
    _make_memory,
    _move,
    _remember,
)
from ..evaluation.case import Case
from ..evaluation.tuning import lacking_cost
from ..physics.battery import _landing
from ..physics.codes import OFF, STARTING
from ..physics.entries import R_DT, R_SPEED, R_WHEEL_SPEED, R_WHEEL_TORQUE
from ..physics.operating_points import OperatingPoints
from ..problem.graph import begins_start
from ..problem.settings import Settings
from ..tables.rule_table import RuleTable


@dataclass(frozen=True)
class DriveTotals:
    """What a drive came to: cost, g; final SoC; engine starts; clipped steps; shifts.

    `lacking_cost` is what lacking power is charged in a search, %.
    """

    cost: float
    soc_end: float
    starts: int
    clipped: int
    shifts: int
    lacking_cost: float = 0.0


class FastLoop:
    """A case made ready for many runs of rule tables; its cost-to-go is not kept.

    Parameters
    ----------
    case
        A solved cycle; its operating points are listed and kept.

    Attributes
    ----------
    yardstick : what runs are measured by: the case's optimum
    steps : of the cycle
    optimum_shifts : of the optimum
    """

    def __init__(self, case: Case) -> None:
        known = case.optimum
        self.yardstick, self.steps = case.yardstick, known.demand.steps
        self._driveline, self._settings = known.driveline, known.settings
        self._loop = case.loop
        self.optimum_shifts = count_shifts(known.solution.schedule.gear, known.settings)
        points: OperatingPoints = known.points.part(0, self.steps)
        self._points = ListedPoints(0, points.cost, points.power, points.motor_torque, points.count)

    def pack(self, table: RuleTable) -> PackedController:
        """Flatten tables for `run`; the same for all cases of a driveline and settings."""
        return table.pack(self._driveline, self._settings)

    def run(self, packed: PackedController) -> DriveTotals:
        """Drive once."""
        memory, around = _make_memory(), self._loop.around
        table = PackedTable(packed.params[OWN:], packed.params[MIN_ON:GEARS], packed.maps)
        if np.isinf(around.rise) and np.isinf(around.fall):
            cost, soc, starts, clipped, shifts = _fast_loop(around, self._points, table, memory)
            if not np.isnan(soc):
                return DriveTotals(cost, soc, starts, clipped, shifts)
        drive = self._loop.run_packed(packed)
        return DriveTotals(
            drive.cost,
            drive.soc_end,
            int(np.count_nonzero(begins_start(drive.schedule.engine_class))),
            int(np.count_nonzero(drive.clipped)),
            count_shifts(drive.schedule.gear, self._settings),
            lacking_cost(drive),
        )

    def cost_above(self, run: DriveTotals) -> float:
        """Return how far a run's cost at equal SoC lies above the optimum's, %."""
        return self.yardstick.cost_above(run.cost, run.soc_end)


def count_shifts(gear: np.ndarray, settings: Settings) -> int:
    """Return how often the gear changes, from the one before the first step on; gears from 0."""
    return int(np.count_nonzero(np.diff(gear, prepend=settings.gear_start - 1)))


class SplitList(NamedTuple):
    """Splits of a step in a gear and engine class: g, W and N m of the motor; how many."""

    cost: Any
    power: Any
    torque: Any
    size: int


@kernel
def _range(splits):
    """First and last admissible powered split; last below first where there is none."""
    first, last = 1, splits.size - 1
    while first <= last and splits.cost[first] == np.inf:
        first += 1
    while last >= first and splits.cost[last] == np.inf:
        last -= 1
    return first, last


@kernel
def _at_torque(splits, first, last, torque):
    """Cost and power at a torque between two splits, by interpolation between those in between."""
    costs, powers, torques = splits.cost, splits.power, splits.torque
    low, high = first, last
    while high - low > 1:
        middle = (low + high) // 2
        if torques[middle] <= torque:
            low = middle
        else:
            high = middle
    width = torques[high] - torques[low]
    share = (torque - torques[low]) / width if width > 0.0 else 0.0
    return costs[low] + share * (costs[high] - costs[low]), powers[low] + share * (
        powers[high] - powers[low]
    )


@kernel
def _settle(splits, wanted, battery):
    """Nearest admissible torque: its cost, SoC after (NaN where there is none), whether moved.

    NaN asks for the unpowered motor.
    """
    first, last = _range(splits)
    state, rates, soc, torques = battery.state, battery.rates, battery.soc, splits.torque
    if np.isnan(wanted):
        after = np.nan
        if splits.size > 0 and splits.cost[0] < np.inf:
            after = _landing(state, rates, soc, splits.power[0])
        if _inside(battery, after, SLACK):
            return splits.cost[0], after, False
        wanted = torques[0] if splits.size > 0 and splits.cost[0] < np.inf else -np.inf
    if first > last:
        if splits.size == 0 or splits.cost[0] == np.inf:
            return 0.0, np.nan, True
        return splits.cost[0], _landing(state, rates, soc, splits.power[0]), False
    torque = min(max(wanted, torques[first]), torques[last])
    grams, watts = _at_torque(splits, first, last, torque)
    after = _landing(state, rates, soc, watts)
    if _inside(battery, after, SLACK):
        return grams, after, False
    too_much = watts > 0.0 and not after >= min(battery.low, soc)
    good, bad = (torques[first], torque) if too_much else (torques[last], torque)
    grams, watts = _at_torque(splits, first, last, good)
    after = _landing(state, rates, soc, watts)
    if not _inside(battery, after, 0.0):
        return 0.0, np.nan, True
    for _ in range(40):
        middle = 0.5 * (good + bad)
        some, watts = _at_torque(splits, first, last, middle)
        there = _landing(state, rates, soc, watts)
        if _inside(battery, there, 0.0):
            good, grams, after = middle, some, there
        else:
            bad = middle
    if np.isinf(wanted):  # met by any limit
        return grams, after, False
    return grams, after, _differs(good, torque, torques[first], torques[last])


@kernel(inline="always")
def _splits_of(points, t, gear, engine):
    """Pick the splits of a step in a gear and engine class."""
    return SplitList(
        points.cost[t, gear, engine],
        points.power[t, gear, engine],
        points.motor_torque[t, gear, engine],
        points.count[t, gear, engine],
    )


@kernel(inline="always")
def _search(around, points, at, wish, battery):
    """Settle in the nearest open gear of the wanted engine state, else of the other.

    Returns gear, engine class, cost, SoC after (NaN where there is none), and whether the torque
    was moved.
    """
    gears, creeps = points.cost.shape[1], _creeps(around, at.t)
    for other in range(2):
        runs = wish.on != (other == 1)
        engine = _engine_class(around.moves, at, runs)
        aim = -np.inf
        if runs and wish.on:
            aim = wish.torque
        elif not wish.on and creeps:
            aim = np.nan
        for step in range(2 * gears):
            g = wish.gear + (step + 1) // 2 * (1 if step % 2 else -1)
            if g < 0 or g >= gears or not _is_open(around.moves, at, engine, g):
                continue
            grams, after, moved = _settle(_splits_of(points, at.t, g, engine), aim, battery)
            if not np.isnan(after):
                return g, engine, grams, after, moved
    return wish.gear, OFF, 0.0, np.nan, False


@kernel(borrows=True, nogil=True)
def _fast_loop(around, points, table, memory):
    """Cost, final SoC (NaN where a step leaves no choice), starts, clipped steps, shifts."""
    moves, gearbox = around.moves, _gearbox_of(around.plant)
    soc, source, gear = around.soc, around.source, around.gear
    engine = 1 if source > moves.off else 0
    total, starts, clipped, shifts = 0.0, 0, 0, 0
    for t in range(around.rows.shape[0]):
        row = around.rows[t]
        at = Situation(t, soc, source, engine, gear, memory)
        seen = _table_inputs(at, row[R_SPEED], row[R_WHEEL_SPEED], row[R_WHEEL_TORQUE])
        on, chosen, wanted = _table_command(gearbox, table, seen)
        battery = _battery_step(around.cell, soc, row[R_DT], around.low, around.high)
        g, c, grams, after, moved = _search(around, points, at, Wish(on, chosen, wanted), battery)
        if np.isnan(after):
            return total, np.nan, starts, clipped, shifts
        runs = c != OFF
        clipped += moved or g != chosen or runs != on
        starts += c == STARTING and engine == 0
        shifts += g != gear
        move = _move(moves, at, c, g)
        total += grams + moves.shift[t, c, gear, g] + moves.cost[t, move]
        _remember(at, row[R_DT], 1 if runs else 0, g)
        soc, source, engine, gear = after, moves.target[move], 1 if runs else 0, g
    return total, soc, starts, clipped, shifts
