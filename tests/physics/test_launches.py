"""Launches against hand values, closed forms and an ODE solver."""

import numpy as np
import pytest
from makers import plain_driveline, varied
from scipy.integrate import solve_ivp

from hybridopt import InfeasibleError, InputError, read_driveline
from hybridopt.base.units import GRAVITY
from hybridopt.physics.launch_series import repeat_launch, verdict
from hybridopt.physics.launches import available_torque, launch
from hybridopt.physics.thermal import clutch_temperature

HEATED = {"heat_capacity": 1500.0, "oil_cooling": 30.0, "launch_capacity": 1000.0}
HOT = varied(plain_driveline(), clutches=HEATED)  # total ratio 12 in first gear, wheels of 0.3 m
LOSSLESS = varied(
    plain_driveline(),
    vehicle={"rolling_resistance": 0.0, "drag_area": 0.0},
    gearbox={"efficiencies": (1.0,) * 3, "drag_torques": (0.0,) * 3},
    clutches={"launch_speed": 10 / 3.6 / 0.3 * 12},  # of the input at 10 km/h
)


@pytest.mark.parametrize("acceleration", [0.3, 1.0, 3.9])
def test_slip_takes_as_much_as_the_vehicle_gains(acceleration):
    """Equal-loss theorem; hand value: 1,500 kg at 10 km/h have 5.79 kJ, however fast."""
    done = launch(LOSSLESS, 0.0, acceleration)
    assert done.speed[-1] == pytest.approx(10 / 3.6, rel=1e-12)
    assert done.slip_energy == pytest.approx(0.5 * 1500 * (10 / 3.6) ** 2, rel=1e-12)
    assert done.slip_energy / 1e3 == pytest.approx(5.79, abs=0.005)


def test_slip_loss_of_uniform_acceleration():
    """E = T w_e t_s / 2 with T = ((m a + m g (sin θ + c_r cos θ)) r / (i η)) + T_d, by hand."""
    car = varied(HOT, vehicle={"drag_area": 0.0})
    done = launch(car, 0.12, 1.5)
    angle = np.arctan(0.12)
    force = 1500 * (1.5 + GRAVITY * (np.sin(angle) + 0.01 * np.cos(angle)))
    torque, engine = force * 0.3 / (12 * 0.95) + 1.0, 1500 * np.pi / 30
    seconds = engine / 12 * 0.3 / 1.5
    np.testing.assert_allclose(done.torque, torque, rtol=1e-12)
    assert done.duration == pytest.approx(seconds, rel=1e-12)
    assert done.slip_energy == pytest.approx(0.5 * torque * engine * seconds, rel=1e-12)
    assert done.grip == pytest.approx(force / (1500 * GRAVITY * np.cos(angle)), rel=1e-12)


def test_full_load_agrees_with_an_ode_solver():
    """Speed and temperature by SciPy's DOP853, with air drag and a headwind against the launch."""
    car = varied(HOT, vehicle={"headwind": 20.0, "wheel_inertia": 3.0})
    done, angle, engine = launch(car, 0.2), np.arctan(0.2), 1500 * np.pi / 30
    torque = 200.0 + 160.0  # full load of engine and motor
    force = (torque - 1.0) * 12 * 0.95 / 0.3

    def slope(_, state):
        speed, heat = state
        drag = 0.5 * 1.2 * 0.66 * (speed + 20.0) ** 2
        road = 1500 * GRAVITY * (np.sin(angle) + 0.01 * np.cos(angle)) + drag
        slip = torque * (engine - speed / 0.3 * 12)
        return [(force - road) / (1500 + 3.0 / 0.3**2), (slip - 30.0 * (heat - 90.0)) / 1500.0]

    def locked(_, state):
        return state[0] - engine / 12 * 0.3

    locked.terminal = True
    exact = solve_ivp(slope, (0, 9), [0.0, 90.0], "DOP853", events=locked, rtol=1e-10, atol=1e-10)
    assert done.needed.max() == pytest.approx(torque)
    assert done.duration == pytest.approx(exact.t[-1], rel=1e-6)
    assert done.temperature()[-1] == pytest.approx(exact.y[1, -1], rel=1e-6)
    assert done.time[100] == pytest.approx(np.interp(done.speed[100], *exact.y[:1], exact.t), 1e-2)


def test_work_of_engine_and_motor_is_slip_loss_and_work_at_the_input():
    done = launch(HOT, 0.05)
    put_in = float(done.torque @ done.dt) * HOT.clutches.launch_speed
    mean = 0.5 * (done.input_speed[1:] + done.input_speed[:-1])
    assert put_in == pytest.approx(done.slip_energy + float((done.torque * mean) @ done.dt))
    net = float(((done.torque - 1.0) * mean) @ done.dt) * 0.95  # at the wheels
    way = float((0.5 * (done.speed[1:] + done.speed[:-1])) @ done.dt)
    angle = np.arctan(0.05)
    road = 1500 * GRAVITY * (np.sin(angle) + 0.01 * np.cos(angle)) * way
    moving = 0.5 * 1500 * done.speed[-1] ** 2
    assert net == pytest.approx(moving + road, rel=2e-3)  # the rest is air drag
    assert net > moving + road


def test_full_load_of_the_demo_is_within_a_usual_capacity():
    """Launch elements of large hybrids carry some 550 N m (common practice, no source)."""
    demo = read_driveline("full")
    # 1200 rpm lies 4/5 of the way from 145.7 N m at 1000 rpm to 197.4 at 1250; the motor gives 190
    assert available_torque(demo) == pytest.approx(145.7 + 0.8 * (197.4 - 145.7) + 190.0)
    done = launch(demo, 0.12)
    assert done.capacity == 550.0 and done.faults == []
    # as much as a grip of 0.9 holds: 0.9 m g cos r / (i e) + T_d
    held = 0.9 * 1700 * GRAVITY / np.hypot(1, 0.12) * 0.322 / (4.86 * 3.28 * 0.945) + 0.8
    assert done.held == pytest.approx(held, rel=1e-12) and held == pytest.approx(319.3, abs=0.1)
    words = "takes 319 of 550 Nm, all that the tyres hold, and"
    assert verdict(done).startswith(f"yes: a full-load launch on 12 % {words}")
    sticky = launch(varied(demo, vehicle={"tyre_grip": 2.0}), 0.12)
    assert verdict(sticky).startswith("yes: a full-load launch on 12 % takes 377 of 550 Nm and")


def test_battery_limits_full_load():
    """5 kW at the terminals feed load, motor and its loss: the largest torque by bisection."""
    weak = varied(HOT, battery={"derating": 5e3 / 1e6})
    torque, speed = available_torque(weak) - 200.0, HOT.clutches.launch_speed
    loss = 100.0 + 1.0 * speed + 0.05 * torque**2  # the maker's polynomial
    assert 0.0 < torque < 160.0
    assert torque * speed + loss + 300.0 == pytest.approx(5e3, rel=0.03)


def test_no_boost_leaves_the_engine_alone():
    assert available_torque(varied(HOT, functions={"can_boost": False})) == pytest.approx(200.0)


def test_a_weak_clutch_is_reported_with_values():
    done = launch(plain_driveline(), 0.12)  # carries 150 N m
    assert verdict(done) == "no: 360 Nm are asked of a clutch that carries 150"
    np.testing.assert_allclose(done.torque, 150.0)  # no more than it carries


def test_an_acceleration_out_of_reach_is_reported_with_values():
    done = launch(HOT, 0.12, 19.0)
    assert "are asked of engine and motor that give 360" in verdict(done)
    assert done.acceleration.max() < 19.0
    np.testing.assert_allclose(done.torque, 360.0)


def test_a_clutch_too_hot_after_one_launch():
    small = varied(HOT, clutches={"heat_capacity": 100.0, "max_temperature": 120.0})
    done = launch(small, 0.12, 1.0)
    assert done.temperature().max() > 120.0
    assert verdict(done).startswith("no: one launch heats the clutch to ")
    assert verdict(done).endswith("above 120 C")


def test_a_vehicle_that_does_not_move_off():
    heavy = varied(HOT, vehicle={"mass": 9000.0})
    holding = 9000 * GRAVITY * (0.3 + 0.01) / np.hypot(1, 0.3) * 0.3 / (12 * 0.95) + 1.0
    with pytest.raises(InfeasibleError, match="does not move off on 30 %") as caught:
        launch(heavy, 0.3)
    assert f"takes {holding:.0f} Nm at the clutch" in str(caught.value)
    with pytest.raises(InfeasibleError, match="rolls without torque"):
        launch(varied(HOT, vehicle={"headwind": -30.0}), 0.0, 0.001)


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({"grade": -0.1}, "grade is -10 %"),
        ({"grade": float("nan")}, "grade is nan %"),
        ({"acceleration": 0.0}, "acceleration is 0 m/s2"),
        ({"acceleration": float("inf")}, "acceleration is inf m/s2"),
    ],
)
def test_values_out_of_range(wanted, words):
    with pytest.raises(InputError, match=words):
        launch(HOT, **wanted)


@pytest.mark.parametrize(("cooling", "pause"), [(30.0, 4.0), (400.0, 1.0), (0.0, 5.0), (30.0, 0.0)])
def test_repeated_launches_agree_with_one_after_the_other(cooling, pause):
    """The geometric series against all launches and pauses solved in a row."""
    done = launch(varied(HOT, clutches={"oil_cooling": cooling}), 0.15, 0.9)
    series = repeat_launch(done, 12, pause)
    loss = np.tile(np.append(done.loss, 0.0), 12)
    dt = np.tile(np.append(done.dt, pause), 12)
    row = clutch_temperature(done.driveline.clutches, loss, dt)
    cut = done.dt.size + 1
    peaks = [row[n * cut : (n + 1) * cut].max() for n in range(12)]
    np.testing.assert_allclose(series.starts, row[:-1:cut], rtol=1e-12)
    np.testing.assert_allclose(series.peaks, peaks, rtol=1e-12)
    time, temperature = series.history()
    assert temperature.max() == pytest.approx(max(peaks)) and time[-1] == pytest.approx(dt.sum())


@pytest.mark.parametrize("cooling", [0.0, 5.0, 30.0])
def test_first_launch_over_the_limit_is_that_of_the_peaks(cooling):
    done = launch(varied(HOT, clutches={"oil_cooling": cooling}), 0.15, 0.9)
    peaks = repeat_launch(done, 200, 6.0).peaks
    for number in (1, 2, 5, 9):
        limit = 0.5 * (peaks[number - 1] + peaks[number])  # passed by the next one
        car = varied(done.driveline, clutches={"max_temperature": limit})
        series = repeat_launch(launch(car, 0.15, 0.9), number, 6.0)
        assert series.first_over == number + 1 and not series.passes
        assert f"launch {number + 1} would be the first to pass" in verdict(series.launch, series)
        longer = repeat_launch(series.launch, number + 1, 6.0)
        assert longer.passes and verdict(series.launch, longer).startswith("no: launch ")
    below = varied(done.driveline, clutches={"max_temperature": peaks[0] - 1e-6})
    assert repeat_launch(launch(below, 0.15, 0.9), 1, 6.0).first_over == 1


def test_a_clutch_that_cools_enough_lasts_for_ever():
    done = launch(HOT, 0.05, 0.9)
    series = repeat_launch(done, 5000, 20.0)
    assert series.peaks[-1] == pytest.approx(series.final_peak, rel=1e-12)
    assert series.final_peak < HOT.clutches.max_temperature and series.first_over is None
    assert "repeated for ever it stays at" in verdict(done, series)


def test_a_clutch_that_cools_at_once_is_no_trouble():
    cold = varied(HOT, clutches={"oil_cooling": 1e5})
    series = repeat_launch(launch(cold, 0.05, 0.9), 3, 1e5)
    np.testing.assert_array_equal(series.starts, 90.0)
    assert series.first_over is None and series.final_peak == pytest.approx(series.peaks[0])


def test_repeating_needs_the_heat_capacity():
    with pytest.raises(InputError, match="heat_capacity_kJ_per_K: is missing"):
        repeat_launch(launch(plain_driveline(), 0.0, 1.0), 2, 1.0)
    done = launch(HOT, 0.0, 1.0)
    with pytest.raises(InputError, match="repeat is 0"):
        repeat_launch(done, 0, 1.0)
    with pytest.raises(InputError, match="pause is -1 s"):
        repeat_launch(done, 2, -1.0)
