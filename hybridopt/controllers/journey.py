"""A drive as it goes on: what is done, and the demand, which falls where power is lacking."""

from dataclasses import dataclass

import numpy as np

from ..base.errors import InfeasibleError
from ..base.units import KM_PER_H, PERCENT
from ..inputs.driveline import Driveline
from ..physics.demand import NO_RESTRICTION, Demand, step_demand
from ..physics.entries import R_OIL
from ..physics.operating_points import all_points, demand_rows
from ..physics.reach import highest_end
from ..physics.warm_up import ROW_FIELDS
from ..problem.events import shift_costs
from ..problem.settings import Settings
from . import clipping
from .situation import (
    ListedPoints,
    Situation,
    Surroundings,
    Wish,
    _close_stops,
    _make_memory,
    _make_workspace,
)


@dataclass(frozen=True)
class Shortfall:
    """What a vehicle lacked to drive as fast as was asked.

    Attributes
    ----------
    seconds : s, with less torque than asked for
    first : s, when that began
    torque : N m at the wheels, the most that was missing
    speed : m/s, the most that was missing
    distance : m, lost in all
    """

    seconds: float
    first: float
    torque: float
    speed: float
    distance: float


class Journey:
    """A drive under way, step by step.

    Where no choice of the controller can drive a step, the vehicle gives what it can: with the
    engine on, which is started if need be, the step ends at the highest speed that any gear and
    motor torque can reach; where the engine cannot be on, the motor alone does so. The next step
    asks for the speed of the trace again.

    Parameters
    ----------
    driveline, demand, settings, around
        As in :class:`hybridopt.controllers.closed_loop.ClosedLoop`; demand and rows are copied.

    Attributes
    ----------
    demand : what the wheels are asked for, as far as the vehicle can give it
    around : what surrounds the drive; its rows are those of `demand`
    columns, memory, work : for the kernels
    """

    def __init__(
        self, driveline: Driveline, demand: Demand, settings: Settings, around: Surroundings
    ) -> None:
        self.driveline, self.settings, self._trace = driveline, settings, demand
        self.demand = Demand(**{name: np.array(array) for name, array in vars(demand).items()})
        self.around = around._replace(rows=around.rows.copy())
        if around.warming.capacity > 0.0:
            moves = around.moves._replace(cost=around.moves.cost.copy())
            self.around = self.around._replace(moves=moves)
            _close_stops(moves, 0, around.rows[0, R_OIL] < around.warming.stop)
        self.memory, self.work = _make_memory(), _make_workspace(around.plant)
        steps = demand.steps
        self.columns = clipping.Columns(
            gear=np.zeros(steps, dtype=np.int64),
            engine=np.zeros(steps, dtype=np.int64),
            torque=np.zeros(steps),
            powered=np.zeros(steps, dtype=np.bool_),
            fuel=np.zeros(steps),
            clipped=np.zeros(steps, dtype=np.int64),
            states=np.zeros(steps + 1, dtype=np.int64),
            soc=np.zeros(steps + 1),
        )
        self.columns.states[0], self.columns.soc[0] = around.source, around.soc
        self._missing = np.zeros(steps)  # N m at the wheels
        self._changed: set[int] = set()  # steps whose demand is no longer that of the trace

    def situation(self, t: int) -> Situation:
        """Return where the drive is before a step."""
        at: Situation = clipping._situation(self.around, self.columns, self.memory, t)
        return at

    def points(self, listed: ListedPoints, first: int, last: int) -> ListedPoints:
        """Return the operating points of the steps first to last - 1 as the demand is by now."""
        changed = sorted(t for t in self._changed if first <= t < last)
        if not changed or not listed.cost.size:
            return listed
        copied = ListedPoints(listed.first, *(np.array(array) for array in listed[1:]))
        for t in changed:
            part = self.demand.part(t, t + 1)
            one = all_points(self.driveline, part, self.settings.splits)
            for array, name in zip(copied[1:], ListedPoints._fields[1:], strict=True):
                array[t - listed.first] = getattr(one, name)[0]
        return copied

    def give_best(self, t: int) -> None:
        """Do a step that cannot be driven as asked as well as engine and motor can.

        Raises
        ------
        InfeasibleError
            It cannot be driven at any lower speed either.
        """
        self.take_oil()
        at, demand = self.situation(t), self.demand
        speed, dt = float(demand.speed_start[t]), float(demand.dt[t])
        target, asked = float(self._trace.speeds[t + 1]), float(demand.wheel_torque[t])
        end = highest_end(lambda ends: self._able(at, ends, True), speed, target, dt)
        on = end is not None
        if end is None:
            end = highest_end(lambda ends: self._able(at, ends, False), speed, target, dt)
        if end is None:
            raise InfeasibleError(
                f"nothing can drive the step at {demand.time[t]:g} s, {speed / KM_PER_H:.1f} km/h, "
                f"from SoC {at.soc / PERCENT:.1f} %, not even slower; use a stronger driveline or "
                "another start"
            )
        self._end_at(t, end)
        self._missing[t] = asked - demand.wheel_torque[t]
        done = clipping._step(self.around, at, Wish(on, at.gear, 0.0), self.columns, self.work)
        assert done  # it was tried just now
        self.columns.clipped[t] |= clipping.LACKED_POWER

    def take_oil(self) -> None:
        """Let the demand say what the oil's temperatures did to the steps driven so far."""
        if self.around.warming.capacity > 0.0:
            for name, entry in ROW_FIELDS.items():
                getattr(self.demand, name)[:] = self.around.rows[:, entry]

    def shortfall(self) -> Shortfall | None:
        """Return what was lacking so far; None where nothing was."""
        lacking = np.flatnonzero(self.columns.clipped & clipping.LACKED_POWER)
        if not lacking.size:
            return None
        slower = self._trace.speeds - self.demand.speeds
        return Shortfall(
            seconds=float(self.demand.dt[lacking].sum()),
            first=float(self.demand.time[lacking[0]]),
            torque=float(self._missing.max()),
            speed=float(slower.max()),
            distance=self._trace.distance - self.demand.distance,
        )

    def _ending(self, t: int, starts: np.ndarray, ends: np.ndarray) -> Demand:
        """Return step t, or steps from t on, with other speeds at start and end, (n,) each."""
        steps = np.arange(t, t + ends.size) if starts.size > 1 else np.full(ends.size, t)
        known = {
            name: getattr(self.demand, name)[steps] for name in ("time", "dt", *NO_RESTRICTION)
        }
        starts = np.broadcast_to(starts, ends.shape)
        wanted = step_demand(
            self.driveline.vehicle, known["time"], known["dt"], starts, ends, known["grade"]
        )
        return Demand(**(vars(wanted) | known))

    def _able(self, at: Situation, ends: np.ndarray, on: bool) -> np.ndarray:
        """Return whether a step can be driven to each final speed, with the engine on if asked."""
        rows = demand_rows(self._ending(at.t, self.demand.speed_start[at.t : at.t + 1], ends))
        able = np.zeros(ends.size, dtype=np.bool_)
        clipping._can_drive(self.around, at, on, rows, self.work, able)
        return able

    def _end_at(self, t: int, end: float) -> None:
        """Let step t end, and the next one begin, at another speed."""
        steps = slice(t, min(t + 2, self.demand.steps))
        starts = np.array([self.demand.speed_start[t], end])[: steps.stop - t]
        ends = np.array([end, self._trace.speeds[min(t + 2, self.demand.steps)]])[: steps.stop - t]
        new = self._ending(t, starts, ends)
        for name, values in vars(new).items():
            getattr(self.demand, name)[steps] = values
        self.around.rows[steps] = demand_rows(new)
        if not self._changed:
            moves = self.around.moves
            self.around = self.around._replace(moves=moves._replace(shift=moves.shift.copy()))
        self.around.moves.shift[steps] = shift_costs(self.driveline, new, self.settings)
        self._changed |= {t, t + 1}
