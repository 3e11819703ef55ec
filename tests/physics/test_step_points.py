"""Operating points as a set: which are listed, which are refused and why, linearity between."""

import dataclasses

import numpy as np
import pytest
from makers import (
    OFF,
    RUNNING,
    STARTING,
    constant_battery,
    plain_driveline,
    schedule,
    varied,
    wanted,
)

from hybridopt import read_cycle, read_driveline
from hybridopt.base.errors import InfeasibleError
from hybridopt.base.units import RPM
from hybridopt.physics.codes import Reason
from hybridopt.physics.demand import wheel_demand
from hybridopt.physics.operating_points import OperatingPoints, list_operating_points, split_room
from hybridopt.physics.replay import replay_schedule
from hybridopt.physics.schedule import Schedule

PLAIN = plain_driveline()
FEASIBLE = Reason.FEASIBLE


@pytest.fixture(scope="module", params=["full", "mild", "micro"])
def town(request):
    """A shipped driveline over a minute of the ECE-15, with a battery that never limits it."""
    driveline = read_driveline(request.param)
    battery = constant_battery(250.0, 0.01, 60e3, capacity=3.6e9)
    driveline = dataclasses.replace(driveline, battery=battery)
    want = wheel_demand(driveline.vehicle, read_cycle("ece15").cut(40, 100))
    return driveline, want, list_operating_points(driveline, want, 15)


def rows(want, t):
    """Return the demand of the steps t, which may come in any order and more than once."""
    return dataclasses.replace(want, **{name: values[t] for name, values in vars(want).items()})


def run(driveline, want, t, gear, engine_class, torque, powered):
    """Replay the steps t with the given decisions; return fuel (g) and battery power (W).

    The steps come in any order, so what shifts between them take is left out.
    """
    plan = Schedule(gear, engine_class, torque, powered)
    trace = replay_schedule(driveline, rows(want, t), plan, 0.5)
    fuel = trace.fuel_rate - trace.shift_power / driveline.fuel.heating_value
    return (fuel * trace.dt).values, trace.battery_power.values


def test_every_listed_point_replays_to_its_cost_and_power(town):
    """Operating points and replay are one physics."""
    driveline, want, points = town
    t, gear, engine_class, split = np.nonzero(points.reason == FEASIBLE)
    at = (t, gear, engine_class, split)
    fuel, power = run(driveline, want, t, gear, engine_class, points.motor_torque[at], split > 0)
    np.testing.assert_allclose(fuel, points.cost[at], rtol=1e-12, atol=1e-11)
    np.testing.assert_allclose(power, points.power[at], rtol=1e-12, atol=1e-9)


def test_cost_and_power_are_linear_between_neighbours(town):
    """A torque between two neighbours has the mixed cost and power, at whatever share."""
    driveline, want, points = town
    both = (points.reason[..., 1:-1] == FEASIBLE) & (points.reason[..., 2:] == FEASIBLE)
    t, gear, engine_class, split = np.nonzero(both)
    assert {OFF, RUNNING, STARTING} == set(engine_class) and set(gear) == set(range(8))
    low, high = (t, gear, engine_class, split + 1), (t, gear, engine_class, split + 2)
    for share in (0.5, 0.13):

        def mixed(values, share=share):
            return (1 - share) * values[low] + share * values[high]  # noqa: B023

        torque = mixed(points.motor_torque)
        powered = np.ones(t.size, dtype=bool)
        fuel, power = run(driveline, want, t, gear, engine_class, torque, powered)
        np.testing.assert_allclose(fuel, mixed(points.cost), rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(power, mixed(points.power), rtol=1e-9, atol=1e-6)


def test_splits_increase_within_their_room(town):
    driveline, _, points = town
    assert points.cost.shape == (60, 8, 3, split_room(driveline, 15))
    used = np.arange(points.cost.shape[3]) < points.count[..., None]
    assert (points.reason[~used & (points.count > 0)[..., None]] == Reason.NOT_USED).all()
    inner = used[..., 1:] & used[..., :-1]
    inner[..., 0] = False  # split 0 is the unpowered motor
    step = np.diff(points.motor_torque, axis=-1)
    assert (step[inner] > 0).all()


def test_more_splits_fill_the_widest_gaps():
    """47 kinks at most leave room to cut the range into 200 - 1 - 47 gaps or more."""
    kinks = PLAIN.motor.loss_map.torque.size + PLAIN.engine.fuel_map.torque.size + 3
    assert kinks == 47
    points = list_operating_points(PLAIN, wanted(15, 480), 200)
    torque = points.motor_torque[0, 1, RUNNING, 1 : points.count[0, 1, RUNNING]]
    assert torque.size <= 199
    assert np.diff(torque).max() <= (torque[-1] - torque[0]) / (200 - 1 - kinks) * (1 + 1e-9)


def test_finite_cost_means_feasible(town):
    points = town[2]
    assert ((points.reason == FEASIBLE) == np.isfinite(points.cost)).all()
    assert (points.cost >= 0).all() and np.isfinite(points.power).all()


@pytest.mark.parametrize(
    ("engine_class", "low", "high"),
    # total 85.3 N m = 480 / 5.76 + 2: engine 200 to -20 N m, motor -160 to 160, less 40 reserve
    # a start of half the step: half of the engine's range
    [(RUNNING, 85.3333333 - 200, 105.3333333), (STARTING, 85.3333333 - 100, 95.3333333)],
)
def test_ends_of_the_range_are_listed(engine_class, low, high):
    points = list_operating_points(PLAIN, wanted(15, 480), 9)
    count = points.count[0, 1, engine_class]
    torque = points.motor_torque[0, 1, engine_class, 1:count]
    assert (torque[0], torque[-1]) == pytest.approx((low, high))
    for outside in (low - 0.01, high + 0.01):
        with pytest.raises(InfeasibleError, match="motor torque limit"):
            replay_schedule(PLAIN, wanted(15, 480), schedule(2, engine_class, outside), 0.5)


def test_motor_limits_end_the_range():
    """At 12 N m total: -160 N m, and 160 N m is not reached, since overrun needs 32 N m."""
    points = list_operating_points(PLAIN, wanted(15, 10 * 5.76), 9)
    torque = points.motor_torque[0, 1, RUNNING, 1 : points.count[0, 1, RUNNING]]
    assert (torque[0], torque[-1]) == pytest.approx((-160, 32))


def test_kinks_are_listed():
    """Every torque of the motor's map, engine torques of the fuel map, and overrun."""
    points = list_operating_points(PLAIN, wanted(15, -480), 3)
    torque = points.motor_torque[0, 1, RUNNING, 1 : points.count[0, 1, RUNNING]]
    total = -480 * 0.16 + 2
    kinks = [*PLAIN.motor.loss_map.torque.values, *(total - PLAIN.engine.fuel_map.torque.values)]
    for kink in [*kinks, total + 20]:
        if torque[0] < kink < torque[-1]:
            assert np.abs(torque - kink).min() < 1e-9
    assert torque[0] < total < total + 20 < torque[-1]


# --- reasons ---


NO_PUMP = {"clutches": {"electric_oil_pump": False, "pump_speed": 700 * RPM}}


@pytest.mark.parametrize(
    ("parts", "demand_of", "gear", "engine_class", "reason"),
    [
        # first gear at 16 m/s turns 640 rad/s: above the engine's 628, below the motor's 733
        ({}, (16, 480), 1, RUNNING, Reason.GEAR_OVERSPEED),
        ({}, (16, 480), 1, OFF, FEASIBLE),
        ({}, (20, 480), 1, OFF, Reason.GEAR_OVERSPEED),
        ({"clutches": {"separating_clutch": False}}, (16, 480), 1, OFF, Reason.GEAR_OVERSPEED),
        # third gear at 5 m/s turns 50 rad/s, idle is 84
        ({}, (5, 480), 3, RUNNING, Reason.ENGINE_UNDERSPEED),
        ({}, (5, 480), 3, OFF, Reason.MOTOR_TORQUE),  # 166 N m, the motor has 160
        ({}, (5, 400), 3, OFF, Reason.START_TORQUE),  # 139 N m, 120 with the reserve
        ({"clutches": {"launch_gears": 3.0}}, (5, 400), 3, RUNNING, FEASIBLE),
        ({"clutches": {"launch_gears": 3.0}}, (5, 480), 3, RUNNING, Reason.CLUTCH_CAPACITY),
        # 2500 N m in second: 436 N m, engine and motor have 360
        ({}, (15, 2500), 2, RUNNING, Reason.ENGINE_TORQUE),
        ({}, (15, 2500), 2, OFF, Reason.MOTOR_TORQUE),
        ({"functions": {"can_drive_electric": False}}, (15, 480), 2, OFF, Reason.NO_ELECTRIC_DRIVE),
        (NO_PUMP, (1, 480), 1, OFF, Reason.CLUTCH_PRESSURE),
        (NO_PUMP, (1, 480), 1, RUNNING, FEASIBLE),
        (NO_PUMP, (7, 480), 1, OFF, FEASIBLE),  # 280 rad/s at the pump
    ],
)
def test_reason_of_a_gear(parts, demand_of, gear, engine_class, reason):
    driveline = varied(PLAIN, **parts)
    points = list_operating_points(driveline, wanted(*demand_of), 5)
    given = points.reason[0, gear - 1, engine_class]
    if reason == FEASIBLE:
        assert FEASIBLE in given
        return
    assert (given == reason).all() and points.count[0, gear - 1, engine_class] == 0
    with pytest.raises(InfeasibleError, match=f"at 0 s in gear {gear}: {reason.text}"):
        replay_schedule(driveline, wanted(*demand_of), schedule(gear, engine_class, 10.0), 0.5)


def test_reason_of_a_split():
    points = list_operating_points(PLAIN, wanted(15, 480), 5)
    assert points.reason[0, 1, OFF, 0] == Reason.UNPOWERED_MISFIT
    small = varied(PLAIN, battery={"table": constant_battery(limit=10e3).table})
    points = list_operating_points(small, wanted(15, 480), 5)
    off, running = points.reason[0, 1, OFF], points.reason[0, 1, RUNNING]
    assert off[1] == Reason.BATTERY_POWER  # 85 N m at 300 rad/s are 26 kW
    used = slice(points.count[0, 1, RUNNING])
    too_much = np.abs(points.power[0, 1, RUNNING][used]) > 10e3 * (1 + 1e-8)
    assert too_much.any() and ((running[used] == Reason.BATTERY_POWER) == too_much).all()
    feasible = points.power[0, 1, RUNNING][running == FEASIBLE]
    assert (feasible.min(), feasible.max()) == pytest.approx((-10e3, 10e3))


def test_reasons_have_words():
    assert len({reason.text for reason in Reason}) == len(Reason) == 21


# --- steps nothing can drive ---


def test_undrivable_steps_are_counted_and_the_hardest_is_shown():
    """First gear has (200 + 160 - 1) x 12 x 0.95 = 4093 N m at the wheels."""
    want = wanted([15.0, 15.0, 10.0, 15.0], [4092.0, 4094.0, 6000.0, 100.0], dt=2.0)
    with pytest.raises(InfeasibleError) as caught:
        list_operating_points(PLAIN, want, 5)
    text = str(caught.value)
    assert text.startswith(
        "2 of 4 steps cannot be driven; the hardest is at 4 s, 36.0 km/h, 6000 Nm at the wheels; "
        "limits: "
    )
    room = split_room(PLAIN, 5)
    for reason in (Reason.ENGINE_TORQUE, Reason.START_TORQUE, Reason.MOTOR_TORQUE):
        assert f"{reason.text} ({3 * room} points)" in text
    list_operating_points(PLAIN, want.part(0, 1), 5)


def test_electric_drive_forbidden_is_among_the_limits():
    none = varied(PLAIN, functions={"can_drive_electric": False})
    with pytest.raises(InfeasibleError, match="limits: .*no electric drive"):
        list_operating_points(none, wanted(15, 5000), 5)


# --- bare points ---


def test_bare_points_mark_what_is_not_allowed():
    cost = np.array([1.0, np.inf]).reshape(1, 1, 1, 2)
    points = OperatingPoints.bare([1.0], np.repeat(cost, 3, axis=2), np.full((1, 1, 3, 2), 7.0))
    assert (points.steps, points.gears) == (1, 1)
    assert points.reason[0, 0, 0].tolist() == [FEASIBLE, Reason.NOT_USED]
    assert points.power[0, 0, 0].tolist() == [7.0, 0.0]
