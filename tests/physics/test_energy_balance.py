"""The rotors' energy from step to step, by hand and closed over shipped cycles.

`makers.plain_driveline`: motor 0.05, engine 0.15 kg m2, total ratios 12, 6, 3, wheels of 0.3 m, so
15 m/s are 600, 300, 150 rad/s at the input; idling at 800, slipping at 1500 rpm.
"""

import numpy as np
import pytest
from makers import HEATING_VALUE, OFF, RUNNING, STARTING, plain_driveline, schedule, varied, wanted

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.units import RPM
from hybridopt.physics.energy_balance import rotor_changes, rotor_totals
from hybridopt.physics.replay import replay_schedule
from hybridopt.physics.shifts import shift_fuel

PLAIN = plain_driveline()
FIXED = varied(PLAIN, clutches={"separating_clutch": False})
MOTOR, ENGINE = 0.05, 0.15


def totals(want, plan, driveline=PLAIN, gear_start=2):
    """Return the totals of a schedule's rotors, J."""
    trace = replay_schedule(driveline, want, plan, 0.5, gear_start)
    made = rotor_totals(driveline, want, trace, gear_start)
    assert abs(made.pop("cycle_residual")) < 1e-12
    return {name.removeprefix("rotor_")[:-3]: 1e3 * value for name, value in made.items()}


def told(**values):
    names = ("shift_loss", "stop_loss", "clutch_loss", "shift_paid", "overpaid", "unpaid", "kept")
    return pytest.approx(dict.fromkeys(names, 0.0) | values, abs=1e-6)


def electric(gear, torque=240.0):
    """Return the motor torque that alone gives a torque at the wheels, by ratio and drag."""
    share = {1: 12 * 0.95, 2: 6 * 0.96, 3: 3 * 0.98}[gear]
    return torque / share + gear


@pytest.mark.parametrize(("engine", "inertia"), [(OFF, MOTOR), (RUNNING, MOTOR + ENGINE)])
def test_shifts_by_hand(engine, inertia):
    """Steady 15 m/s: from 300 rad/s to 150 all of it is lost, from 150 to 300 it is paid for."""
    energy = 0.5 * inertia * (300.0**2 - 150.0**2)
    for gears, way in (([2, 3], "shift_loss"), ([3, 2], "shift_paid")):
        motor = [electric(gear) for gear in gears] if engine == OFF else [0.0, 0.0]
        made = totals(
            wanted([15.0, 15.0], 240.0), schedule(gears, engine, motor), gear_start=gears[0]
        )
        assert made == told(**{way: energy}, kept=energy if way == "shift_paid" else -energy)


def test_a_start_and_a_stop_by_hand():
    """The start pays for the engine at 300 rad/s, the stop loses it; all ends as it began."""
    motor = [electric(2), 0.0, 0.0, electric(2)]
    plan = schedule(2, [OFF, STARTING, RUNNING, OFF], motor)
    made = totals(wanted(np.full(4, 15.0), 240.0), plan)
    assert made == told(stop_loss=0.5 * ENGINE * 300.0**2)


def test_a_start_while_speeding_up_pays_for_its_mean_speed():
    """From 285 to 315 rad/s within the second, of which the engine works for half (0.5 s).

    It is brought to 285 rad/s, gains half of its rise within the step and the rest by the start,
    which is charged for the mean of 300 rad/s.
    """
    want = wanted([14.25, 15.0], [240.0, 240.0], [0.0, 1.5])
    inertia = MOTOR + 0.5 * ENGINE
    steady = (240.0 / (6 * 0.96) + 2.0) + inertia * 1.5 / 0.3 * 6
    plan = schedule(2, [OFF, STARTING], [electric(2), steady])
    given = 0.5 * ENGINE * (285.0**2 + 0.5 * (315.0**2 - 285.0**2))
    kept = 0.5 * MOTOR * (315.0**2 - 285.0**2) + 0.5 * ENGINE * 315.0**2
    assert totals(want, plan) == told(overpaid=0.5 * ENGINE * 300.0**2 - given, kept=kept)


@pytest.mark.parametrize("charged", [False, True])
def test_a_launch_by_hand(charged):
    """Idling, slipping, locked: what the launch gains is paid on request only, closing loses."""
    car = varied(PLAIN, shifts={"launch_rotors": charged})
    want = wanted([0.0, 1.5, 3.25], [0.0, 480.0, 480.0], [0.0, 3.0, 0.5])
    plan = schedule(1, RUNNING, [0.0, 0.0, 0.0])
    idle, slip, low, high = 800 * RPM, 1500 * RPM, 120.0, 140.0  # 3 and 3.5 m/s in first gear
    half = 0.5 * (MOTOR + ENGINE)
    made = totals(want, plan, car, gear_start=1)
    gained, lost = half * (slip**2 - idle**2), half * (slip**2 - low**2)
    way = "shift_paid" if charged else "unpaid"
    assert made == told(**{way: gained}, clutch_loss=lost, kept=half * (high**2 - idle**2))
    fuel = shift_fuel(car, want)[:, RUNNING, 0, 0]  # the gear stays
    price = 1.0 / (0.35 * HEATING_VALUE)
    assert fuel == pytest.approx([0.0, charged * price * gained, 0.0])


def test_closing_after_coasting_by_hand():
    """Both rotors at rest, then at 300 rad/s: the vehicle's energy, charged to nobody."""
    car = varied(FIXED, clutches={"opens_when_coasting": True})
    want = wanted([15.0, 15.0], [0.0, -600.0])
    plan = schedule(2, OFF, [0.0, -30.0])
    plan = plan.__class__(**vars(plan) | {"powered": np.array([False, True])})
    gained = 0.5 * (MOTOR + ENGINE) * 300.0**2
    assert totals(want, plan, car) == told(unpaid=gained, kept=gained)


@pytest.mark.long
@pytest.mark.parametrize("name", ["full", "mild", "micro", "mild_crank"])
@pytest.mark.parametrize("cycle", ["ece15", "artemis_urban"])
def test_the_balance_closes_over_whole_cycles(cycle, name):
    driveline, settings = read_driveline(name), Settings(soc_points=101, splits=9)
    result = solve_cycle(read_cycle(cycle), driveline, settings, bound=False)
    assert abs(result.cycle_residual) < 1e-9
    rest = result.energy_shaft_inertia_kJ + result.rotor_shift_paid_kJ + result.start_rotor_kJ
    rest += result.rotor_unpaid_kJ - result.rotor_overpaid_kJ - result.rotor_kept_kJ
    losses = (result.rotor_shift_loss_kJ, result.rotor_stop_loss_kJ, result.rotor_clutch_loss_kJ)
    assert rest == pytest.approx(sum(losses), abs=1e-9 * result.energy_fuel_kJ)
    assert result.rotor_kept_kJ == pytest.approx(0.0, abs=1e-9)  # from rest to rest, engine off


def test_a_lost_joule_is_noticed():
    want = wanted([15.0, 15.0], 240.0, [0.0, 1.0])
    trace = replay_schedule(PLAIN, want, schedule(2, RUNNING, [0.0, 0.0]), 0.5, 2)
    changed = trace.assign(shaft_inertia_power=0.99 * trace.shaft_inertia_power)
    booked = float((trace.shaft_inertia_power * trace.dt).sum())
    assert rotor_changes(PLAIN, changed, 2).misfit == pytest.approx(0.01 * booked)
