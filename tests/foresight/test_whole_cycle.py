"""The kernel of preview at a held price, with exact stage costs, against the shortest path."""

import functools

import numpy as np
import pytest

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.controllers.preview_kernels import IMPOSSIBLE
from hybridopt.controllers.shortest_path import Locks, _first_move, make_path
from hybridopt.foresight.held_price import held_price, price_optimum
from hybridopt.physics.codes import OFF, RUNNING, STARTING
from hybridopt.physics.demand import mean_demand
from hybridopt.physics.shifts import shift_fuel
from hybridopt.pipeline import find_optimum

ANY_TIME = Locks(0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0)  # no minimum times


@functools.cache
def solved(name):
    driveline = read_driveline("full")
    settings = Settings(soc_points=301, splits=31).resolved(driveline)
    known = find_optimum(read_cycle(name), driveline, settings)
    return known, price_optimum(known, held_price([known]))


def foreseen(known, on, ahead, intervals):
    """Cost of deciding by the path through some steps to come and what is ahead of them, g.

    `ahead` is (steps, 2 engine states, gears), g, expected after each step; 0 behind the last.
    """
    vehicle, steps, gears = known.driveline.vehicle, on.steps, on.gears
    fuel = shift_fuel(known.driveline, mean_demand(vehicle, np.ones(1)))[0]
    costs = fuel * vehicle.wheel_radius**2, known.settings.shift_cost * (1.0 - np.eye(gears))
    exact, shift = on.costs.stage, on.costs.shift
    stage = np.where(np.isfinite(exact), exact, IMPOSSIBLE)
    square = (known.demand.speed_start / vehicle.wheel_radius) ** 2
    (engine, gear), total = on.start, 0.0
    for t in range(steps):
        last = min(t + intervals, steps - 1)
        path = make_path(last - t + 1, *costs)
        path.stage[:], path.square[:] = stage[t : last + 1], square[t : last + 1]
        path.end[:] = ahead[last] if last < steps - 1 else 0.0
        classes = [OFF, RUNNING if engine else STARTING]
        now = np.stack([exact[t, :, c] + shift[t, c, gear] for c in classes])
        engine, gear = _first_move(path, np.isfinite(now).astype(float), engine, gear, ANY_TIME)
        total += float(now[engine, gear])
    return total


@pytest.mark.parametrize("name", ["ece15", "eudc"])
def test_preview_of_the_whole_cycle_meets_the_optimum_at_the_price_held(name):
    """Whatever is expected behind it. Closed form: the shortest path itself."""
    known, on = solved(name)
    ahead = np.ones((on.steps, 2, on.gears))
    whole = foreseen(known, on, ahead, on.steps)
    assert whole == pytest.approx(on.cost_to_go()[(0, *on.start)], rel=1e-9)


def test_preview_with_the_true_cost_to_go_behind_it_loses_nothing():
    known, on = solved("eudc")
    value = on.cost_to_go()
    for intervals in (0, 1, 7):
        cost = foreseen(known, on, value[1:], intervals)
        assert cost == pytest.approx(value[(0, *on.start)], rel=1e-9)
