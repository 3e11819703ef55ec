"""Numba kernels of the optimiser's forward run: cost-to-go, choice of a step, the whole run."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _landing, _landings, _next_soc, _rates, _state
from ..physics.codes import OFF
from ..physics.comfort import _torque_span
from ..problem.graph import Moves, _gear_fits
from ..problem.grid import _terminal
from .torque_rates import Room, _placed, _within_reach

GOLDEN = 0.6180339887498949


class Offer(NamedTuple):
    """The splits of one gear and engine class in a step.

    Attributes
    ----------
    cost : g, infinite where a split is not admissible, (splits,)
    power : battery power, W, (splits,)
    """

    cost: Any
    power: Any


class BatteryAt(NamedTuple):
    """The battery at a SoC, for a step.

    Attributes
    ----------
    state : voltage, resistances and limits of power, see `_state`
    rates : see `_rates`
    soc : 0 to 1
    """

    state: Any
    rates: Any
    soc: float


class Ahead(NamedTuple):
    """The cost-to-go after a step.

    Attributes
    ----------
    grid : the SoC grid
    row : g, cost-to-go over its points, (points,); of all states and gears, (states, gears,
        points); or after all steps too, (steps + 1, states, gears, points)
    final : whether the step is the last one, so that the terminal value counts instead
    aim : SoC by which the cost-to-go is shifted upwards, so that the run ends that much higher
    """

    grid: Any
    row: Any
    final: bool
    aim: float


class Given(NamedTuple):
    """What is given of a step's decision: gear -1 is nothing.

    Attributes
    ----------
    gear, engine : gear from 0, and engine class
    motor : 0 where the motor is off, above 0 where it is on
    """

    gear: int
    engine: int
    motor: int


class Track(NamedTuple):
    """A forward run while it is made; path[0] and states[0] are given.

    Attributes
    ----------
    gears, classes, splits, shares : decision of each step, (steps,): gear from 0, engine class,
        split by number, and the share of the way from it to the next one
    states, path : state of the graph, and SoC, before each step and at the end, (steps + 1,)
    costate : g per unit of SoC, drop of the cost-to-go after each step, (steps,)
    torque : N m, torque of the engine before each step, at least 0, and at the end, (steps + 1,);
        NaN where none is known or the rates of it are not limited
    """

    gears: Any
    classes: Any
    splits: Any
    shares: Any
    states: Any
    path: Any
    costate: Any
    torque: Any


@kernel
def _value(grid, row, soc):
    """Cost-to-go between grid points: linear; below the window by the penalty, above flat.

    NaN where the row does not hold the points.
    """
    y = (soc - grid.low) / grid.spacing
    i, share, below = min(max(int(y), 0), grid.points - 1), 0.0, 0.0
    if y <= 0.0:
        below = grid.floor_penalty * grid.spacing * y
    elif i < grid.points - 1:
        share = y - i
    i -= grid.first
    if i < 0 or i >= row.size or (share > 0.0 and i + 1 == row.size):
        return np.nan
    return row[i] - below + (share * (np.float64(row[i + 1]) - row[i]) if share > 0.0 else 0.0)


@kernel
def _slope(grid, row, soc):
    """Drop of the cost-to-go per unit of SoC in the grid cell that a SoC lies in."""
    i = min(max(int((soc - grid.low) / grid.spacing) - grid.first, 0), row.size - 2)
    return (np.float64(row[i]) - row[i + 1]) / grid.spacing


@kernel
def _between(values, k, share):
    """Value of a split that lies a share of the way from k to k + 1."""
    return values[k] + share * (values[k + 1] - values[k]) if share > 0.0 else values[k]


@kernel
def _total(grams, after, ahead):
    """Cost plus value of landing at a SoC; infinite when the landing is beyond a limit."""
    if np.isnan(after):
        return np.inf
    grams += ahead.grid.floor_penalty * max(ahead.grid.low - after, 0.0)
    if ahead.final:
        return grams + _terminal(ahead.grid, after - ahead.aim)
    return grams + _value(ahead.grid, ahead.row, after - ahead.aim)


@kernel
def _landed(offer, k, share, here):
    """SoC after a split between k and k + 1; NaN beyond a battery limit."""
    return _landing(here.state, here.rates, here.soc, _between(offer.power, k, share))


@kernel
def _mixed(offer, k, share, here, ahead):
    """Cost plus value after a split between k and k + 1."""
    return _total(_between(offer.cost, k, share), _landed(offer, k, share, here), ahead)


@kernel
def _refine(offer, split, best, here, ahead):
    """Golden-section search between a split and its neighbours; never worse than the split."""
    best_split, best_share, costs = split, 0.0, offer.cost
    for k in (split - 1, split):
        if k < 1 or k + 1 >= costs.size or costs[k] == np.inf or costs[k + 1] == np.inf:
            continue
        low, high = 0.0, 1.0
        a, b = 1.0 - GOLDEN, GOLDEN
        fa, fb = _mixed(offer, k, a, here, ahead), _mixed(offer, k, b, here, ahead)
        for _ in range(26):
            if fa <= fb:
                high, b, fb = b, a, fa
                a = high - GOLDEN * (high - low)
                fa = _mixed(offer, k, a, here, ahead)
            else:
                low, a, fa = a, b, fb
                b = low + GOLDEN * (high - low)
                fb = _mixed(offer, k, b, here, ahead)
        share, total = (a, fa) if fa <= fb else (b, fb)
        if total < best:
            best, best_split, best_share = total, k, share
    return best_split, best_share, best


@kernel
def _trim(offer, here, top, k, share):
    """Charge no more than the SoC window takes: raise the split until the step ends in it.

    The sweep values charge beyond the window like a full battery; here the motor gives way
    (and the brakes or a lower engine torque take over). Returns split -1 if that is impossible.
    """
    costs, count = offer.cost, offer.cost.size
    if not _landed(offer, k, share, here) > top:
        return k, share
    if k == 0:
        return -1, 0.0
    while k + 1 < count and _landed(offer, k + 1, 0.0, here) > top:
        k, share = k + 1, 0.0
    if k + 1 >= count or costs[k] == np.inf or costs[k + 1] == np.inf:
        return -1, 0.0
    low, high = share, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _landed(offer, k, middle, here) > top:
            low = middle
        else:
            high = middle
    return (k + 1, 0.0) if high == 1.0 else (k, high)


@kernel
def _totals(costs, after, ahead, totals):
    """Fill cost plus value of every split's landing, as `_total`, in vector registers but for V."""
    grid, row, final, aim = ahead
    low, floor_penalty = grid.low, grid.floor_penalty
    for k in range(costs.size):
        grams = costs[k] + floor_penalty * max(low - after[k], 0.0)
        totals[k] = np.inf if np.isnan(after[k]) else grams
    for k in range(costs.size):
        if totals[k] < np.inf:
            soc = after[k] - aim
            totals[k] += _terminal(grid, soc) if final else _value(grid, row, soc)


@kernel
def _offer(points, t, gear, engine):
    """Return the splits of a gear and engine class in a step."""
    begin = points.first[t, gear, engine]
    end = begin + points.length[t, gear, engine]
    return Offer(points.cost[begin:end], points.power[begin:end])


@kernel(inline="always")
def _is_limited(rates, engine, before):
    """Whether the engine's torque in a step is limited by that before it."""
    return rates.total.size > 0 and before == before and engine != OFF


@kernel
def _reachable(points, t, gear, engine, rates, before, room):
    """Return the splits of a gear and engine class that keep the rates of the engine's torque."""
    offer = _offer(points, t, gear, engine)
    if not _is_limited(rates, engine, before) or offer.cost.size == 0:
        return offer
    low, high = _torque_span(rates.rise, rates.fall, before, points.dt[t])
    total = rates.total[t, gear, engine]
    span = total - high, total - low if low > 0.0 else np.inf
    used = _within_reach(offer.cost, offer.power, rates.motor[t, gear, engine], span, room)
    return Offer(room.cost[:used], room.power[:used])


@kernel
def _choose(points, t, moves, here, ahead, state, gear, given, rates, before):
    """Best decision of one step from a continuous SoC: gear, move, split, share and value.

    `state` and `gear` are those before the step, `moves` those of the step, and `ahead` has the
    values of all states and gears. The split may lie a share of the way to the next one. The value
    is infinite when nothing is admissible. `before` is the engine's torque before the step; NaN
    leaves its rates aside.
    """
    grid, graph = ahead.grid, moves.graph
    none: Any = np.int64(-1)  # with a bare -1, all kernels that take it would compile once more
    best, pick = np.inf, (none, none, none, 0.0)
    size = points.longest + 2
    landings, totals = np.empty(size), np.empty(size)
    room = Room(np.empty(size), np.empty(size), np.empty(size))
    for g in range(points.first.shape[1]):
        for m in range(graph.source.size):
            c = graph.engine[m]
            if given.gear >= 0 and (g != given.gear or c != given.engine):
                continue
            if graph.source[m] != state or not _gear_fits(graph, m, gear, g):
                continue
            event = moves.shift[c, gear, g] + moves.cost[m]
            if event == np.inf or here.soc < moves.opens[m]:
                continue
            offer = _reachable(points, t, g, c, rates, before, room)
            after = _after_move(ahead, graph.target[m], g)
            costs = offer.cost
            _landings(offer.power, costs.size, here.state, here.rates, here.soc, landings)
            _totals(costs, landings, after, totals)
            for k in range(costs.size):
                if costs[k] == np.inf or (given.gear >= 0 and (k > 0) != (given.motor > 0)):
                    continue
                j, share, total = k, 0.0, event + totals[k]
                if landings[k] > grid.top:
                    j, share = _trim(offer, here, grid.top, k, 0.0)
                    if j < 0:
                        continue
                    total = event + _mixed(offer, j, share, here, after)
                if total < best:
                    best, pick = total, (g, m, j, share)
    g, m, k, share = pick
    if k < 0:
        return g, m, k, share, best
    c = graph.engine[m]
    event = moves.shift[c, gear, g] + moves.cost[m]
    offer = _reachable(points, t, g, c, rates, before, room)
    if share == 0.0:
        after = _after_move(ahead, graph.target[m], g)
        k, share, total = _refine(offer, k, best - event, here, after)
        k, share = _trim(offer, here, grid.top, k, share)
        best = event + total
    if _is_limited(rates, c, before):
        k, share = _placed(room, k, share)
    return g, m, k, share, best


@kernel
def _decide(points, t, moves, here, ahead, state, gear, given, rates, before):
    """As `_choose`, without rates of torque where they leave nothing that keeps the SoC window."""
    pick = _choose(points, t, moves, here, ahead, state, gear, given, rates, before)
    if rates.total.size == 0 or before != before:
        return pick
    g, m, k, share, best = pick
    if best < np.inf:
        offer = _offer(points, t, g, moves.graph.engine[m])
        if _landed(offer, k, share, here) >= min(ahead.grid.low, here.soc):
            return pick
    return _choose(points, t, moves, here, ahead, state, gear, given, rates, np.nan)


@kernel
def _after_move(ahead, state, gear):
    """Return the cost-to-go of one state and gear."""
    return Ahead(ahead.grid, ahead.row[state, gear], ahead.final, ahead.aim)


@kernel
def _forward(points, cell, moves, ahead, gear, frozen, rates, track):
    """Run the optimal policy forward over a part of the steps; return the number of steps done.

    Where it is `frozen`, gears, classes and where the motor is on are given in the track, and only
    the splits are chosen. `gear` is the one before the part. The cost-to-go may have an offset: it
    changes no choice. `ahead.final` says whether the part ends where the problem does.
    """
    steps = points.first.shape[0]
    nothing = Given(-1, 0, 0)
    for t in range(steps):
        soc, last = track.path[t], ahead.final and t == steps - 1
        here = BatteryAt(_state(cell, soc), _rates(cell, points.dt[t]), soc)
        given = nothing
        if frozen:
            given = Given(track.gears[t], track.classes[t], track.splits[t])
        now = Moves(moves.graph, moves.shift[t], moves.cost[t], moves.opens)
        after = Ahead(ahead.grid, ahead.row[t + 1], last, ahead.aim)
        state, before = track.states[t], track.torque[t]
        g, m, k, share, best = _decide(
            points, t, now, here, after, state, gear, given, rates, before
        )
        if best == np.inf:
            return t
        c, state = moves.graph.engine[m], moves.graph.target[m]
        track.gears[t], track.classes[t], track.splits[t], track.shares[t] = g, c, k, share
        watts = _between(_offer(points, t, g, c).power, k, share)
        track.path[t + 1] = _next_soc(cell, here.state, soc, watts, points.dt[t])
        track.states[t + 1], gear = state, g
        if rates.total.size > 0:
            track.torque[t + 1] = 0.0
            if c != OFF:
                motor = _between(rates.motor[t, g, c], k, share)
                track.torque[t + 1] = max(rates.total[t, g, c] - motor, 0.0)
        track.costate[t] = _slope(ahead.grid, ahead.row[t + 1, state, g], track.path[t + 1])
    return steps
