"""The built-in rules: thresholds, hysteresis, least times, gear lines, equivalence."""

import dataclasses
import math

import numpy as np
import pytest
from cases import PLAIN, RULES, bumpy, closed_loop, steady
from makers import constant_battery, varied, wanted

from hybridopt import read_driveline
from hybridopt.controllers.builtin import (
    AdaptiveEquivalence,
    ElectricPower,
    Equivalence,
    Playback,
    PowerThresholds,
)
from hybridopt.controllers.controller import Command
from hybridopt.physics.codes import EngineClass
from hybridopt.physics.operating_points import list_operating_points

PLAINEST = {"min_on": 0.0, "min_off": 0.0, "min_gear": 0.0, "soc_guard": 0.0, "soc_gap": 0.0}
FAST = PowerThresholds(
    **PLAINEST,
    start_power=12e3,
    stop_share=0.5,
    start_speed=99.0,
    power_per_soc=0.0,
    charge_gain=0.0,
    load_low=0.0,
    load_high=1.0,
)


def at_power(*kilowatts, speed=15.0):
    """Return the demand of steps with given wheel powers."""
    return wanted(np.full(len(kilowatts), speed), np.array(kilowatts) * 1e3 * 0.3 / speed)


def engine_on(rule, demand, **options):
    drive = closed_loop(demand, **options).run(rule)
    return list((drive.schedule.engine_class != EngineClass.OFF).astype(int))


# --- power thresholds ---


def test_start_and_stop_have_hysteresis():
    """Starts at 12 kW, stops below 6 kW."""
    powers = (5, 11.9, 12, 8, 6, 5.9, 11, 12.1)
    assert engine_on(FAST, at_power(*powers)) == [0, 0, 1, 1, 1, 0, 0, 1]


def test_speed_starts_and_stops_as_well():
    rule = dataclasses.replace(FAST, start_speed=20.0, stop_speed_share=0.9, start_power=1e6)
    speeds = np.array([19.0, 20.0, 18.5, 17.9, 19.0])
    assert engine_on(rule, wanted(speeds, 100.0)) == [0, 1, 1, 0, 0]


def test_a_full_battery_raises_the_thresholds():
    """20 % above the reference at 50 kW per unit: 22 kW instead of 12."""
    rule = dataclasses.replace(FAST, power_per_soc=50e3, soc_reference=0.3)
    assert engine_on(rule, at_power(20, 21.5, 22.1)) == [0, 0, 1]


def test_an_empty_battery_starts_the_engine():
    rule = dataclasses.replace(FAST, soc_guard=0.05, soc_gap=0.1)
    assert engine_on(rule, at_power(5, 5), soc_start=0.249, terminal="free") == [1, 1]
    assert engine_on(rule, at_power(5, 5), soc_start=0.251, terminal="free") == [0, 0]
    assert engine_on(
        rule, at_power(5, 5), soc_start=0.3, engine_on_start=True, terminal="free"
    ) == [1, 1], "stays on up to 35 %"


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        ({"min_on": 3.0}, [1, 1, 1, 0, 1, 1, 1]),
        ({"min_off": 3.0}, [1, 0, 0, 0, 1, 0, 0]),
        ({"min_on": 2.0, "min_off": 2.0}, [1, 1, 0, 0, 1, 1, 0]),
    ],
)
def test_least_times_on_and_off(times, expected):
    rule = dataclasses.replace(FAST, **times)
    assert (
        engine_on(rule, at_power(20, 2, 2, 20 if "min_off" in times else 2, 20, 2, 2)) == expected
    )


def test_the_engine_starts_where_the_motor_is_too_weak():
    """No clipping is counted: the rule looks at the motor's range itself."""
    rule = dataclasses.replace(FAST, start_power=1e6)
    drive = closed_loop(wanted([15.0], [1600.0])).run(rule)
    assert drive.schedule.engine_class[0] == EngineClass.STARTING
    assert not drive.clipped.any()


@pytest.mark.parametrize(
    ("low", "high", "engine"), [(0.0, 1.0, None), (0.6, 1.0, 120.0), (0.0, 0.2, 40.0)]
)
def test_engine_torque_stays_between_its_shares_of_full_load(low, high, engine):
    """Full load is 200 N m; the motor makes up the difference to the 54 N m wanted in gear 2."""
    rule = dataclasses.replace(FAST, load_low=low, load_high=high, line_low=290.0, line_high=290.0)
    loop = closed_loop(steady(3), engine_on_start=True, gear_start=2)
    trace = loop.replay(loop.run(dataclasses.replace(rule, start_power=0.0)))
    torque = 300 / (6 * 0.96) + 2
    assert trace.gear.values[1] == 2
    assert trace.engine_torque.values[1] == pytest.approx(engine or torque, rel=1e-6)
    assert trace.motor_torque.values[1] == pytest.approx(torque - (engine or torque), abs=1e-6)


def test_missing_charge_is_charged():
    """10 % missing at 50 kW per unit: 5 kW at the shaft, 16.7 N m at 300 rad/s."""
    rule = dataclasses.replace(
        FAST, start_power=0.0, charge_gain=50e3, soc_reference=0.6, line_low=290.0, line_high=290.0
    )
    drive = closed_loop(steady(2), gear_start=2).run(rule)
    assert drive.schedule.motor_torque[0] == pytest.approx(-5e3 / 300.0, rel=1e-6)


# --- electric power ---


def test_electric_power_threshold_is_in_electric_power():
    """In gear 3 (150 rad/s, 0.98, 3 N m drag): T = 300 / 2.94 + 3 N m; loss 100 + w + 0.05 T^2."""
    torque = 300 / (3 * 0.98) + 3
    power = torque * 150 + 100 + 150 + 0.05 * torque**2
    rule = ElectricPower(**PLAINEST, line_low=84.0, line_high=84.0, stop_share=1.0)
    for share, expected in ((1.005, [0, 0]), (0.995, [1, 1])):
        tried = dataclasses.replace(rule, electric_power=power * share)
        assert engine_on(tried, steady(2), gear_start=3) == expected


# --- gears ---


def gears_of(rule, demand, **options):
    return list(closed_loop(demand, **options).run(rule).schedule.gear + 1)


def test_gear_lines_have_hysteresis():
    """Ratios 12, 6, 3 and r = 0.3 m: gear 2 turns 20 rad/s per m/s. Line 200, gap 10 %."""
    rule = dataclasses.replace(FAST, line_low=200.0, line_high=200.0, line_brake=200.0)
    speeds = np.array([5.0, 10.9, 11.1, 10.1, 9.9, 10.9, 21.9, 22.1, 20.1, 19.9])
    assert gears_of(rule, wanted(speeds, 10.0)) == [1, 1, 2, 2, 1, 1, 2, 3, 3, 2]


def test_gear_lines_rise_with_power_and_when_braking():
    """At full power of the engine (at 6000 rpm: 125.7 kW) the line is 400, braking 300 rad/s."""
    rule = dataclasses.replace(
        FAST, line_low=100.0, line_high=400.0, line_brake=300.0, line_gap=0.0
    )
    fast = PLAIN.engine.full_load
    most = float((fast * fast["speed"]).max())
    brake = float((PLAIN.motor.peak_torque * PLAIN.motor.peak_torque["speed"]).max())
    for share, speed, gear in ((0.0, 10.1, 3), (0.5, 24.9, 2), (0.5, 25.1, 3), (0.0, 9.9, 2)):
        demand = wanted([speed], [share * most * 0.3 / speed])
        found = gears_of(rule, demand, gear_start=3, engine_on_start=True)
        assert found == [gear], (share, speed)
    for speed, gear in ((19.9, 2), (20.1, 3)):
        demand = wanted([speed], [-0.5 * brake * 0.3 / speed])
        assert gears_of(rule, demand, gear_start=3) == [gear]


def test_least_time_in_gear():
    rule = dataclasses.replace(
        FAST, line_low=200.0, line_high=200.0, line_brake=200.0, min_gear=3.0
    )
    speeds = np.array([12.0, 9.0, 9.0, 9.0, 12.0])
    assert gears_of(rule, wanted(speeds, 10.0)) == [2, 2, 2, 1, 1]


def test_gears_of_a_schedule_are_followed():
    demand = bumpy(400)
    leader = closed_loop(demand).run(FAST)
    follower = closed_loop(demand).run(
        dataclasses.replace(FAST, gears="follow", schedule=leader.schedule, start_power=3e3)
    )
    same = (follower.schedule.gear == leader.schedule.gear) | (follower.clipped > 0)
    assert same.all() and not (follower.soc == leader.soc).all()


# --- the same rule in Python ---


class InPython:
    """`FAST` again, written with what an observation holds: another way through the interface."""

    def reset(self):
        pass

    def decide(self, seen):
        gear, line = seen.gear, FAST.line_low
        if seen.wheel_power < 0:
            line += (FAST.line_brake - line) * min(-seen.wheel_power / BRAKE, 1.0)
        else:
            line += (FAST.line_high - line) * min(seen.wheel_power / FULL, 1.0)
        speeds = [seen.speed / 0.3 * ratio for ratio in (12.0, 6.0, 3.0)]
        while gear > 1 and speeds[gear - 1] < line:
            gear -= 1
        while gear < 3 and speeds[gear] >= 1.1 * line:
            gear += 1
        on = seen.wheel_power >= (6e3 if seen.engine_on else 12e3)
        if not on and (shaft := seen.shaft(gear, False)):
            rests = shaft.motor_speed == 0.0 or -50.0 <= seen.wheel_power <= 0.0
            return Command(False, gear, None if rests else -math.inf)
        shaft = seen.shaft(gear, True)
        if shaft is None:
            return Command(True, gear, -math.inf)
        if seen.wheel_torque < 0.0 and shaft.torque <= 0.0:
            motor = min(shaft.torque - shaft.engine_low, 0.0)
        else:
            motor = shaft.torque - min(max(shaft.torque, 0.0), shaft.engine_high)
        return Command(True, gear, min(max(motor, shaft.motor_low), shaft.motor_high))


FULL = float((PLAIN.engine.full_load * PLAIN.engine.full_load["speed"]).max())
BRAKE = float((PLAIN.motor.peak_torque * PLAIN.motor.peak_torque["speed"]).max())


@pytest.mark.parametrize("seed", range(5))
def test_kernel_is_the_rule_written_in_python(seed):
    loop = closed_loop(bumpy(300, seed))
    kernel, python = loop.run(FAST), loop.run(InPython())
    for field in ("gear", "engine_class", "powered"):
        assert (getattr(kernel.schedule, field) == getattr(python.schedule, field)).all()
    assert python.soc == pytest.approx(kernel.soc, abs=1e-12)
    assert python.cost == pytest.approx(kernel.cost, rel=1e-12)


def test_charge_is_not_spent_on_shaping_the_load_where_it_is_short():
    """With the engine held to 10 % of its torque the motor does the rest, not near the bottom."""
    rule = dataclasses.replace(FAST, load_high=0.1, soc_guard=0.05, soc_gap=0.1)
    options = {"engine_on_start": True, "gear_start": 2, "terminal": "free"}
    for soc, spends in ((0.6, True), (0.34, False)):
        loop = closed_loop(at_power(20), soc_start=soc, **options)
        trace = loop.replay(loop.run(rule))
        assert (trace.motor_torque.values[0] > 1.0) == spends


def test_the_motor_rests_while_the_vehicle_creeps():
    """Between -50 and 0 W at the wheels the inverter takes more than there is to recuperate."""
    watts = np.array([-60.0, -49.0, -20.0, 20.0])
    drive = closed_loop(at_power(*watts / 1e3, speed=0.1), read_driveline("full")).run(FAST)
    assert list(drive.schedule.powered) == [True, False, False, True]
    assert drive.clipped.sum() == 0


# --- equivalence ---


def test_equivalence_takes_the_least_over_all_choices():
    """Against enumeration with the battery's closed form I = (U - sqrt(U^2 - 4 R P)) / 2 R."""
    demand, factor = bumpy(80), 2.4
    loop = closed_loop(demand, splits=15, shift_cost=0.1)
    rule = Equivalence(
        factor=factor,
        start_share=1.0,
        stop_charge=0.0,
        shift_share=1.0,
        min_on=0.0,
        min_off=0.0,
        min_gear=0.0,
    )
    drive = loop.run(rule)
    points = list_operating_points(PLAIN, demand, 15)
    inner = (250.0 - np.sqrt(250.0**2 - 4 * 0.15 * points.power)) / 0.3 * 250.0
    total = points.cost + factor / 42_000.0 * inner * points.dt[:, None, None, None]
    gear, engine = 0, 0
    for t in range(demand.steps):
        shift = loop.around.moves.shift[t, :, gear, :].T
        best = np.nanmin(total[t], axis=2) + shift
        best[:, EngineClass.STARTING if engine else EngineClass.RUNNING] = np.inf
        g, c = np.unravel_index(best.argmin(), best.shape)
        assert (drive.schedule.gear[t], drive.schedule.engine_class[t]) == (g, c)
        torque = points.motor_torque[t, g, c, np.nanargmin(total[t, g, c])]
        assert drive.schedule.motor_torque[t] == pytest.approx(torque)
        gear, engine = g, min(c, 1)


@pytest.mark.parametrize(("share", "starts"), [(0.0, True), (5.0, False)])
def test_a_share_of_the_start_decides(share, starts):
    rule = Equivalence(factor=3.5, start_share=share, min_on=0.0, min_off=0.0)
    drive = closed_loop(steady(10, 20.0, 250.0), splits=15).run(rule)
    assert bool(drive.schedule.engine_class[-1]) == starts


def test_a_dearer_battery_is_used_less():
    """Final SoC never falls with the factor (a necessary condition of optimality)."""
    loop = closed_loop(bumpy(300), splits=15)
    ends = [loop.run(Equivalence(factor=f)).soc_end for f in (1.5, 2.2, 2.6, 3.0, 4.0)]
    assert ends == sorted(ends) and ends[-1] > ends[0] + 0.01


def test_feedback_holds_the_soc():
    """The same wrong factor, with and without feedback."""
    loop = closed_loop(bumpy(1500), splits=9)
    constant = loop.run(Equivalence(factor=2.0)).soc_end
    held = AdaptiveEquivalence(factor=2.0, proportional=20.0, integral=0.05)
    assert abs(loop.run(held).soc_end - 0.5) < 0.5 * abs(constant - 0.5)


def test_equivalence_keeps_its_least_times():
    rule = Equivalence(min_on=5.0, min_off=4.0, min_gear=3.0, start_share=0.0, shift_share=0.0)
    loop = closed_loop(bumpy(400), splits=9)
    drive = loop.run(rule)
    kept = drive.clipped == 0
    for state, least in ((drive.schedule.engine_class > 0, None), (drive.schedule.gear, 3)):
        edges = np.flatnonzero(np.diff(state.astype(int))) + 1
        runs = np.diff(edges)
        wanted_least = [5 if state[e] else 4 for e in edges[:-1]] if least is None else least
        assert np.mean(runs >= wanted_least) > 0.9, "given up only where nothing else drives"
    assert kept.all()


@pytest.mark.parametrize("factor", [2.0, 2.6, 3.2])
def test_equivalence_stays_in_the_window_by_itself(factor):
    """Starts take next to nothing here; another may leave the window by what it draws."""
    small = {"table": constant_battery().table, "capacity": 2000.0}
    car = varied(PLAIN, battery=small, engine={"inertia": 0.0}, start={"duration": 0.01})
    drive = closed_loop(bumpy(400), car, splits=9, soc_min=0.4, soc_max=0.6).run(
        Equivalence(factor=factor)
    )
    assert drive.soc.min() >= 0.4 - 1e-9 and drive.soc.max() <= 0.6 + 1e-9
    assert drive.clippings()["window"] == 0


# --- all ---


@pytest.mark.parametrize("name", RULES)
def test_named_rules_ask_for_what_can_be_done(name):
    """On a mild drive nothing is clipped."""
    drive = closed_loop(bumpy(400), splits=9).run(RULES[name]())
    assert drive.clipped.sum() == 0


@pytest.mark.parametrize("name", RULES)
def test_bounds_name_parameters_and_hold_the_defaults(name):
    rule = RULES[name]()
    for key, (low, high) in rule.bounds(PLAIN).items():
        assert low < high and low <= getattr(rule, key) <= high
    assert Playback().bounds(PLAIN) == {}
