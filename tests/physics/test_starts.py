"""Engine starts: energy and its division, steps, torque in reserve, and the step that is left.

`makers.plain_driveline` starts in 0.5 s at an efficiency of 0.8, engine 0.15 kg m2, overrun
-20 N m; at 15 m/s second gear turns its input at 300 rad/s.
"""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from makers import HEATING_VALUE, OFF, RUNNING, STARTING, plain_driveline, replayed, varied, wanted
from scipy.integrate import quad, solve_ivp
from xarray import DataArray

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.base.errors import InfeasibleError, InputError
from hybridopt.base.units import RPM
from hybridopt.inputs.coverage import check_driveline
from hybridopt.physics.codes import Reason
from hybridopt.physics.energy_balance import energy_residual
from hybridopt.physics.operating_points import list_operating_points
from hybridopt.physics.starts import _start_steps, start_division, start_steps, start_totals
from hybridopt.pipeline import find_optimum

PLAIN = plain_driveline()
TOTAL = 480 / 5.76 + 2  # N m at the input for 480 N m at the wheels in second gear
FIXED = varied(PLAIN, clutches={"separating_clutch": False})
STARTER = varied(PLAIN, start={"starter": True})


def limits(driveline, demand, gear, engine_class):
    """Return the lowest and highest powered motor torque."""
    points = list_operating_points(driveline, demand, 21)
    torque = points.motor_torque[0, gear - 1, engine_class]
    return torque[1], torque[points.count[0, gear - 1, engine_class] - 1]


# --- steps ---


@pytest.mark.parametrize(
    ("duration", "dt", "steps"),
    [(0.5, 1.0, 1), (0.5, 0.5, 1), (0.5, 0.1, 5), (0.3, 0.1, 3), (0.4, 0.15, 3), (0.0, 0.1, 1)],
)
def test_steps_of_a_start(duration, dt, steps):
    """0.3 / 0.1 is a little above 3 in binary; by hand it is 3."""
    assert start_steps(duration, np.array([dt])).tolist() == [steps]


@given(st.floats(0.01, 5.0), st.floats(0.01, 10.0))
def test_kernels_count_the_same_steps(duration, dt):
    assert _start_steps(duration, dt) == start_steps(duration, np.array([dt]))[0]


# --- energy ---


@pytest.mark.parametrize(("rpm", "kilojoules"), [(1000, 0.82), (1438, 1.70)])
def test_rotor_energy_by_hand(rpm, kilojoules):
    """1/2 J w^2 with J = 0.15 kg m2."""
    rotor, slip, _ = start_division(PLAIN, np.array([rpm * RPM]), np.array([1.0]))
    assert rotor[0] == slip[0] == pytest.approx(kilojoules * 1e3, rel=5e-3)


@pytest.mark.parametrize("torque_of", [lambda t: 40.0, lambda t: 5.0 + 300.0 * t**2])
def test_slip_loss_equals_rotor_energy_whatever_the_torque(torque_of):
    """J dw/dt = T(t), loss T (w_motor - w), integrated by scipy until the clutch sticks."""
    speed, inertia = 1438 * RPM, 0.15

    def motion(t, state):
        return [torque_of(t) / inertia, torque_of(t) * (speed - state[0])]

    def sticks(t, state):
        return speed - state[0]

    sticks.terminal = True
    run = solve_ivp(motion, (0, 10), [0.0, 0.0], events=sticks, rtol=1e-10, atol=1e-10)
    assert run.status == 1
    _, slip, _ = start_division(PLAIN, np.array([speed]), np.array([1.0]))
    assert slip[0] == pytest.approx(run.y[1, -1], rel=1e-6)


def test_friction_is_that_of_a_steady_rise_of_speed():
    """20 N m over 0.5 s at half of 300 rad/s in the mean."""
    _, _, friction = start_division(PLAIN, np.array([300.0]), np.array([1.0]))
    assert friction[0] == pytest.approx(20 * 150 * 0.5)


@pytest.mark.parametrize("driveline", [PLAIN, FIXED, STARTER], ids=["pull", "fixed", "starter"])
@pytest.mark.parametrize("dt", [0.1, 0.5, 2.0])
def test_division_adds_up_to_what_is_drawn(driveline, dt):
    run = replayed(driveline, wanted(15, 480, dt=dt), 2, STARTING, TOTAL)
    parts = start_division(driveline, run.engine_speed.values, run.dt.values)
    assert run.start_power.item() * dt == pytest.approx(sum(parts).item() / 0.8, rel=1e-12)
    totals = start_totals(driveline, run)
    named = ("start_rotor_kJ", "start_slip_kJ", "start_friction_kJ", "start_conversion_kJ")
    drawn = run.start_power.item() * dt / 1e3
    assert sum(totals[name] for name in named) == pytest.approx(drawn)


def test_start_is_charged_without_a_separating_clutch():
    """The motor turns with the engine: 0.2 kg m2, and nothing slips. It is charged at any speed."""
    run = replayed(FIXED, wanted(15, 480), 2, STARTING, TOTAL)
    energy = (0.5 * 0.2 * 300**2 + 0.5 * 300 * 20 * 0.5) / 0.8
    assert run.start_power.item() == pytest.approx(energy, rel=1e-12)


def test_run_down_is_the_rotor_energy_of_checks():
    """0.15 kg m2 at 1000 rpm: 0.82 kJ per stop; it stays out of the balance."""
    speed = 1000 * RPM
    want = wanted([speed / 6 * 0.3] * 2, 100.0)
    plan = replayed(PLAIN, want, 2, [RUNNING, OFF], 100 / 5.76 + 2)
    totals = start_totals(PLAIN, plan)
    assert (totals["stops"], totals["starts"]) == (1, 0)
    assert totals["run_down_kJ"] == pytest.approx(0.82, abs=5e-3)
    assert plan.start_power.sum().item() == 0


# --- what the engine gives in a step of a start ---


@pytest.mark.parametrize(("dt", "share"), [(1.0, 0.5), (2.0, 0.75), (0.5, 0.0), (0.1, 0.0)])
def test_engine_works_for_the_rest_of_the_step(dt, share):
    """Mean torque within the share of -20 to 200 N m; the motor has the rest to do."""
    low, high = limits(PLAIN, wanted(15, 480, dt=dt), 2, STARTING)
    assert low == pytest.approx(max(TOTAL - 200 * share, -160))
    assert high == pytest.approx(min(TOTAL + 20 * share, 120))


@pytest.mark.parametrize("torque", [-30.0, 0.0, 60.0])
def test_fuel_of_a_step_with_a_start(torque):
    """Half a step at twice the mean torque; Willans: 0.5 (T / 0.5 + 20) w / (0.4 H)."""
    run = replayed(PLAIN, wanted(15, 3 * 5.76 + 60 * 5.76), 2, STARTING, torque)
    engine = 65 - torque
    assert run.engine_torque.item() == pytest.approx(engine)
    rate = 0.5 * (engine / 0.5 + 20) * 300 / (0.4 * HEATING_VALUE)
    assert run.fuel_rate.item() == pytest.approx(rate + 0.2, rel=1e-9)  # and the start fuel


def test_overrun_cuts_the_fuel_for_the_rest_of_the_step():
    """Half a step of -20 N m is -10 N m in the mean, without fuel but that of the start."""
    run = replayed(PLAIN, wanted(15, -480), 2, STARTING, -40.0)
    assert run.engine_torque.item() == -10
    assert run.fuel_rate.item() == pytest.approx(0.2, rel=1e-12)
    half = replayed(PLAIN, wanted(15, 3 * 5.76), 2, STARTING, 5.0 + 5.0)  # -5 N m in the mean
    rate = (-5 + 10) * 300 / (0.4 * HEATING_VALUE)
    assert half.fuel_rate.item() == pytest.approx(0.2 + rate)


def test_without_working_time_the_engine_gives_nothing():
    run = replayed(PLAIN, wanted(15, 480, dt=0.1), 2, STARTING, TOTAL)
    assert run.engine_torque.item() == 0
    assert run.fuel_rate.item() == pytest.approx(0.2 / 5 / 0.1)
    with pytest.raises(InfeasibleError, match="motor torque limit"):
        replayed(PLAIN, wanted(15, 480, dt=0.1), 2, STARTING, TOTAL - 1.0)


def test_unpowered_motor_cannot_turn_with_an_engine_that_gives_nothing():
    """At rest with all clutches open nothing balances the motor's drag."""
    points = list_operating_points(PLAIN, wanted(0, 0, dt=0.1), 9)
    assert points.reason[0, 0, STARTING, 0] == Reason.UNPOWERED_MISFIT
    assert points.reason[0, 0, STARTING, 1] == Reason.FEASIBLE
    assert points.motor_torque[0, 0, STARTING, 1] == 0


# --- torque in reserve ---


def test_reserve_follows_the_motor_speed():
    """20 N m at rest to 80 N m at 600 rad/s: 50 N m at 300 rad/s, so 110 of 160 N m are left."""
    curve = DataArray([20.0, 80.0], {"speed": [0.0, 600.0]}, ("speed",))
    car = varied(PLAIN, start={"reserve_curve": curve})
    inside = (110 - 2) * 5.76
    assert limits(car, wanted(15, inside - 1e-6), 2, OFF)[1] == pytest.approx(110)
    reason = list_operating_points(car, wanted(15, inside + 1e-2), 5).reason[0, 1]
    assert (reason[OFF] == Reason.START_TORQUE).all()


def test_start_is_refused_where_the_motor_cannot_hold_traction_and_pull():
    """150 N m asked of the motor alone: it has 160, but 40 of them pull."""
    reason = list_operating_points(PLAIN, wanted(15, 148 * 5.76, dt=0.5), 5).reason[0, 1]
    assert (reason[STARTING] == Reason.START_TORQUE).all()
    assert Reason.FEASIBLE in reason[RUNNING]
    weak = varied(PLAIN, start={"torque_reserve": 170.0})
    reason = list_operating_points(weak, wanted(15, 480), 5).reason[0, 1]
    assert (reason[STARTING] == Reason.START_TORQUE).all()


def test_starter_needs_no_reserve_and_no_clutch_slip():
    """All 160 N m drive; (1/2 J w^2 + w / 2 x 20 N m x 0.5 s) / 0.8."""
    assert limits(STARTER, wanted(15, 158 * 5.76 - 1e-6), 2, OFF)[1] == pytest.approx(160)
    assert limits(STARTER, wanted(15, 158 * 5.76 - 1e-6), 2, STARTING)[1] == pytest.approx(160)
    run = replayed(STARTER, wanted(15, 480), 2, STARTING, TOTAL)
    energy = (0.5 * 0.15 * 300**2 + 0.5 * 300 * 20 * 0.5) / 0.8
    assert run.start_power.item() == pytest.approx(energy, rel=1e-12)
    start = dataclasses.replace(STARTER.start, efficiency=0.4)
    weak = replayed(dataclasses.replace(STARTER, start=start), wanted(15, 480), 2, STARTING, TOTAL)
    assert weak.start_power.item() == pytest.approx(2 * energy)


def test_a_start_over_many_short_steps_is_a_start_over_one():
    """Energy and start fuel of the same start at 10 Hz and at 2 Hz, at rest and rolling."""
    for speed, torque, motor in ((15.0, 480.0, TOTAL), (0.0, 0.0, 0.0)):
        fine = replayed(PLAIN, wanted([speed] * 5, torque, dt=0.1), 2, STARTING, motor)
        coarse = replayed(PLAIN, wanted(speed, torque, dt=0.5), 2, STARTING, motor)
        for name in ("start_power", "fuel_rate"):
            assert float(fine[name] @ fine.dt) == pytest.approx(float(coarse[name] @ coarse.dt))


# --- ramp, standstill, run-down ---


@pytest.mark.parametrize(("dt", "steps"), [(2.0, 1), (1.0, 2), (0.1, 11)])
def test_torque_builds_up_after_the_start(dt, steps):
    """The integral of 1 - exp(-t / 0.2) from the start's end on, by quadrature, over all steps."""
    car = varied(PLAIN, start={"ramp_time": 0.2})
    given, _ = quad(lambda t: 1.0 - math.exp(-t / 0.2), 0.0, steps * dt - 0.5)
    low, _ = limits(car, wanted(15, 900, dt=dt), 2, STARTING)
    total = 900 / 5.76 + 2
    assert low == pytest.approx(total - 200.0 * given / (steps * dt), rel=1e-9)
    assert start_steps(car.start.span, np.array([dt])).tolist() == [steps]


@pytest.mark.parametrize("dt", [2.0, 1.0, 0.1])
def test_a_ramp_leaves_the_energy_of_the_start_as_it_is(dt):
    one, other = (
        replayed(car, wanted(15, 480, dt=dt), 2, STARTING, TOTAL)
        for car in (PLAIN, varied(PLAIN, start={"ramp_time": 0.2}))
    )
    steps = [start_steps(span, np.array([dt])).item() for span in (0.5, 1.1)]
    drawn = [run.start_power.item() * n for run, n in zip((one, other), steps, strict=True)]
    assert drawn[1] == pytest.approx(drawn[0])
    assert energy_residual(other) < 1e-12


def test_start_at_rest_with_a_closed_clutch_does_not_slip():
    """Both rotors, 0.15 and 0.05 kg m2, come to idle speed together: 1/2 J w^2 (closed form)."""
    car, idle = varied(PLAIN, start={"closed_at_rest": True}), 800 * RPM
    run = replayed(car, wanted([0.0, 15.0], [0.0, 480.0]), [1, 2], STARTING, [0.0, TOTAL])
    totals = start_totals(car, run)
    moving = 0.5 * 0.15 * 300.0**2
    assert totals["start_slip_kJ"] == pytest.approx(moving / 1e3)
    assert totals["start_rotor_kJ"] == pytest.approx((moving + 0.5 * 0.20 * idle**2) / 1e3)
    friction = 0.5 * 20.0 * 0.5 * (idle + 300.0)
    drawn = (moving * 2 + 0.5 * 0.20 * idle**2 + friction) / 0.8
    assert run.start_power.values.sum() == pytest.approx(drawn)
    with pytest.raises(InputError, match="closed_at_rest: says nothing without a separating"):
        check_driveline(varied(STARTER, start={"closed_at_rest": True}))


def stops_of(run_down):
    """Return the minimum off time and how long the engine rests between stop and start, s."""
    car = read_driveline("mild", {"start.run_down_time_s": run_down})
    drive = read_cycle("artemis_urban").cut(0.0, 180.0)
    known = find_optimum(drive, car, Settings(soc_points=201, splits=21), bound=False)
    on = known.trace.engine_on.values.tolist()
    stops = [t for t in range(1, len(on)) if on[t - 1] and not on[t] and any(on[t:])]
    return known.settings.min_off_time, [on[t:].index(1) for t in stops]


def test_no_start_while_the_engine_runs_down():
    """Plain Python over the trace; without it the engine starts again within 10 s."""
    least, free = stops_of(0.0)
    assert least == 0.0 and min(free) < 10
    least, kept = stops_of(10.0)
    assert least == 10.0 and min(kept) >= 10
