"""The first decision of a shortest path, against enumeration of all paths in plain Python."""

import itertools
import math

import numpy as np
import pytest

from hybridopt.controllers.shortest_path import Locks, _first_move, _look_ahead, make_path

OFF, RUNNING, STARTING = 0, 1, 2
FREE = Locks(0.0, 0.0, 0.0, 1e9, 1e9, 1.0, 1.0)


def made(random, intervals, gears):
    """Return a path of random costs, some moves forbidden."""
    fuel = random.uniform(0.0, 0.02, (3, gears, gears))
    cost = random.uniform(0.1, 0.6, (gears, gears)) * (1.0 - np.eye(gears))
    path = make_path(intervals, fuel * (1.0 - np.eye(gears)), cost)
    path.stage[:] = random.uniform(0.0, 2.0, path.stage.shape)
    path.stage[random.random(path.stage.shape) < 0.1] = 1e6
    path.square[:] = random.uniform(0.0, 30.0, intervals)
    path.may_stop[:] = random.random(intervals) < 0.8
    path.may_shift[:] = random.random(intervals) < 0.8
    path.end[:] = random.uniform(0.0, 1.0, path.end.shape)
    return path


def path_cost(path, moves, engine, gear, first, locks=(0, 0)):
    """Cost of moves (engine, gear) from interval `first` on; infinite where one is forbidden.

    `locks` are how many of these intervals forbid starts and stops, and shifts.
    """
    total = 0.0
    for k, (e, g) in enumerate(moves, start=first):
        switches, shifts = e != engine, g != gear
        if switches and (k - first < locks[0] or (e == 0 and path.may_stop[k] == 0.0)):
            return math.inf
        if shifts and (k - first < locks[1] or path.may_shift[k] == 0.0):
            return math.inf
        c = OFF if e == 0 else (RUNNING if engine else STARTING)
        total += path.stage[k, g, c] + path.shift_cost[gear, g]
        total += path.shift_fuel[c, gear, g] * path.square[k]
        engine, gear = e, g
    return total + path.end[engine, gear]


def every_path(intervals, gears):
    return itertools.product(itertools.product(range(2), range(gears)), repeat=intervals)


@pytest.mark.parametrize("seed", range(30))
def test_value_is_that_of_the_best_of_all_paths(seed):
    random = np.random.default_rng(seed)
    gears, locks = 3, (int(random.integers(0, 3)), int(random.integers(0, 3)))
    path = made(random, 4, gears)
    found = path.value[_look_ahead(path, 1, *locks)]
    for engine, gear in itertools.product(range(2), range(gears)):
        best = min(path_cost(path, moves, engine, gear, 1, locks) for moves in every_path(3, gears))
        assert found[engine, gear] == pytest.approx(best, rel=1e-12)


def first_by_enumeration(path, allowed, engine, gear, locks):
    """Return the first move of the best path; minimum times after the first decision hold."""
    gears, costs = path.shift_cost.shape[0], {}
    for first in itertools.product(range(2), range(gears)):
        if allowed[first] == 0.0:
            continue
        e, g = first
        age = locks.dt if e != engine else locks.engine_time
        gear_age = locks.dt if g != gear else locks.gear_time
        left = (locks.on if e else locks.off) - age, locks.gear - gear_age
        held = [max(math.ceil(rest / locks.step - 1e-9), 0) for rest in left]
        c = OFF if e == 0 else (RUNNING if engine else STARTING)
        now = path.stage[0, g, c] + path.shift_cost[gear, g]
        now += path.shift_fuel[c, gear, g] * path.square[0]
        costs[first] = now + min(
            path_cost(path, moves, e, g, 1, held)
            for moves in every_path(path.stage.shape[0] - 1, gears)
        )
    return min(costs, key=costs.get)


@pytest.mark.parametrize("seed", range(40))
def test_first_move_is_that_of_the_best_path_under_minimum_times(seed):
    random = np.random.default_rng(seed)
    path, gears = made(random, 4, 3), 3
    engine, gear = int(random.integers(0, 2)), int(random.integers(0, gears))
    on, off, least = random.choice([0.0, 1.5, 3.0], 3)
    locks = Locks(on, off, least, *random.uniform(0.5, 4.0, 2), 0.5, 1.0)
    allowed = (random.random((2, gears)) < 0.7).astype(float)
    allowed[engine, gear] = 1.0
    found = _first_move(path, allowed, engine, gear, locks)
    assert found == first_by_enumeration(path, allowed, engine, gear, locks)


def test_where_nothing_is_allowed_nothing_is_chosen():
    path = made(np.random.default_rng(1), 2, 3)
    assert _first_move(path, np.zeros((2, 3)), 0, 1, FREE)[0] == -1
