"""Limits of comfort on a real drive: optimum, its replay, rules and tables keep them.

What is kept is read off traces and driveline alone, in plain Python. The optimum of programs with
the limits is in tests/dp/test_comfort_limits.py, of random ones in tests/dp/test_brute_force.py.
"""

import dataclasses
import functools

import numpy as np
import pytest
from makers import RUNNING, plain_driveline, varied, wanted
from rule_tables import hand_made
from test_inhibitors import FULL, GRID, restless
from xarray import DataArray

from hybridopt import Settings, read_cycle
from hybridopt.base.errors import InfeasibleError
from hybridopt.base.units import KM_PER_H, RPM
from hybridopt.controllers.builtin import Equivalence, Playback, PowerThresholds
from hybridopt.controllers.closed_loop import CLIPPINGS, ClosedLoop
from hybridopt.evaluation.case import Case
from hybridopt.inputs.comfort import Comfort
from hybridopt.optimum.certificate import (
    RATES,
    check_certificate,
    make_certificate,
    problem_differs,
)
from hybridopt.physics.codes import Reason
from hybridopt.physics.operating_points import all_points
from hybridopt.physics.plant import engine_limit, pack
from hybridopt.physics.replay import replay_schedule
from hybridopt.physics.schedule import Schedule
from hybridopt.pipeline import find_optimum, state_problem

LINE = np.array([800.0, 1100.0, 1500.0]) * RPM, np.array([50.0, 80.0, 150.0])
COMFORT = Comfort(
    lugging_torque=DataArray(LINE[1], {"speed": LINE[0]}, ("speed",)),
    no_start=((0.0, 8 * KM_PER_H), (18 * KM_PER_H, 26 * KM_PER_H)),
    no_stop=((36 * KM_PER_H, 41 * KM_PER_H),),
    min_reversal_time=4.0,
    torque_rise=50.0,
    torque_fall=30.0,
)
FREE = Comfort()
EACH = ["lugging_torque", "no_start", "no_stop", "min_reversal_time", "torque_rise", "torque_fall"]


@functools.cache
def town():
    return read_cycle("wltc_class3b_low").cut(0, 200)


@functools.cache
def known(*limits):
    """Solve with some of the limits."""
    some = Comfort(**{name: getattr(COMFORT, name) for name in limits})
    settings = Settings(**GRID, shift_cost=0.005)
    return find_optimum(town(), dataclasses.replace(FULL, comfort=some), settings)


def offences(trace):
    """Return (step, limit) of everything that a trace does against COMFORT."""
    names = "speed", "dt", "gear", "engine_on", "engine_speed", "engine_torque", "launch_clutch"
    speed, dt, gear, on, turning, torque, clutch = (trace[n].values.tolist() for n in names)
    found = []
    for t in range(len(dt)):
        was = on[t - 1] if t else 0
        before = max(torque[t - 1], 0.0) if was else 0.0
        change = max(torque[t], 0.0) - before
        inside = {n: any(a <= speed[t] <= b for a, b in getattr(COMFORT, n)) for n in EACH[1:3]}
        over = turning[t] <= LINE[0][-1] and torque[t] > np.interp(turning[t], *LINE) + 1e-6
        broken = {
            "lugging_torque": on[t] and clutch[t] != 1 and over,
            "no_start": on[t] and not was and inside["no_start"],
            "no_stop": was and not on[t] and inside["no_stop"],
            "torque_rise": on[t] and change > COMFORT.torque_rise * dt[t] + 1e-3,
            "torque_fall": was and on[t] and -change > COMFORT.torque_fall * dt[t] + 1e-3,
        }
        found += [(t, name) for name, bad in broken.items() if bad]
    shifts = [(t, gear[t] > gear[t - 1]) for t in range(1, len(dt)) if gear[t] != gear[t - 1]]
    for (first, up), (last, up_again) in zip(shifts, shifts[1:], strict=False):
        if up != up_again and sum(dt[first:last]) < COMFORT.min_reversal_time - 1e-9:
            found.append((last, "min_reversal_time"))
    return found


@pytest.mark.long
@pytest.mark.parametrize("name", EACH)
def test_each_alone_is_kept_and_would_not_be_otherwise(name):
    assert name not in {limit for _, limit in offences(known(name).trace)}
    if name != "min_reversal_time":  # of which the optimum has none in town
        assert name in {limit for _, limit in offences(known().trace)}


def test_the_optimum_with_all_keeps_all_and_plays_back_unclipped():
    found = known(*EACH)
    assert offences(found.trace) == []
    assert found.bound.bound <= found.solution.cost
    case = Case(found)
    drive = case.loop.run(Playback(schedule=found.solution.schedule))
    assert not drive.clipped.any()
    assert drive.cost == pytest.approx(found.solution.cost, rel=1e-3)
    attrs = found.result().dataset.attrs
    assert attrs["torque_rise_passed_s"] == attrs["torque_fall_passed_s"] == 0.0
    assert min(attrs[f"{n}_limit_s"] for n in ("lugging", "torque_rise", "torque_fall")) > 0.0


RULES = {
    "load": PowerThresholds(),
    "best gears": Equivalence(gears="best", min_on=0.0, min_off=0.0, min_gear=0.0),
    "table": hand_made(driveline=FULL).table,
}


@pytest.mark.parametrize("name", [*RULES, "restless"])
def test_rules_keep_all(name):
    """But where nothing else drives a step, which is marked; the lugging line always."""
    case = Case(known(*EACH))
    drive = case.drive(RULES[name] if name in RULES else restless())
    marked = set(np.flatnonzero(drive.clipped & CLIPPINGS["inhibitor"]).tolist())
    found = offences(case.loop.replay(drive))
    assert {t for t, _ in found} <= marked
    assert "lugging_torque" not in {limit for _, limit in found}
    free = Case(known())
    would = offences(free.loop.replay(free.loop.run(RULES.get(name) or restless())))
    assert len(would) > len(found)


@pytest.mark.long
def test_the_certificate_states_them_and_says_what_it_leaves_out():
    found = known(*EACH)
    made = make_certificate(found)
    assert made["about"]["leaves_out"] == RATES
    assert check_certificate(made).cost == pytest.approx(found.solution.cost, abs=1e-6)
    given = town(), found.driveline, found.settings
    assert problem_differs(made, state_problem(*given)) == ""
    for name in EACH[:4]:
        fewer = dataclasses.replace(found.driveline.comfort, **{name: getattr(FREE, name)})
        car = dataclasses.replace(found.driveline, comfort=fewer)
        settings = dataclasses.replace(found.settings, min_reversal_time=fewer.min_reversal_time)
        assert problem_differs(made, state_problem(town(), car, settings)) != "", name


# --- the lugging line ---

LOW = Comfort(lugging_torque=DataArray([80.0], {"speed": [400.0]}, ("speed",)))


def test_why_a_point_is_not_admissible():
    """At 300 rad/s (see makers) 1400 N m want 245 N m at the input; the motor gives 160 N m.

    With 80 N m of the engine that is too much, with its 200 N m not; 2200 N m want 384 N m.
    """
    car = dataclasses.replace(plain_driveline(), comfort=LOW)
    for torque, expected in ((1300.0, 0), (1400.0, Reason.LUGGING), (2200.0, Reason.ENGINE_TORQUE)):
        points = all_points(car, wanted(15.0, torque), 21)
        assert points.reason[0, 1, RUNNING, 1] == expected
    plan = Schedule(*(np.array([x]) for x in (1, int(RUNNING), 10.0, True)))
    with pytest.raises(InfeasibleError, match=Reason.MOTOR_TORQUE.text):
        replay_schedule(car, wanted(15.0, 600.0), plan, 0.5)


def test_limit_of_the_engine_is_the_lower_line_with_its_crossing():
    """Full load 200 N m; a line from 100 N m at 100 rad/s to 300 at 300 meets it at 200 rad/s."""
    line = DataArray([100.0, 300.0], {"speed": [100.0, 300.0]}, ("speed",))
    plant = pack(varied(plain_driveline(), comfort={"lugging_torque": line}))
    speed, torque = engine_limit(plant)
    at = np.array([90.0, 150.0, 200.0, 290.0, 500.0])
    np.testing.assert_allclose(np.interp(at, speed, torque), [100.0, 150.0, 200.0, 200.0, 200.0])


def test_rates_give_way_where_nothing_else_drives():
    """3800 N m want 334 N m in gear 1 (see makers), of which the motor gives 160 N m.

    In the gears above that is more than both give. The engine has to jump to 174 N m, then may
    stay; 10 N m/s are kept in the step after that, which wants less.
    """
    car = varied(plain_driveline(), comfort={"torque_rise": 10.0, "torque_fall": 10.0})
    demand = wanted(np.full(4, 15.0), [300.0, 3800.0, 3800.0, 3000.0])
    settings = Settings(engine_on_start=True).resolved(car)
    loop = ClosedLoop(car, demand, settings)
    drive = loop.run(PowerThresholds())
    passed = np.flatnonzero(drive.clipped & CLIPPINGS["inhibitor"])
    torque = loop.replay(drive).engine_torque.values
    assert passed.tolist() == [1]
    assert drive.schedule.gear[1] == 0 and torque[1] >= 174.0 - 1.0
    assert (np.abs(np.diff(torque[1:])) <= 10.0 + 1e-6).all()
