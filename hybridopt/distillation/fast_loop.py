"""Rule tables in closed loop over listed operating points, for thousands of runs.

Between two listed splits cost and power are linear in torque, so this does the same as
:class:`hybridopt.controllers.closed_loop.ClosedLoop` without working out the physics again, some
ten times as fast. Refinement uses it; what is reported comes from the closed loop itself.
Inhibitors are obeyed in the same way; where they leave nothing, the run is a dead end here. Clear
numba's cache after editing `rule_kernels.py`, `clipping.py` or `dp/kernels.py`.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from dataclasses import dataclass

import numpy as np

from ..base.compiled import kernel
from ..controllers import kernels as controllers
from ..controllers.builtin import Packed
from ..controllers.clipping import Rules, _engine_class, _is_open, _move
from ..controllers.kernels import LONG_AGO
from ..controllers.rule_kernels import _table_command
from ..evaluation.case import Case
from ..physics.battery import _landing, _rates, _state
from ..physics.codes import OFF, STARTING
from ..physics.operating_points import OperatingPoints
from ..tables.rule_set import gearbox_facts
from ..tables.rule_table import RuleTable


@dataclass(frozen=True)
class LoopRun:
    """What a run came to: cost, g; final SoC; engine starts; steps that were clipped."""

    cost: float
    soc_end: float
    starts: int
    clipped: int


class FastLoop:
    """A case made ready for many runs of rule tables; its cost-to-go is not kept.

    Parameters
    ----------
    case
        A solved cycle; its operating points are listed and kept.

    Attributes
    ----------
    worth : what charge at the end is worth
    optimum_cost : g, of the replayed optimum
    optimum_starts : its engine starts
    steps : of the cycle
    """

    def __init__(self, case: Case) -> None:
        known = case.optimum
        problem, facts = known.solution.problem, gearbox_facts(known.driveline)
        points: OperatingPoints = known.points.part(0, known.demand.steps)
        demand, settings = known.demand, known.settings
        self.worth, self.optimum_cost = case.worth, case.optimum_cost
        self.optimum_starts, self.steps = case.optimum_starts, demand.steps
        self._driveline, self._settings = known.driveline, settings
        self._arrays = (
            (facts.ratios, facts.idle_speed, facts.highest_speed),
            (facts.efficiencies, facts.drag_torques),
            (demand.speed, demand.wheel_speed, demand.wheel_torque, demand.dt),
            (points.cost, points.power, points.motor_torque, points.count),
            problem.cell,
            settings.socs[:2],
            Rules(*problem.events, problem.shift),
            (settings.socs[2], problem.state, problem.gear),
        )

    def pack(self, table: RuleTable) -> Packed:
        """Flatten tables for `run`; the same for all cases of a driveline and settings."""
        return table.pack(self._driveline, self._settings)

    def run(self, packed: Packed) -> LoopRun | None:
        """Drive once; None where nothing can drive some step."""
        own = packed.params[controllers.OWN :]
        times = packed.params[controllers.MIN_ON : controllers.GEARS]
        cost, soc, starts, clipped = _fast_loop(*self._arrays, own, times, packed.maps)
        return None if np.isnan(soc) else LoopRun(cost, soc, starts, clipped)

    def gap(self, run: LoopRun) -> float:
        """Return how far a run's cost at equal final SoC is above the optimum's, %."""
        cost = run.cost + self.worth.correction(run.soc_end)
        return 100.0 * (cost / self.optimum_cost - 1.0)


@kernel
def _range(cost, count):
    """First and last admissible powered split of a list; last below first where there is none."""
    first, last = 1, count - 1
    while first <= last and cost[first] == np.inf:
        first += 1
    while last >= first and cost[last] == np.inf:
        last -= 1
    return first, last


@kernel
def _at_torque(costs, powers, torques, first, last, torque):
    """Cost and power at a torque within a list, by interpolation between its splits."""
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
def _settle(costs, powers, torques, count, wanted, state, rates, soc, low, high):
    """Nearest admissible torque: its cost, SoC after (NaN where there is none), whether moved."""
    first, last = _range(costs, count)
    if first > last:
        if count == 0 or costs[0] == np.inf:
            return 0.0, np.nan, True
        return costs[0], _landing(state, rates, soc, powers[0]), False
    torque = min(max(wanted, torques[first]), torques[last])
    grams, watts = _at_torque(costs, powers, torques, first, last, torque)
    after = _landing(state, rates, soc, watts)
    if min(low, soc) - 1e-9 <= after <= max(high, soc) + 1e-9:
        return grams, after, False
    too_much = watts > 0.0 and not after >= min(low, soc)
    good, bad = (torques[first], torque) if too_much else (torques[last], torque)
    grams, watts = _at_torque(costs, powers, torques, first, last, good)
    after = _landing(state, rates, soc, watts)
    if not min(low, soc) <= after <= max(high, soc):
        return 0.0, np.nan, True
    for _ in range(40):
        middle = 0.5 * (good + bad)
        some, watts = _at_torque(costs, powers, torques, first, last, middle)
        there = _landing(state, rates, soc, watts)
        if min(low, soc) <= there <= max(high, soc):
            good, grams, after = middle, some, there
        else:
            bad = middle
    return grams, after, True


@kernel(nogil=True)
def _fast_loop(gearbox, loss, road, arrays, cell, window, rules, begin, own, times, maps):
    """Cost, final SoC (NaN at a dead end), starts and clipped steps of one run."""
    speed, wheel_speed, wheel_torque, dt = road
    cost, power, torque, count = arrays
    soc, source, gear = begin
    engine = 1 if source > rules.graph.off else 0
    low, high = window
    engine_time, gear_time = LONG_AGO, LONG_AGO
    total, starts, clipped, gears = 0.0, 0, 0, cost.shape[1]
    for t in range(dt.size):
        on, chosen, wanted = _table_command(
            gearbox,
            loss,
            own,
            maps,
            times,
            speed[t],
            wheel_speed[t],
            wheel_torque[t],
            soc,
            engine,
            gear,
            engine_time,
            gear_time,
        )
        state, rates = _state(cell, soc), _rates(cell, dt[t])
        grams, after, moved, g, c = 0.0, np.nan, False, chosen, OFF
        for other in range(2):
            runs = on != (other == 1)
            c = _engine_class(rules, t, source, runs)
            for step in range(2 * gears):
                g = chosen + (step + 1) // 2 * (1 if step % 2 else -1)
                if g < 0 or g >= gears or not _is_open(rules, t, source, soc, c, gear, g):
                    continue
                aim = wanted if runs and on else -np.inf
                grams, after, moved = _settle(
                    cost[t, g, c],
                    power[t, g, c],
                    torque[t, g, c],
                    count[t, g, c],
                    aim,
                    state,
                    rates,
                    soc,
                    low,
                    high,
                )
                if not np.isnan(after):
                    break
            if not np.isnan(after):
                break
        if np.isnan(after):
            return total, np.nan, starts, clipped
        runs = c != OFF
        clipped += moved or g != chosen or runs != on
        starts += c == STARTING and engine == 0
        move = _move(rules, source, c, gear, g)
        total += grams + rules.shift[t, c, gear, g] + rules.cost[t, move]
        source = rules.graph.target[move]
        engine_time = engine_time + dt[t] if runs == (engine == 1) else dt[t]
        gear_time = gear_time + dt[t] if g == gear else dt[t]
        soc, engine, gear = after, 1 if runs else 0, g
    return total, soc, starts, clipped
