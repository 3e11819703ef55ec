"""What surrounds a drive and where in it the drive is, as the kernels see it.

Engine classes and entries of rows and shafts are those of `physics/step.py`. Gears count from 0,
the engine state is 0 (off) or 1 (on), and a motor torque of NaN is the unpowered motor, an infinite
one the limit on that side.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import Cell, _landing, _rates, _state
from ..physics.codes import OFF, RUNNING, STARTING, Reason
from ..physics.comfort import _torque_span
from ..physics.entries import P_SIZE, R_DT, R_OIL, S_SIZE
from ..physics.plant import Plant
from ..physics.shaft import _shaft
from ..physics.warm_up import Warming, _set_oil, _warmed
from ..problem.graph import FITS, Events, engine_stops

CLASSES = 3  # engine classes
SLACK = 1e-9  # SoC beyond the window that counts as in it
ENGINE_TIME, GEAR_TIME, SOC_ERROR, ENGINE_TORQUE, MEMORY = range(5)  # what a drive remembers
LONG_AGO = 1e9  # s, time in state before the first step


class OpenMoves(NamedTuple):
    """Moves between the states of engine and gear, and what they cost or what closes them.

    Attributes
    ----------
    number : (states, 3 engine classes, 3), the move from a state by an engine class that shifts
        down (0), stays in gear (1) or shifts up (2), -1 where there is none
    target : (moves,), the state it leads to
    off : states up to this one have the engine off
    cost : g, (steps, moves), infinite where a move is closed
    min_soc : (moves,), SoC from which a move is open
    shift : g, (steps, 3 engine classes, gears, gears), infinite where a shift is closed
    stops : int64, 1 for moves that stop the engine, (moves,)
    """

    number: Any
    target: Any
    off: int
    cost: Any
    min_soc: Any
    shift: Any
    stops: Any


def make_moves(events: Events, shift: np.ndarray) -> OpenMoves:
    """Put the moves of a problem's events beside what its shifts cost."""
    graph = events.graph
    number = np.full((graph.states, CLASSES, len(FITS)), -1, dtype=np.int64)
    for way, kinds in FITS.items():
        (fit,) = np.nonzero(np.isin(graph.gear, kinds))
        number[graph.source[fit], graph.engine[fit], 1 + way] = fit
    stops = engine_stops(graph).astype(np.int64)
    return OpenMoves(number, graph.target, graph.off, events.cost, events.soc_min, shift, stops)


class Surroundings(NamedTuple):
    """What a drive cannot change.

    Attributes
    ----------
    plant, cell : driveline and battery
    rows : what the wheels want in each step, see `physics/step.py`, (steps, R_SIZE)
    moves : states of engine and gear, and the moves between them
    low, high : SoC window
    soc, source, gear : SoC, state in the graph of moves and gear at the start of the drive
    rise, fall : most that the engine's torque rises and falls, N m/s, infinite without a limit
    warming : how the oil warms up, where its temperature is looked at
    """

    plant: Plant
    cell: Cell
    rows: Any
    moves: OpenMoves
    low: float
    high: float
    soc: float
    source: int
    gear: int
    rise: float
    fall: float
    warming: Warming


class Situation(NamedTuple):
    """Where a drive is at the start of a step.

    Attributes
    ----------
    t : the step
    soc : state of charge
    source : state in the graph of moves
    engine, gear : as they were before the step
    memory : time in the engine state and in the gear, s; sum of the missing SoC, s; torque of the
        running engine, N m, at least 0, NaN where it is not known; (MEMORY,)
    """

    t: int
    soc: float
    source: int
    engine: int
    gear: int
    memory: Any


class Wish(NamedTuple):
    """What a controller asks for: engine on, gear, motor torque."""

    on: bool
    gear: int
    torque: float


class BatteryStep(NamedTuple):
    """The battery at the start of a step, and the SoC window that the step has to end in."""

    state: Any
    rates: Any
    soc: float
    low: float
    high: float


class TorqueSpan(NamedTuple):
    """Least and most torque of a running engine in a step, N m; 0 and below is always allowed."""

    low: float
    high: float


class Workspace(NamedTuple):
    """Room for one shaft and one point on it."""

    shaft: Any
    fuel_row: Any
    loss_row: Any
    point: Any


class ListedPoints(NamedTuple):
    """Operating points of the steps from `first` on; empty where a controller needs none.

    Arrays have the shape of :class:`hybridopt.physics.operating_points.OperatingPoints`.
    """

    first: int
    cost: Any
    power: Any
    motor_torque: Any
    count: Any


@kernel
def _make_workspace(plant):
    return Workspace(
        np.empty(S_SIZE),
        np.empty(plant.fuel_torque.size),
        np.empty(plant.loss_torque.size),
        np.empty(P_SIZE),
    )


@kernel
def _make_memory():
    memory = np.zeros(MEMORY)
    memory[ENGINE_TIME], memory[GEAR_TIME] = LONG_AGO, LONG_AGO
    memory[ENGINE_TORQUE] = np.nan
    return memory


@kernel(inline="always")
def _remember(at, dt, engine, gear):
    """Count on the time in the engine state and in the gear over a step that ends in these."""
    memory = at.memory
    memory[ENGINE_TIME] = memory[ENGINE_TIME] + dt if engine == at.engine else dt
    memory[GEAR_TIME] = memory[GEAR_TIME] + dt if gear == at.gear else dt


@kernel(inline="always")
def _warm_up(around, t, fuel):
    """Let so much fuel, g, warm the oil in a step, and the next step know of it."""
    warming, rows, moves = around.warming, around.rows, around.moves
    oil = _warmed(warming, rows[t, R_OIL], rows[t], fuel)
    if t + 1 < rows.shape[0]:
        _set_oil(warming, oil, rows[t + 1])
        _close_stops(moves, t + 1, oil < warming.stop)


@kernel(inline="always")
def _close_stops(moves, t, cold):
    """Close the moves that stop the engine in a step, if the oil is too cold for it."""
    if cold:
        for m in range(moves.stops.size):
            if moves.stops[m] == 1:
                moves.cost[t, m] = np.inf


@kernel(inline="always")
def _span(around, at):
    """Torques of the engine within its rates from the step before; from 0 after a start."""
    before = at.memory[ENGINE_TORQUE] if at.engine == 1 else 0.0
    low, high = _torque_span(around.rise, around.fall, before, around.rows[at.t, R_DT])
    return TorqueSpan(low, high)


@kernel(inline="always")
def _fill_shaft(plant, row, gear, engine, work):
    """Fill the shaft of a step; return whether gear and engine class are possible."""
    why = _shaft(plant, row, gear, engine, work.shaft, work.fuel_row, work.loss_row)
    return why == Reason.FEASIBLE


@kernel(inline="always")
def _battery_step(cell, soc, dt, low, high):
    return BatteryStep(_state(cell, soc), _rates(cell, dt), soc, low, high)


@kernel(inline="always")
def _inside(battery, after, slack):
    """Whether a SoC after the step is in the window, or leads towards it from outside."""
    low, high = min(battery.low - slack, battery.soc), max(battery.high + slack, battery.soc)
    return low <= after <= high


@kernel(inline="always")
def _end_of(battery, power, slack):
    """SoC after a step with a terminal power; NaN beyond a battery limit or the window."""
    after = _landing(battery.state, battery.rates, battery.soc, power)
    return after if _inside(battery, after, slack) else np.nan


@kernel(inline="always")
def _engine_class(moves, at, on):
    """Engine class of a step with the engine on or off: a start goes on until it is done."""
    if not on:
        return OFF
    for m in moves.number[at.source, RUNNING]:
        if m >= 0 and moves.cost[at.t, m] < np.inf:
            return RUNNING
    return STARTING


@kernel(inline="always")
def _move(moves, at, engine, gear):
    """Move to an engine class and gear, -1 where there is none."""
    way = 1 if gear == at.gear else (2 if gear > at.gear else 0)
    return moves.number[at.source, engine, way]


@kernel(inline="always")
def _is_open(moves, at, engine, gear):
    """Whether no inhibitor closes the way to an engine class and gear."""
    m = _move(moves, at, engine, gear)
    return (
        m >= 0
        and moves.cost[at.t, m] < np.inf
        and at.soc >= moves.min_soc[m] - SLACK
        and moves.shift[at.t, engine, at.gear, gear] < np.inf
    )
