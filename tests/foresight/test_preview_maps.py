"""Maps of preview against the exact costs of a cycle's steps."""

import numpy as np
import pytest
from preview import maps, preview, solved

from hybridopt import InputError, make_preview_maps
from hybridopt.controllers.foreseen import F_ACCELERATION, F_SIZE, F_SPEED, F_SPEED_START, F_TORQUE
from hybridopt.controllers.preview_kernels import _best_split, _fill_stage, _split_cost
from hybridopt.foresight.stage_costs import stage_costs
from hybridopt.physics.codes import OFF, RUNNING, STARTING

CONTROLLER_BYTES = 100_000  # what a control unit can spare; common practice, no source


def wants(known):
    """Return what the wheels want in every step of a solved cycle, as the kernels take it."""
    demand, radius = known.demand, known.driveline.vehicle.wheel_radius
    rows = np.empty((demand.steps, F_SIZE))
    rows[:, F_SPEED], rows[:, F_TORQUE] = demand.wheel_speed, demand.wheel_torque
    rows[:, F_SPEED_START] = demand.speed_start / radius
    rows[:, F_ACCELERATION] = demand.wheel_acceleration
    return rows


def mapped(known, made, factor):
    """Return the costs of every step by maps, (steps, gears, 3 engine classes)."""
    vehicle = preview().ahead(known.driveline, known.settings, known.demand).vehicle
    rows, dt = wants(known), known.demand.dt
    out = np.empty((dt.size, made.ratio.size, 3))
    for t in range(dt.size):
        _fill_stage(vehicle, rows[t], factor, dt[t], out[t])
    return out


@pytest.mark.parametrize("name", ["ece15", "eudc"])
def test_costs_by_maps_are_those_of_the_listed_operating_points(name):
    """Where something is admissible, at a price between two of the maps."""
    known, made = solved(name).optimum, maps()
    problem, factor = known.solution.problem, 1.04 * made.factor
    exact = stage_costs(problem.points, problem.cell, problem.soc, np.array([factor]))[:, 0]
    exact[..., STARTING] += problem.start_cost
    found = mapped(known, made, factor)
    for engine, close in ((OFF, 0.002), (RUNNING, 0.01), (STARTING, 0.02)):
        able = np.isfinite(exact[..., engine])
        away = np.abs(found[..., engine] - exact[..., engine])[able]
        assert np.mean(away) < close * np.abs(exact[..., engine][able]).mean() + 5e-4
    unable = ~np.isfinite(exact)
    assert np.mean(found[unable] > exact[~unable].max()) > 0.9


def test_maps_fit_a_control_unit():
    assert 4 * maps().numbers < CONTROLLER_BYTES


def test_the_best_split_is_the_best_of_many():
    """Against 2,001 torques by the same costs, and the unpowered motor."""
    known, made = solved("eudc").optimum, maps()
    vehicle = preview().ahead(known.driveline, known.settings, known.demand).vehicle
    random = np.random.default_rng(3)
    for _ in range(200):
        shaft, wanted = random.uniform(100.0, 450.0), random.uniform(-40.0, 150.0)
        factor, works = made.factor * random.uniform(0.8, 1.2), random.choice([1.0, 0.6])
        low, high = sorted(random.uniform(-100.0, 100.0, 2))
        best = _best_split(vehicle, shaft, wanted, works, factor, low, high)
        assert np.isnan(best) or low <= best <= high
        tried = np.linspace(low, high, 2001)
        costs = [_split_cost(vehicle, shaft, wanted, works, factor, torque) for torque in tried]
        found = _split_cost(vehicle, shaft, wanted, works, factor, best)
        assert found <= min(costs) + 1e-9


def test_optima_without_a_bound_are_refused():
    with pytest.raises(InputError, match="each with its bound"):
        make_preview_maps([])
