"""Any controller in closed loop: the same physics as replay, and every clipping counted."""

import math

import numpy as np
import pytest
from cases import PLAIN, bumpy, closed_loop, steady, stepwise
from makers import constant_battery, varied, wanted

from hybridopt.base.errors import InputError
from hybridopt.controllers.builtin import (
    AdaptiveEquivalence,
    ElectricPower,
    Equivalence,
    Playback,
    PowerThresholds,
)
from hybridopt.controllers.controller import Command
from hybridopt.physics.codes import EngineClass
from hybridopt.physics.schedule import Schedule
from hybridopt.problem.settings import Settings

NOTHING = {"gear": 0, "engine": 0, "torque": 0, "window": 0, "inhibitor": 0, "speed": 0}


def run(demand, command, **options):
    """Run the same command in every step."""
    return closed_loop(demand, **options).run(lambda seen: command)


def schedule_of(steps, gear=2, engine=EngineClass.OFF, torque=0.0):
    return Schedule(
        np.full(steps, gear - 1),
        np.full(steps, engine),
        np.full(steps, torque),
        np.full(steps, True),
    )


BUILT_IN = {
    "load": PowerThresholds(),
    "power": ElectricPower(electric_power=8e3),
    "equivalence": Equivalence(),
    "lines": Equivalence(gears="lines", min_on=4.0),
    "adaptive": AdaptiveEquivalence(),
    "follow": PowerThresholds(gears="follow", schedule=schedule_of(120)),
    "playback": Playback(schedule=schedule_of(120, torque=20.0)),
}


@pytest.mark.long
@pytest.mark.parametrize("name", BUILT_IN)
def test_compiled_and_python_loop_give_identical_drives(name):
    loop = closed_loop(bumpy(), splits=15)
    fast, slow = loop.run(BUILT_IN[name]), stepwise(loop, BUILT_IN[name])
    assert (fast.soc == slow.soc).all() and (fast.clipped == slow.clipped).all()
    for field in ("gear", "engine_class", "motor_torque", "powered"):
        assert (getattr(fast.schedule, field) == getattr(slow.schedule, field)).all()
    assert fast.cost == slow.cost


@pytest.mark.parametrize("name", BUILT_IN)
def test_drive_is_what_replay_says(name):
    """SoC, fuel and cost of the closed loop are those of the replayed schedule."""
    loop = closed_loop(bumpy(), splits=15, shift_cost=0.1, start_cost=0.4)
    drive = loop.run(BUILT_IN[name])
    trace = loop.replay(drive)
    assert trace.soc.values == pytest.approx(drive.soc[:-1], abs=1e-12)
    shifts = np.count_nonzero(np.diff(trace.gear.values, prepend=1))
    events = 0.1 * shifts + 0.4 * int(trace.engine_start.sum())
    assert float(trace.fuel_rate @ trace.dt) + events == pytest.approx(drive.cost, rel=1e-12)
    assert loop.run(Playback(schedule=drive.schedule)).cost == pytest.approx(drive.cost, rel=1e-9)


def test_a_demand_longer_than_a_part_is_driven_in_parts():
    """The state of the controller goes on over the border of two parts."""
    loop = closed_loop(bumpy(520), splits=7)
    drive = loop.run(Equivalence(gears="lines"))
    assert drive.cost == stepwise(loop, Equivalence(gears="lines")).cost


# --- what a controller sees ---


def test_observation_holds_the_step_and_the_state_before_it():
    """Times in state are counted by hand; the engine goes on in step 2, the gear in step 3."""
    seen = []

    def rule(observation):
        seen.append(observation)
        return Command(len(seen) > 2, 3 if len(seen) > 3 else 2, None)

    demand = wanted([15, 15, 15, 15, 15], [200, 210, 220, 230, 240], 0.0, [1, 2, 1, 1, 1])
    drive = closed_loop(demand, varied(PLAIN, motor={"inertia": 0.0})).run(rule)
    assert [o.time for o in seen] == [0, 1, 3, 4, 5] and [o.dt for o in seen] == [1, 2, 1, 1, 1]
    assert [o.wheel_torque for o in seen] == [200, 210, 220, 230, 240]
    assert seen[1].wheel_power == pytest.approx(210 * 15 / 0.3)
    assert [o.engine_on for o in seen] == [False, False, False, True, True]
    assert [o.gear for o in seen] == [1, 2, 2, 2, 3]
    assert [o.engine_time for o in seen] == [1e9, 1e9 + 1, 1e9 + 3, 1, 2]
    assert [o.gear_time for o in seen] == [1e9, 1, 3, 4, 1]
    assert [o.soc for o in seen] == list(drive.soc[:-1])


def test_shaft_reports_the_ranges_of_a_gear():
    """Gear 2: ratio 6, efficiency 0.96, drag 2 N m: 300 / 5.76 + 2 N m at 15 / 0.3 x 6 rad/s."""
    found = []

    def rule(observation):
        found.append([observation.shaft(2, on) for on in (False, True)])
        assert observation.shaft(0, False) is None and observation.shaft(4, True) is None
        return Command(False, 2, -math.inf)

    closed_loop(steady(1)).run(rule)
    off, on = found[0]
    torque = 300 / (6 * 0.96) + 2
    assert off.input_speed == off.motor_speed == pytest.approx(300.0)
    assert off.torque == off.motor_low == off.motor_high == pytest.approx(torque)
    assert (off.engine_low, off.engine_high, off.engine_speed) == (0, 0, 0)
    # a start of half the step leaves half of the engine's 200 N m
    assert on.engine_high == pytest.approx(100.0) and on.motor_low == pytest.approx(torque - 100)


def test_a_class_is_reset_before_each_drive():
    class Counting:
        def __init__(self):
            self.resets = 0

        def reset(self):
            self.resets += 1
            self.steps = 0

        def decide(self, observation):
            self.steps += 1
            return Command(self.steps > 2, 2)

    controller, loop = Counting(), closed_loop(steady(4))
    first, second = loop.run(controller), loop.run(controller)
    assert controller.resets == 2 and (first.soc == second.soc).all()
    assert list(first.schedule.engine_class) == [0, 0, 2, 1]


# --- clipping ---


def test_what_can_be_done_is_done_and_nothing_counted():
    drive = run(steady(3), Command(True, 2, 30.0))
    assert drive.clippings() == NOTHING
    assert list(drive.schedule.motor_torque) == [30.0] * 3
    assert list(drive.schedule.engine_class) == [EngineClass.STARTING, 1, 1]


@pytest.mark.parametrize(
    ("speed", "asked", "done"),
    # 6000 rpm = 628 rad/s, ratios 12, 6, 3: at 20 m/s first gear turns 800 rad/s, second 400;
    # idle 83.8 rad/s: at 6 m/s third gear turns 60, second 120
    [(20.0, 1, 2), (6.0, 3, 2), (20.0, 7, 3), (20.0, -1, 2)],
)
def test_gear_goes_to_the_nearest_admissible(speed, asked, done):
    drive = run(steady(2, speed, 100.0), Command(True, asked, 0.0))
    assert list(drive.schedule.gear + 1) == [done] * 2
    assert drive.clippings() == NOTHING | {"gear": 2}


def test_engine_is_started_where_the_motor_cannot_drive():
    """The motor may give 160 - 40 N m; 1600 N m at the wheels need 141 at the input in gear 1."""
    drive = run(steady(2, 15.0, 1600.0), Command(False, 2, None))
    assert drive.clippings() == NOTHING | {"engine": 2}
    assert list(drive.schedule.engine_class) == [EngineClass.STARTING, EngineClass.RUNNING]


@pytest.mark.parametrize(("asked", "done"), [(500.0, 160.0), (-500.0, -160.0)])
def test_torque_goes_to_the_motors_limit(asked, done):
    drive = run(steady(3, 15.0, 900.0 if asked > 0 else 100.0), Command(True, 2, asked))
    assert drive.schedule.motor_torque[1] == pytest.approx(done, abs=0.5)
    assert drive.clippings() == NOTHING | {"torque": 3}
    limit = run(steady(3, 15.0, 900.0 if asked > 0 else 100.0), Command(True, 2, asked * math.inf))
    assert limit.clippings() == NOTHING, "an infinite torque asks for the limit"
    assert limit.cost == pytest.approx(drive.cost, rel=1e-9)


@pytest.mark.parametrize("asked", [120.0, -120.0])
def test_torque_keeps_the_batterys_power(asked):
    """Limits of 5 kW: the motor's power is found by hand from its loss formula."""
    car = varied(PLAIN, battery={"table": constant_battery(limit=5e3).table})
    loop = closed_loop(steady(3, 15.0, 600.0), car, engine_on_start=True)
    drive = loop.run(lambda seen: Command(True, 2, asked))
    trace = loop.replay(drive)
    assert trace.battery_power.values[1:] == pytest.approx(math.copysign(5e3, asked), rel=1e-6)
    assert drive.clippings()["torque"] >= 2
    torque, speed = trace.motor_torque.values[1], trace.motor_speed.values[1]
    loss = 100.0 + 1.0 * speed + 0.05 * torque**2
    assert torque * speed + loss + 300.0 == pytest.approx(math.copysign(5e3, asked), rel=0.02)


def test_an_unpowered_motor_that_cannot_be_is_powered():
    """Nothing but the motor drives with the engine off."""
    drive = run(steady(2), Command(False, 2, None))
    assert drive.schedule.powered.all() and drive.clippings() == NOTHING | {"torque": 2}


EASY_START = varied(PLAIN, engine={"inertia": 0.0}, start={"duration": 0.01})
"""A start that takes next to nothing; others may leave the window by what they draw."""


@pytest.mark.parametrize("asked", [100.0, None])
def test_soc_stops_at_the_bottom_of_the_window(asked):
    command = Command(asked is not None, 2, asked)
    demand = steady(400, 15.0, 300.0)
    loop = closed_loop(demand, EASY_START, soc_min=0.45, terminal="free")
    drive = loop.run(lambda seen: command)
    assert drive.soc.min() >= 0.45 - 1e-9
    assert drive.soc[-1] == pytest.approx(0.45, abs=1e-3)
    assert drive.clippings()["window"] == 0
    assert drive.clippings()["engine" if asked is None else "torque"] > 0


def test_a_start_at_the_bottom_of_the_window_is_counted():
    """(0.15 x 300^2 + 150 x 20 x 0.5) J / 0.8 from 250 V and 36,000 C are 0.2 % of charge."""
    loop = closed_loop(steady(400, 15.0, 300.0), soc_min=0.45, terminal="free")
    drive = loop.run(lambda seen: Command(False, 2))
    drawn = (0.15 * 300**2 + 150 * 20 * 0.5) / 0.8 / (250 * 36_000)
    assert 0.45 - 1.1 * drawn <= drive.soc.min() < 0.45
    assert drive.clippings()["window"] == 1


def test_soc_stops_at_the_top_of_the_window():
    drive = run(steady(400, 15.0, -600.0), Command(False, 2, -math.inf), soc_max=0.55)
    assert drive.soc.max() <= 0.55 + 1e-9 and drive.soc[-1] == pytest.approx(0.55)
    assert drive.clippings() == NOTHING


def test_window_is_left_only_where_nothing_else_drives_and_that_is_counted():
    """Without an engine worth the name the auxiliary load empties the battery at rest."""
    engine = PLAIN.engine
    weak = varied(PLAIN, engine={"full_load": engine.overrun * 0.0 + 1e-6}, start={"fuel": 0.0})
    loop = closed_loop(wanted(np.zeros(200), 0.0), weak, soc_min=0.4999, terminal="free")
    drive = loop.run(lambda seen: Command(False, 1))
    left = drive.clippings()["window"]
    assert 0 < left < 200 and drive.soc[-1] < 0.4999
    assert np.all(drive.soc[1:][drive.clipped & 8 == 0] >= 0.4999 - 1e-9)


# --- what is refused ---


@pytest.mark.parametrize(
    "controller", [Playback(), Playback(schedule=schedule_of(3)), PowerThresholds(gears="follow")]
)
def test_a_schedule_of_another_length_is_refused(controller):
    with pytest.raises(InputError, match=r"its schedule has \d steps, the cycle 4"):
        closed_loop(steady(4)).run(controller)


@pytest.mark.parametrize("options", [{"gears": "auto"}, {"gears": "best"}])
def test_a_way_of_choosing_gears_that_is_none_is_refused(options):
    with pytest.raises(InputError, match="controller: gears"):
        PowerThresholds(**options)


def test_settings_rule_the_start():
    settings = {"gear_start": 3, "engine_on_start": True, "soc_start": 0.6}
    seen = []
    closed_loop(steady(1), **settings).run(lambda o: seen.append(o) or Command(True, 3))
    assert (seen[0].gear, seen[0].engine_on, seen[0].soc) == (3, True, 0.6)
    assert Settings(**settings).gear_start == 3
