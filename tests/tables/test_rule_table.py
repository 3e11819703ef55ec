"""Rule tables in closed loop: what is looked up, hysteresis, and the torque limit of the motor."""

import dataclasses

import numpy as np
import pytest
from cases import bumpy, closed_loop, stepwise
from makers import wanted

from hybridopt.base.errors import InputError
from hybridopt.controllers.maps import Map
from hybridopt.tables.rule_table import RuleTable

KM_PER_H = 1 / 3.6
RPM = 2 * np.pi / 60
SPEED_SOC = (np.array([0.0, 100.0]) * KM_PER_H, np.array([0.4, 0.6]))
SPLIT = np.array([[-50.0, -40.0, -20.0, 0.0], [-50.0, -40.0, -20.0, 20.0]])


def lines(first, second):
    """Return speeds over wheel torque 0 and 1000 N m in km/h, 1 km/h more with the engine on."""
    speeds = np.array([first, second], dtype=float)[:, :, None] + np.array([0.0, 1.0])
    return speeds * KM_PER_H


def by_gear(gears, speeds):
    axes = (np.array(gears, dtype=float), np.array([0.0, 1000.0]), np.array([0.0, 1.0]))
    return Map(axes, speeds)


RULE = RuleTable(
    min_on=0.0,
    min_off=0.0,
    min_gear=0.0,
    engine_start=Map(SPEED_SOC, np.array([[5e3, 20e3], [0.0, 10e3]])),
    engine_stop=Map(SPEED_SOC, np.array([[1e3, 5e3], [0.0, 5e3]])),
    electric_limit=Map((np.array([0.0, 6000.0]) * RPM,), np.array([100.0, 60.0])),
    motor_torque=Map(
        (np.array([1000.0, 5000.0]) * RPM, np.array([-50.0, 0.0, 100.0, 200.0]), np.array([0.5])),
        SPLIT[:, :, None],
    ),
    shift_up=by_gear([1, 2], lines([15, 25], [35, 60])),
    shift_down=by_gear([2, 3], lines([10, 20], [25, 50])),
)
SPEED = 50 * KM_PER_H


def test_a_rule_table_drives():
    rule = dataclasses.replace(RULE, min_on=2.0, min_gear=2.0)
    loop = closed_loop(bumpy(300))
    fast, slow = loop.run(rule), stepwise(loop, rule)
    assert (fast.soc == slow.soc).all()
    assert 0 < (fast.schedule.engine_class > 0).mean() < 1 and len(set(fast.schedule.gear)) == 3


def test_a_rule_table_is_looked_up_as_written():
    """At 50 km/h and 50 %: start at the mean of 5, 20, 0, 10 kW = 8.75, stop below 2.75 kW."""
    powers = np.array([8.7, 8.8, 3.0, 2.8, 2.7])
    demand = wanted(np.full(5, SPEED), powers * 1e3 * 0.3 / SPEED)
    drive = closed_loop(demand, gear_start=2).run(RULE)
    assert list(drive.schedule.engine_class > 0) == [False, True, True, True, False]
    assert set(drive.schedule.gear + 1) == {3}
    torque = demand.wheel_torque[2] / (3 * 0.98) + 3.0
    share = (SPEED / 0.3 * 3 / RPM - 1000) / 4000
    low, high = (np.interp(torque, [-50, 0, 100, 200], row) for row in SPLIT)
    assert drive.schedule.motor_torque[2] == pytest.approx((1 - share) * low + share * high)


@pytest.mark.parametrize(("share", "on"), [(0.99, False), (1.01, True)])
def test_the_engine_starts_above_the_electric_limit(share, on):
    """At 50 km/h in gear 3 (1326 rpm) the limit is 91.2 N m at the input; 3 N m drag and 0.98."""
    never = Map(SPEED_SOC, np.full((2, 2), 99e3))
    limit = 100 - 40 * (SPEED / 0.3 * 3 / RPM) / 6000
    demand = wanted([SPEED], [(share * limit - 3.0) * 3 * 0.98])
    drive = closed_loop(demand, gear_start=3).run(dataclasses.replace(RULE, engine_start=never))
    assert bool(drive.schedule.engine_class[0]) == on
    assert drive.schedule.gear[0] == 2


def test_gears_follow_their_lines_with_hysteresis():
    """Without torque gear 2 is left downwards below 10 km/h, gear 1 upwards from 15 km/h."""
    speeds = np.array([14.0, 16.0, 11.0, 9.0, 14.0, 36.0, 26.0, 24.0]) * KM_PER_H
    drive = closed_loop(wanted(speeds, 0.0)).run(RULE)
    assert list(drive.schedule.gear + 1) == [1, 2, 2, 1, 1, 3, 3, 2]


@pytest.mark.parametrize(("power", "gear"), [(0.0, 1), (30e3, 2)])
def test_a_gear_is_held_for_its_time_unless_the_engine_starts(power, gear):
    """After 9 km/h in gear 1, 40 km/h with less or more than the at most 20 kW of the start."""
    speeds = np.array([9.0, 40.0]) * KM_PER_H
    demand = wanted(speeds, np.array([0.0, power]) * 0.3 / speeds)
    drive = closed_loop(demand, gear_start=2).run(dataclasses.replace(RULE, min_gear=5.0))
    assert list(drive.schedule.gear + 1) == [1, gear]
    assert bool(drive.schedule.engine_class[1]) == (power > 0.0)


def test_a_bad_map_is_refused():
    bad = Map(SPEED_SOC, np.zeros((2, 3)))
    with pytest.raises(InputError, match=r"\[engine_start\]: values have shape"):
        closed_loop(bumpy(4)).run(dataclasses.replace(RULE, engine_start=bad))


@pytest.mark.parametrize(("share", "gear"), [(0.0, 2), (0.3, 2), (0.5, 1)])
def test_a_downshift_goes_on_past_gears_that_would_soon_be_left(share, gear):
    """At 12 km/h gear 3 is left; gear 2's line of 10 moves by the share towards the 15 of gear 1.

    It lies at 11.5 with 0.3 and at 12.5 with 0.5.
    """
    speeds = np.array([40.0, 12.0]) * KM_PER_H
    rule = dataclasses.replace(RULE, land_down=share)
    drive = closed_loop(wanted(speeds, 0.0), gear_start=3).run(rule)
    assert list(drive.schedule.gear + 1) == [3, gear]


@pytest.mark.parametrize(("share", "gear"), [(0.0, 2), (0.6, 2), (0.7, 3)])
def test_an_upshift_goes_on_past_gears_that_would_soon_be_left(share, gear):
    """At 28 km/h gear 1 is left; gear 2's line of 35 moves by the share towards the 25 of gear 3.

    It lies at 29 with 0.6 and at 28 with 0.7 (less a rounding).
    """
    speeds = np.array([10.0, 28.001]) * KM_PER_H
    rule = dataclasses.replace(RULE, land_up=share)
    drive = closed_loop(wanted(speeds, 0.0)).run(rule)
    assert list(drive.schedule.gear + 1) == [1, gear]


@pytest.mark.parametrize(("charge", "on"), [(0.0, True), (0.1, True), (0.2, False)])
def test_motion_counts_as_charge(charge, on):
    """At 50 km/h a quarter of what 100 km/h counts as is added to 50 %.

    The engine starts at 2.5 kW and 62.5 kW times the charge above 40 %: 8.75, 10.31, 11.88 kW.
    """
    wide = Map((SPEED_SOC[0], np.array([0.4, 0.8])), np.array([[5e3, 35e3], [0.0, 20e3]]))
    demand = wanted([SPEED], [11.5e3 * 0.3 / SPEED])
    rule = dataclasses.replace(RULE, engine_start=wide, motion_charge=charge)
    drive = closed_loop(demand, gear_start=3).run(rule)
    assert bool(drive.schedule.engine_class[0]) == on
