"""Numba kernels of the forward run with the oil temperature as it really is."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.battery import _landing, _next_soc, _rates, _state
from ..physics.codes import OFF
from ..physics.entries import R_DT, R_OIL
from ..physics.point_kernels import _fill_points
from ..physics.step_costs import StepCosts
from ..physics.warm_up import _set_oil, _warmed
from ..problem.graph import Moves
from .kernels import Ahead, BatteryAt, Given, _between, _decide, _slope, _value
from .oil_bends import _bend, _inner, _second
from .torque_rates import TorqueRates

BESIDE = 4  # columns of values beyond those that choices land between


class OilDrive(NamedTuple):
    """What a run with the oil temperature takes beside the cost-to-go.

    Attributes
    ----------
    plant, warming : the driveline, and how it warms up
    rows : what is asked of each step; the run sets what the oil decides, (steps, R_SIZE)
    oil : temperatures of the nodes, degC, (nodes,)
    splits, room : motor torques to aim at, and the length of the splits axis
    rise, fall : rates of the engine's torque, N m/s, infinite without a limit
    moves : the moves with what they cost at nodes that are warm enough for a stop
    stops : int64, 1 for moves that stop the engine, (moves,)
    aimed : the graph with arrivals as the targets of its moves
    """

    plant: Any
    warming: Any
    rows: Any
    oil: Any
    splits: int
    room: int
    rise: float
    fall: float
    moves: Any
    stops: Any
    aimed: Any


class OilTrack(NamedTuple):
    """What a run with the oil temperature does beside a :class:`hybridopt.dp.kernels.Track`.

    Attributes
    ----------
    oil : degC, before each step and at the end, (steps + 1,); the first is given
    torque : N m of the motor, (steps,)
    paid : g, what the choices cost, (steps,)
    """

    oil: Any
    torque: Any
    paid: Any


class Listed(NamedTuple):
    """The choices of one step at its temperature, and room for what a run makes of them.

    Arrays are (1, gears, classes, room) but `first`, `count` and `total`, (1, gears, classes).
    """

    cost: Any
    power: Any
    torque: Any
    reason: Any
    valued: Any
    first: Any
    count: Any
    total: Any


@kernel
def _make_listed(gears, room):
    shape = (1, gears, 3, room)
    first = np.empty((1, gears, 3), dtype=np.int64)
    for g in range(gears):
        for c in range(3):
            first[0, g, c] = (g * 3 + c) * room
    return Listed(
        np.empty(shape),
        np.empty(shape),
        np.empty(shape),
        np.empty(shape, dtype=np.int8),
        np.empty(shape),
        first,
        np.empty((1, gears, 3), dtype=np.int64),
        np.zeros((1, gears, 3)),
    )


@kernel(inline="always")
def _burnt(warming, cost, power, dt):
    """Fuel in the cost of a choice, g."""
    return cost - warming.wear * abs(power) * dt


@kernel
def _place(oil, temperature):
    """Return the number of the node below a temperature, and the share of the way to the next."""
    i = 0
    while i < oil.size - 2 and oil[i + 1] <= temperature:
        i += 1
    return i, (temperature - oil[i]) / (oil[i + 1] - oil[i])


@kernel
def _bend_at(oil, column, i):
    """Bend of the cell from a node on, of values over all nodes."""
    if oil.size < 3:
        return 0.0
    j, k = _inner(i, oil.size), _inner(i + 1, oil.size)
    left, width, right = oil[j] - oil[j - 1], oil[i + 1] - oil[i], oil[k + 1] - oil[k]
    one = _second(column[j - 1], column[j], column[j + 1], left, oil[j + 1] - oil[j])
    two = _second(column[k - 1], column[k], column[k + 1], oil[k] - oil[k - 1], right)
    return _bend(one, two, width)


@kernel
def _curved(oil, values, i, share):
    """Value a share of the way between two nodes, of values at all nodes."""
    low, high = values[i], values[i + 1]
    if not low < np.inf:
        return low
    return low + share * (high - low) - share * (1.0 - share) * _bend_at(oil, values, i)


@kernel
def _columns(listed, here, ahead, size):
    """First and last column of values, of so many, that a step's choices may land beside."""
    low, high = 0.0, 0.0
    for g in range(listed.cost.shape[1]):
        for c in range(3):
            for k in range(listed.count[0, g, c]):
                if listed.cost[0, g, c, k] < np.inf:
                    power = listed.power[0, g, c, k]
                    low, high = min(low, power), max(high, power)
    state, grid = here.state, ahead.grid
    below = _landing(state, here.rates, here.soc, min(high, state[3])) - abs(ahead.aim)
    above = _landing(state, here.rates, here.soc, max(low, state[4])) + abs(ahead.aim)
    if not (below <= here.soc <= above):  # no power at all lies within the battery's limits
        return 0, size - 1
    first = int((below - grid.low) / grid.spacing) - grid.first - BESIDE
    last = int((above - grid.low) / grid.spacing) - grid.first + BESIDE
    return min(max(first, 0), size - 1), max(min(last, size - 1), 0)


@kernel
def _value_choices(drive, listed, row, ahead, graph, here, blended):
    """Blend the value after a step where each list lands, and price what splits land beside it.

    Every arrival and gear gets the row at the mean temperature after its list, in the columns that
    choices land beside, and each split's cost the difference of value between that and where it
    lands, at the present SoC.
    """
    warming, oil, temperature, soc = drive.warming, drive.oil, row[R_OIL], here.soc
    values = np.empty(oil.size)
    first, last = _columns(listed, here, ahead, blended.shape[2])
    for i in range(graph.arrival_engine.size):
        c, s = graph.arrival_engine[i], graph.arrival_state[i]
        for g in range(blended.shape[1]):
            cost, power = listed.cost[0, g, c], listed.power[0, g, c]
            mean, used = 0.0, 0
            for k in range(listed.count[0, g, c]):
                if cost[k] < np.inf:
                    fuel = _burnt(warming, cost[k], power[k], row[R_DT])
                    mean += _warmed(warming, temperature, row, fuel)
                    used += 1
            if used == 0:
                continue
            j, share = _place(oil, mean / used)
            out = blended[i, g]
            for x in range(first, last + 1):
                for n in range(max(j - 1, 0), min(j + 3, oil.size)):
                    values[n] = ahead.row[n, s, g, x]
                out[x] = _curved(oil, values, j, share)
            middle = _value(ahead.grid, out, soc)
            for n in range(oil.size):
                values[n] = _value(ahead.grid, ahead.row[n, s, g], soc)
            for k in range(listed.count[0, g, c]):
                listed.valued[0, g, c, k] = cost[k]
                if cost[k] < np.inf and middle < np.inf:
                    fuel = _burnt(warming, cost[k], power[k], row[R_DT])
                    n, way = _place(oil, _warmed(warming, temperature, row, fuel))
                    landed = _curved(oil, values, n, way)
                    if landed < np.inf:
                        listed.valued[0, g, c, k] += landed - middle


@kernel
def _oil_forward(drive, cell, ahead, gear, frozen, track, oil_track):
    """Run forward over a part of the steps; return how many were done. See `_forward`.

    `ahead.row` is (steps + 1, nodes, states, gears, points). States are those of the graph.
    """
    steps, graph = drive.rows.shape[0], drive.moves.graph
    gears, columns = ahead.row.shape[3], ahead.row.shape[4]
    listed, only = _make_listed(gears, drive.room), np.full((1, 2), -1)
    blended = np.full((graph.arrival_engine.size, gears, columns), np.inf)
    nothing = Given(-1, 0, 0)
    for t in range(steps):
        soc, last = track.path[t], ahead.final and t == steps - 1
        row = drive.rows[t]
        _set_oil(drive.warming, oil_track.oil[t], row)
        _fill_points(
            drive.plant,
            drive.rows[t : t + 1],
            drive.splits,
            only,
            listed.cost,
            listed.power,
            listed.torque,
            listed.count,
            listed.reason,
            listed.total,
        )
        dt = drive.rows[t : t + 1, R_DT]
        here = BatteryAt(_state(cell, soc), _rates(cell, row[R_DT]), soc)
        now = Ahead(ahead.grid, ahead.row[t + 1], last, ahead.aim)
        _value_choices(drive, listed, row, now, graph, here, blended)
        points = StepCosts(
            dt, listed.valued.ravel(), listed.power.ravel(), listed.first, listed.count, drive.room
        )
        given = nothing
        if frozen:
            given = Given(track.gears[t], track.classes[t], track.splits[t])
        costs = drive.moves.cost[t].copy()
        if oil_track.oil[t] < drive.warming.stop:
            for m in range(costs.size):
                if drive.stops[m] == 1:
                    costs[m] = np.inf
        moves = Moves(drive.aimed, drive.moves.shift[t], costs, drive.moves.opens)
        rates = TorqueRates(drive.rise, drive.fall, listed.torque, listed.total)
        if not (drive.rise < np.inf or drive.fall < np.inf):
            rates = TorqueRates(drive.rise, drive.fall, listed.torque[:0], listed.total[:0])
        after = Ahead(ahead.grid, blended, last, ahead.aim)
        g, m, k, share, best = _decide(
            points, 0, moves, here, after, track.states[t], gear, given, rates, track.torque[t]
        )
        if best == np.inf:
            return t
        c = graph.engine[m]
        watts = _between(listed.power[0, g, c], k, share)
        paid = _between(listed.cost[0, g, c], k, share)
        torque = _between(listed.torque[0, g, c], k, share)
        track.gears[t], track.classes[t], track.splits[t], track.shares[t] = g, c, k, share
        track.path[t + 1] = _next_soc(cell, here.state, soc, watts, row[R_DT])
        track.states[t + 1], gear = graph.target[m], g
        fuel = _burnt(drive.warming, paid, watts, row[R_DT])
        oil_track.oil[t + 1] = _warmed(drive.warming, oil_track.oil[t], row, fuel)
        oil_track.torque[t], oil_track.paid[t] = torque, paid
        track.torque[t + 1] = 0.0
        if c != OFF:
            track.torque[t + 1] = max(listed.total[0, g, c] - torque, 0.0)
        track.costate[t] = _slope(ahead.grid, blended[graph.arrival[m], g], track.path[t + 1])
    return steps
