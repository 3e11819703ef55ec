"""The discrete states of a driveline and the moves between them: engine, time in it, time in gear.

Without minimum times there are two states, engine off and engine on. A minimum time splits a
state into ages, the last of which is free; a start that takes several steps makes the first ages of
the engine-on state steps of class STARTING. Where a shift back must wait longer than one onwards,
there are such ages after a shift up, others after one down, and a free one. One array says what a
move costs in each step, or that it is closed, so that sweep, forward run, bound and closed loop
obey the same rules.
"""

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..base.errors import InputError
from ..physics.codes import EngineClass
from .settings import Settings

ANY, STAY, SHIFT, UP, DOWN = range(5)  # gear of a move: free, the same, another, a higher, a lower
FITS = {-1: (ANY, SHIFT, DOWN), 0: (ANY, STAY), 1: (ANY, SHIFT, UP)}
"""Kinds of move that fit a shift down, staying in gear and a shift up."""
MAX_STATES = 256
EARLIER = 1e9  # s, how long engine state and gear have lasted at the start of the drive


class Graph(NamedTuple):
    """States and moves as bare int64 arrays, for the kernels.

    Attributes
    ----------
    source, target : (moves,), states
    engine : (moves,), :class:`EngineClass`
    gear : (moves,), ANY, STAY, SHIFT, UP or DOWN
    arrival : (moves,), number of the pair (engine class, target state)
    rival : (moves,), the move with the engine off from the same source, where it leads to the
        rival of the arrival, else -1
    arrival_engine, arrival_state, arrival_rival : (arrivals,), engine class and state; the arrival
        with the engine off that competes with it, or -1
    states, off, on : number of states; those of an engine long off and long on
    off_ages, on_ages : steps of the engine off and on until it is free
    gear_ages : states of a gear: steps until it is free, or those after either shift and a free one
    """

    source: Any
    target: Any
    engine: Any
    gear: Any
    arrival: Any
    rival: Any
    arrival_engine: Any
    arrival_state: Any
    arrival_rival: Any
    states: int
    off: int
    on: int
    off_ages: int
    on_ages: int
    gear_ages: int

    def start(self, engine_on: bool) -> int:
        """Return the state of an engine long on or long off."""
        return int(self.on if engine_on else self.off)


def make_graph(off: int, on: int, start: int, gear: int, reversal: int = 1) -> Graph:
    """List states and moves.

    Parameters
    ----------
    off, on, gear
        Steps until engine off, engine on and gear may be left, 1 or more.
    start
        Steps of a start, 1 or more.
    reversal
        Steps until a shift may be reversed, as many as `gear` or more; 1 is any time.

    Raises
    ------
    InputError
        There would be more states than are of use.
    """
    on = max(on, start)
    shifts = _gear_moves(gear, reversal)
    gear = 1 + max(age for age, _, _ in shifts)
    states = (off + on) * gear
    if states > MAX_STATES:
        raise InputError(
            f"the minimum times make {states} states of engine and gear, at most {MAX_STATES} are "
            "of use; set shorter minimum times or resample the cycle to longer steps"
        )
    moves = []
    for node in range(off + on):
        for age in range(gear):
            for node_after, engine in _engine_moves(node, off, on, start):
                for _, age_after, kind in (move for move in shifts if move[0] == age):
                    moves.append((node * gear + age, node_after * gear + age_after, engine, kind))
    source, target, engine_class, kinds = np.array(moves, dtype=np.int64).T.copy()
    return _with_arrivals(
        source,
        target,
        engine_class,
        kinds,
        states,
        (off * gear - 1, (off + on) * gear - 1),
        (off, on, gear),
    )


def _gear_moves(gear: int, reversal: int) -> list[tuple[int, int, int]]:
    """Return (age, age after, kind) of all gear decisions.

    Where a reversal takes longer, ages after a shift up come first, then those after one down.
    """
    if reversal == 1:
        stays = [(age, min(age + 1, gear - 1), STAY) for age in range(gear)]
        shifts = [(age, 0, SHIFT) for age in range(gear)]
        return [(0, 0, ANY)] if gear == 1 else stays + shifts
    side = reversal - 1
    free, last = 2 * side, (side - 1, 2 * side - 1, 2 * side)
    moves = []
    for age in range(free + 1):
        onwards = free if age in last else age + 1
        moves += [(age, onwards, STAY), (age, 0, UP), (age, side, DOWN)]
    return moves


def _engine_moves(node: int, off: int, on: int, start: int) -> list[tuple[int, int]]:
    """Return (node after, engine class) of all engine decisions; off nodes come first, by age."""
    if node < off:
        return [(min(node + 1, off - 1), EngineClass.OFF), (off, EngineClass.STARTING)]
    older = min(node + 1, off + on - 1)
    moves = [(0, int(EngineClass.OFF)), (older, int(EngineClass.RUNNING))]
    if node - off < start - 1:
        moves.append((older, int(EngineClass.STARTING)))
    return moves


def _with_arrivals(
    source: np.ndarray,
    target: np.ndarray,
    engine: np.ndarray,
    gear: np.ndarray,
    states: int,
    free: tuple[int, int],
    ages: tuple[int, int, int],
) -> Graph:
    pairs = sorted(set(zip(engine.tolist(), target.tolist(), strict=True)))
    number = {pair: i for i, pair in enumerate(pairs)}
    arrival = np.array([number[p] for p in zip(engine.tolist(), target.tolist(), strict=True)])
    stops = {}  # the move with the engine off, by source and gear
    for m in np.flatnonzero(engine == EngineClass.OFF):
        stops[int(source[m]), int(gear[m])] = int(m)
    arrival_engine, arrival_state = np.array(pairs, dtype=np.int64).T.copy()
    arrival_rival = np.full(len(pairs), -1, dtype=np.int64)
    rival = np.full(source.size, -1, dtype=np.int64)
    for i in np.flatnonzero(arrival_engine != EngineClass.OFF):
        into = np.flatnonzero(arrival == i)
        others = [stops[int(source[m]), int(gear[m])] for m in into]
        arrival_rival[i] = arrival[others[-1]]  # that of the oldest source: the one that is open
        for m, other in zip(into, others, strict=True):
            rival[m] = other if arrival[other] == arrival_rival[i] else -1
    return Graph(
        source,
        target,
        engine,
        gear,
        arrival.astype(np.int64),
        rival,
        arrival_engine,
        arrival_state,
        arrival_rival,
        states,
        *free,
        *ages,
    )


class Moves(NamedTuple):
    """The moves with their costs, as kernels take them: in all steps, or in one.

    Attributes
    ----------
    graph : states and moves
    shift : g, (steps, 3 engine classes, gears from, gears to); without steps for one
    cost : g, (steps, moves), infinite where a move is closed; without steps for one
    opens : from where each move is open, (moves,): a SoC, or the number of a SoC point
    """

    graph: Graph
    shift: Any
    cost: Any
    opens: Any


class Events(NamedTuple):
    """The graph of a problem and what its moves cost.

    Attributes
    ----------
    graph : states and moves
    cost : g, (steps, moves), infinite where a move is closed
    soc_min : (moves,), SoC from which a move is open, 0 to 1
    """

    graph: Graph
    cost: np.ndarray
    soc_min: np.ndarray

    def states_after(self, t: int, before: np.ndarray, drivable: np.ndarray) -> np.ndarray:
        """Return which states a step can lead to, bool, (states,); gears and SoC are not looked at.

        Parameters
        ----------
        t
            The step.
        before
            Whether the drive can be in each state before it, (states,).
        drivable
            Whether each engine class can drive the step, (3,).
        """
        graph = self.graph
        open_ = np.isfinite(self.cost[t]) & before[graph.source] & drivable[graph.engine]
        return np.bincount(graph.target[open_], minlength=graph.states) > 0

    def start(self, engine_on: bool) -> np.ndarray:
        """Return the one state a drive begins in, bool, (states,)."""
        return np.asarray(np.arange(self.graph.states) == self.graph.start(engine_on))


def make_events(
    settings: Settings,
    dt: np.ndarray,
    stop_costs: np.ndarray | None = None,
    start_steps: np.ndarray | None = None,
    start_costs: np.ndarray | None = None,
) -> Events:
    """Work out states and moves, and what each move costs in each step.

    Parameters
    ----------
    settings
        Minimum times, SoC from which the engine may be stopped, cost of a start.
    dt
        s, (steps,).
    stop_costs
        g, (steps,), infinite where the engine must not be stopped; None is 0.
    start_steps
        (steps,), how many steps like this one a start takes, from
        :func:`hybridopt.physics.starts.start_steps`; None is 1.
    start_costs
        g, (steps,), of beginning a start, beside the settings' own; infinite where the engine
        must not be started; None is 0.

    Raises
    ------
    InputError
        The minimum times make too many states.

    Notes
    -----
    A minimum time is over as soon as the steps since the change are as long in all; ages count
    steps, so steps may have any lengths. A start is done when the shares 1 / start_steps of its
    steps add up to 1. Before the first step, engine state and gear count as long settled.
    """
    past, graph = _past(settings, dt, start_steps), event_graph(settings, dt, start_steps)
    stop = np.zeros(dt.size) if stop_costs is None else stop_costs
    begin = settings.start_cost + (0.0 if start_costs is None else start_costs)
    off_free, on_free, started, gear_free, back_free = (
        _enough(amounts, wanted, max(graph[-3:])) for wanted, amounts in past
    )
    cost = np.zeros((dt.size, graph.source.size))
    gears = graph.gear_ages
    side = (gears - 1) // 2 if UP in graph.gear else gears  # ages after a shift
    for m in range(graph.source.size):
        node, age = divmod(int(graph.source[m]), gears)
        running, closed = node >= graph.off_ages, np.zeros(dt.size, dtype=bool)
        steps = node - graph.off_ages if running else node  # in this engine state, less one
        if not running and graph.engine[m] == EngineClass.STARTING:
            closed |= ~off_free[:, steps] & (steps < graph.off_ages - 1)
            cost[:, m] += begin
        elif running and graph.engine[m] == EngineClass.STARTING:
            closed |= started[:, steps]
        elif running:
            closed |= ~started[:, steps] & (steps < graph.on_ages - 1)
            if graph.engine[m] == EngineClass.OFF:
                closed |= ~on_free[:, steps] & (steps < graph.on_ages - 1)
                cost[:, m] += stop
        if graph.gear[m] not in (ANY, STAY):
            returns = graph.gear[m] == (DOWN if age < side else UP)
            closed |= ~(back_free if returns else gear_free)[:, age % side] & (age < gears - 1)
        cost[closed, m] = np.inf
    return Events(graph, cost, np.where(engine_stops(graph), settings.stop_soc_min, 0.0))


def event_graph(settings: Settings, dt: np.ndarray, start_steps: np.ndarray | None) -> Graph:
    """Return states and moves alone; parameters, errors and notes as for :func:`make_events`."""
    past = _past(settings, dt, start_steps)
    return make_graph(*(_steps_needed(wanted, amounts) for wanted, amounts in past))


def _past(
    settings: Settings, dt: np.ndarray, start_steps: np.ndarray | None
) -> list[tuple[float, np.ndarray]]:
    """Return what has to be over, and what each step adds: off, on, start, in gear, reversal."""
    shares = np.ones(dt.size) if start_steps is None else 1.0 / start_steps
    back = settings.min_reversal_time
    return [
        (settings.min_off_time, dt),
        (settings.min_on_time, dt),
        (1.0, shares),
        (settings.min_gear_time, dt),
        (back if back > settings.min_gear_time else 0.0, dt),
    ]


def engine_stops(graph: Graph) -> np.ndarray:
    """Return which moves stop the engine, bool, (moves,)."""
    on = graph.source >= graph.off_ages * graph.gear_ages
    return np.asarray((graph.engine == EngineClass.OFF) & on)


def _steps_needed(wanted: float, amounts: np.ndarray) -> int:
    """Return how many successive steps reach a sum wherever they begin, 1 or more."""
    if wanted <= amounts.min():
        return 1
    total = np.concatenate(([0.0], np.cumsum(amounts)))
    ends = np.minimum(np.searchsorted(total, total[:-1] + wanted - 1e-9), amounts.size)
    return max(int(np.max(ends - np.arange(amounts.size))), 1)


def _enough(amounts: np.ndarray, wanted: float, ages: int) -> np.ndarray:
    """Return whether the last 1, 2, ... steps before each step reach a sum, (steps, ages)."""
    total = np.concatenate(([0.0], np.cumsum(amounts)))
    enough = np.empty((amounts.size, ages), dtype=bool)
    for age in range(ages):
        before = np.arange(amounts.size) - (age + 1)
        passed = total[:-1] - total[np.maximum(before, 0)]
        enough[:, age] = np.where(before < 0, EARLIER, passed) >= wanted - 1e-9
    return enough


def follow(
    graph: Graph, state: int, gear: int, engines: np.ndarray, gears: np.ndarray
) -> np.ndarray:
    """Return the state before each step of a schedule and after the last, (steps + 1,).

    Parameters
    ----------
    graph
        States and moves.
    state, gear
        At the start; gears from 0.
    engines, gears
        Engine class and gear of each step, (steps,).

    Raises
    ------
    ValueError
        A step's engine class cannot follow the one before it.
    """
    moves = {
        (int(s), int(c), int(kind)): int(n)
        for s, c, kind, n in zip(graph.source, graph.engine, graph.gear, graph.target, strict=True)
    }
    states = np.empty(engines.size + 1, dtype=np.int64)
    states[0] = state
    for t in range(engines.size):
        ways = ((int(states[t]), int(engines[t]), kind) for kind in FITS[np.sign(gears[t] - gear)])
        found = next((moves[way] for way in ways if way in moves), None)
        if found is None:
            raise ValueError(f"step {t}: engine class {engines[t]} cannot follow")
        states[t + 1], gear = found, gears[t]
    return states


def begins_start(engine_class: np.ndarray) -> np.ndarray:
    """Return which steps begin an engine start, bool, (steps,).

    Parameters
    ----------
    engine_class
        :class:`EngineClass` of each step, (steps,); a start of several steps is one interval
        of STARTING.
    """
    starting = engine_class == EngineClass.STARTING
    return np.asarray(starting & ~np.concatenate(([False], starting[:-1])))


@kernel(inline="always")
def _gear_fits(graph: Graph, move: int, gear: int, gear_after: int) -> bool:
    """Whether a move may go from a gear to a gear.

    Its kind is 0 any, 1 the same, 2 another, 3 a higher, 4 a lower one.
    """
    kind = graph.gear[move]
    if kind < 3:
        return bool(kind == 0 or (kind == 1) == (gear == gear_after))
    return bool(gear_after > gear if kind == 3 else gear_after < gear)
