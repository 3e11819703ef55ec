"""Bound and schedule with limits of comfort, on the instances of test_milp.py.

HiGHS solves the same instance with the same limits to proven optimality: mixed_integer() in
oracle.py knows times and rates from a run's history, not from the package's states and moves.
"""

import dataclasses
import functools

import numpy as np
import oracle
import pytest
import test_milp
from test_milp import EXACT, SHIFT, battery, penalty
from xarray import DataArray

from hybridopt import read_cycle
from hybridopt.dp.bound import lower_bound
from hybridopt.inputs.comfort import Comfort
from hybridopt.optimum.solve import solve
from hybridopt.physics.demand import wheel_demand
from hybridopt.physics.operating_points import OperatingPoints, list_operating_points
from hybridopt.problem.events import start_costs, stop_costs

RPM, KM_PER_H = 2 * np.pi / 60, 1 / 3.6
LINE = DataArray([20.0, 60.0, 60.0], {"speed": np.array([800, 1100, 2400]) * RPM}, ("speed",))
LIMITS = {
    "none": Comfort(),
    "lugging": Comfort(lugging_torque=LINE),
    "starts": Comfort(no_start=((20 * KM_PER_H, 30 * KM_PER_H),)),
    "stops": Comfort(no_stop=((20 * KM_PER_H, 60 * KM_PER_H),)),
    "reversal": Comfort(min_reversal_time=20.0),
    "rise": Comfort(torque_rise=25.0),
    "fall": Comfort(torque_fall=10.0),
}
LONGER = [name for name in LIMITS if name not in ("none", "starts")]
PIECE = (68, 90)
"""s of the cycle; each limit costs something there."""


@functools.cache
def instance(name):
    """Points, settings, what starts and stops cost, and the engine's torque of every split."""
    car = dataclasses.replace(test_milp.driveline(), comfort=LIMITS[name])
    demand = wheel_demand(car.vehicle, read_cycle("wltc_class3b").cut(*PIECE))
    listed = list_operating_points(car, demand, test_milp.SPLITS)
    cost, power, motor = test_milp.few_splits(listed)
    points = dataclasses.replace(
        OperatingPoints.bare(listed.dt, cost, power), motor_torque=motor, total=listed.total
    )
    settings = oracle.settings(2001, 0.57, 0.65, 0.6, start_cost=0.02)
    settings = settings.resolved(dataclasses.replace(car, battery=battery()))
    events = {
        "stop_costs": stop_costs(car, demand, settings),
        "start_costs": start_costs(car, demand),
    }
    return points, settings, events, np.maximum(listed.total[..., None] - motor, 0.0)


@functools.cache
def optimum(name):
    points, settings, events, torque = instance(name)
    more = {"engine_torque": torque} if settings.torque_rise or settings.torque_fall else {}
    given = points, battery(), settings, penalty(), SHIFT
    return oracle.mixed_integer(*given, mixed=True, **events, **more).cost


@pytest.mark.long
@pytest.mark.parametrize(
    "name", ["starts", *(pytest.param(n, marks=pytest.mark.long) for n in LONGER)]
)
def test_bound_and_schedule_beside_the_optimum_of_the_integer_program(name):
    points, settings, events, torque = instance(name)
    found = solve(points, battery(), settings, penalty(), SHIFT, **events)
    best = optimum(name)
    assert best > optimum("none") + 1e-3, "the limit binds"
    assert lower_bound(found.problem, found.run, found.costate).bound <= best + EXACT
    plan, steps = found.schedule, np.arange(points.steps)
    if name in ("rise", "fall"):  # what is not in the cost-to-go may cost more than it must
        on = plan.engine_class > 0
        total = points.total[steps, plan.gear, plan.engine_class]
        engine = np.where(on, np.maximum(total - plan.motor_torque, 0.0), 0.0)
        change = np.diff(engine, prepend=0.0)
        rise, fall = (r or np.inf for r in (settings.torque_rise, settings.torque_fall))
        assert (change <= rise + 1e-6).all() and (~on | (change >= -fall - 1e-6)).all()
        assert found.cost <= best + 0.05  # regression only: 0.010 and 0.025 g measured
    else:  # mixtures in any proportion cost less than those of neighbours
        assert -EXACT <= found.cost - best <= test_milp.grid_error(points, settings)
