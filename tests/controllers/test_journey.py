"""Steps that only a running engine can do: the vehicle gives what it can, and the drive goes on."""

import dataclasses

import numpy as np
import pytest
from cases import RULES, stepwise
from makers import plain_driveline, varied
from preview import preview

from hybridopt import Cycle, InfeasibleError, Settings, read_driveline
from hybridopt.controllers.builtin import Playback
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.controllers.controller import Command
from hybridopt.evaluation.case import Case, score
from hybridopt.measurements.followability import follow
from hybridopt.physics.codes import EngineClass
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.operating_points import drivable_classes
from hybridopt.pipeline import find_optimum

KM_PER_H = 1 / 3.6
FULL = read_driveline("full")
COARSE = Settings(soc_points=201, splits=15)


def trace(*speeds, grade=0.0, dt=1.0):
    """Return a cycle through speeds in km/h, a step apart."""
    speed = np.array(speeds) * KM_PER_H
    return Cycle("burst", np.arange(speed.size) * dt, speed, np.full(speed.size, grade))


BURST = trace(
    *np.linspace(0, 36, 25), 34, 29, 30, 31, 49, 50, 48, *np.linspace(47, 0, 30), grade=-0.05
)
"""From 31 to 49 km/h in a second while rolling downhill, as a logger of whole km/h writes it."""
BURST_AT = 28


def loop_of(cycle, driveline=FULL, settings=COARSE):
    settings = settings.resolved(driveline).for_cycle(cycle)
    return ClosedLoop(driveline, drive_demand(driveline, cycle), settings)


def test_only_a_running_engine_can_drive_the_burst():
    """So the trace can be followed, by who starts the engine a step earlier."""
    able = drivable_classes(FULL, drive_demand(FULL, BURST))
    only = able[:, EngineClass.RUNNING] & ~able[:, EngineClass.OFF] & ~able[:, EngineClass.STARTING]
    assert list(np.flatnonzero(only)) == [BURST_AT]
    assert follow(FULL, BURST).exact


@pytest.mark.parametrize("name", RULES)
def test_a_drive_goes_on_and_what_was_lacking_is_counted(name):
    loop = loop_of(BURST)
    drive = loop.run(RULES[name]())
    lacked, speeds = drive.shortfall, drive.demand.speeds
    late = BURST.speed - speeds
    assert lacked.seconds == 1.0 and lacked.first == BURST_AT
    assert lacked.speed == late[BURST_AT + 1] == late.max() > 0.3
    assert lacked.distance == pytest.approx(late @ np.full(late.size, 1.0))
    asked = drive_demand(FULL, BURST).wheel_torque
    assert lacked.torque == pytest.approx(asked[BURST_AT] - drive.demand.wheel_torque[BURST_AT])
    assert drive.clippings()["speed"] == 1
    assert (np.delete(late, BURST_AT + 1) == 0.0).all(), "the next step is back on the trace"


def test_who_foresees_the_burst_starts_the_engine_in_time():
    loop = loop_of(BURST)
    assert loop.run(preview(horizon=3.0)).shortfall is None
    assert loop.run(preview(horizon=0.0)).shortfall.seconds == 1.0


@pytest.mark.parametrize("name", RULES)
def test_what_was_driven_is_a_drive_of_its_own(name):
    """The same schedule on a cycle of the speeds driven: same demand, cost and charge; and the loop
    of the kernels is the one that asks in Python step by step.
    """
    loop, rule = loop_of(BURST), RULES[name]()
    drive = loop.run(rule)
    again = loop_of(dataclasses.replace(BURST, speed=drive.demand.speeds))
    for key, values in vars(again.demand).items():
        assert getattr(drive.demand, key) == pytest.approx(values, rel=1e-12, nan_ok=True), key
    played = again.run(Playback(schedule=drive.schedule))
    assert played.shortfall is None and not played.clipped.any()
    assert played.cost == pytest.approx(drive.cost, rel=1e-9)
    assert played.soc == pytest.approx(drive.soc, abs=1e-12)
    assert loop.replay(drive).attrs["soc_end"] == pytest.approx(drive.soc_end, abs=1e-12)
    slow = stepwise(loop, rule)
    assert slow.cost == drive.cost and (slow.soc == drive.soc).all()
    assert slow.shortfall == drive.shortfall


def test_a_user_sees_the_speed_that_is_driven():
    seen = []
    drive = loop_of(BURST).run(lambda o: seen.append(o) or Command(False, 2))
    assert drive.shortfall.seconds > 0
    assert [o.speed for o in seen] != list(drive_demand(FULL, BURST).speed)
    after = [o.speed for o in seen][BURST_AT + 1]
    assert after == drive.demand.speed[BURST_AT + 1]


def test_nothing_faster_is_possible_in_a_starting_step():
    """Closed form. One gear, a start of 0.5 s in a step of 1 s: the engine gives half of 200 N m,
    the motor 160 less the 40 it holds back for the start; the engine's rotor is turned for half the
    step. F = (T - T_drag - J a i / r) i eta / r = m a + m g c_r + rho c_d A v^2 / 2 (Newton).
    """
    car = varied(
        plain_driveline(),
        gearbox={"ratios": (4.0,), "efficiencies": (0.95,), "drag_torques": (1.0,)},
        vehicle={"mass": 3000.0},
        start={"duration": 0.5, "torque_reserve": 40.0},
    )
    cycle = trace(36, 36, 54, 54)
    settings = Settings(engine_on_start=False, terminal="free")
    drive = loop_of(cycle, car, settings).run(lambda o: Command(o.time > 0.5, 1))
    before, after = drive.demand.speeds[1:3]
    assert drive.schedule.engine_class[1] == EngineClass.STARTING
    ratio, radius, mass = 12.0, 0.3, 3000.0
    v, a = 0.5 * (before + after), after - before
    inertia = (0.05 + 0.5 * 0.15) * a * ratio / radius
    force = (100.0 + 120.0 - 1.0 - inertia) * ratio * 0.95 / radius
    assert force == pytest.approx(mass * a + mass * 9.81 * 0.01 + 0.5 * 1.2 * 0.66 * v**2, rel=2e-3)


def test_a_drive_that_lacked_power_is_measured_by_the_optimum_of_what_it_drove():
    case = Case(find_optimum(BURST, FULL, COARSE))
    row = score(case, "equivalence", RULES["equivalence"]())
    drive = case.drive(RULES["equivalence"]())
    same = find_optimum(dataclasses.replace(BURST, speed=drive.demand.speeds), FULL, COARSE)
    assert row.shortfall == drive.shortfall and row.cycle == "burst"
    assert row.cost_g == pytest.approx(drive.cost)
    assert row.bound_g == pytest.approx(same.bound.bound) != case.bound.bound
    assert 0.0 < row.gap_percent and row.cost_g > same.bound.at(drive.soc_end)
    assert row.trace.speed.values == pytest.approx(drive.demand.speed)
    assert row.regret.total == pytest.approx(sum(row.regret.totals.values()))


# --- what rules keep in reserve ---

WAVES = trace(*[126.0] * 20, *[126.7, 125.3, 126.0, 125.3, 126.0, 125.3] * 4)
"""A mild hybrid's motor cannot start the engine on the way up of such a wave."""


@pytest.mark.parametrize("name", ["electric_power", "equivalence"])
def test_the_engine_runs_where_a_start_would_come_too_late(name):
    """What the wheels asked for a step ago is known; no step that comes is looked at."""
    loop = loop_of(WAVES, read_driveline("mild"))
    careless = loop.run(RULES[name](start_reserve=-1.0))
    assert careless.shortfall is not None and careless.shortfall.seconds >= 1.0
    assert loop.run(RULES[name]()).shortfall is None


def test_charge_is_kept_for_climbs_that_the_engine_alone_is_too_weak_for():
    """From 5 % above the bottom, three climbs of 7 %: the window is left by none of the rules."""
    steps = np.arange(920)
    speed = np.minimum(steps * 6.5, 130.0) * KM_PER_H
    climbs = (steps > 20) & ((steps - 20) % 300 >= 150)
    cycle = Cycle("climbs", steps * 1.0, speed, np.where(climbs, 0.07, 0.0))
    start = FULL.battery.soc_min + 0.05
    loop = loop_of(cycle, settings=Settings(terminal="free", soc_start=start))
    for name, make in {**RULES, "preview": preview}.items():
        assert loop.run(make()).clippings()["window"] == 0, name


def test_who_is_too_fast_for_every_gear_is_told():
    with pytest.raises(InfeasibleError, match=r"nothing can drive the step at 0 s, 496.8 km/h"):
        loop_of(trace(496.8, 496.8), settings=Settings(terminal="free")).run(
            lambda o: Command(True, 8)
        )
