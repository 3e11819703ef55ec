"""What is foreseen: closed forms, errors over many seeds, a driver under limits by hand."""

import numpy as np
import pytest
from makers import plain_driveline
from scipy.integrate import quad

from hybridopt import Cycle, InputError, wheel_demand
from hybridopt.controllers.foreseen import exact, foresee
from hybridopt.foresight.expected_cost import ACCELERATIONS
from hybridopt.foresight.predictions import (
    PREDICTIONS,
    RARE,
    FadingAcceleration,
    SpeedError,
    grade_only,
    steady,
    usual_course,
)
from hybridopt.foresight.road_ahead import (
    LimitedDriver,
    SpeedLimits,
    on_the_road,
    passed_distance,
    speed_limits,
)

VEHICLE = plain_driveline().vehicle
KM_PER_H = 1 / 3.6


def demand(speeds, grade=0.0, dt=1.0):
    speeds = np.asarray(speeds, dtype=float)
    time = dt * np.arange(speeds.size)
    return wheel_demand(VEHICLE, Cycle("made", time, speeds, grade=grade))


def trapezoid(rate=1.0, top=20.0, hold=40):
    up = np.arange(0.0, top, rate)
    return demand(np.concatenate((up, np.full(hold + 1, top), up[::-1], np.zeros(3))))


@pytest.mark.parametrize("kind", PREDICTIONS)
@pytest.mark.parametrize("dt", [0.1, 1.0, 5.0])
def test_every_kind_foresees_from_the_speed_that_is_known_on(kind, dt):
    """Steps of any length, a drive that begins moving, and a horizon longer than the drive."""
    drive = demand([10.0, 12.0, 9.0, 3.0, 0.0, 0.0, 4.0], [0.0, 0.02, 0.02, -0.01, 0.0, 0.0, 0], dt)
    predict = PREDICTIONS[kind]([drive], SpeedError())
    found = predict(drive, 1.0, 60)
    np.testing.assert_allclose(found.speeds[:, 0], drive.speeds[1:], atol=1e-12)
    wanted = foresee(VEHICLE, drive, 1.0, 60, predict)  # checks shapes, numbers and signs
    assert wanted.shape[:2] == (6, 60) and np.isfinite(wanted).all()
    one = demand([10.0, 11.0])
    assert foresee(VEHICLE, one, 1.0, 3, PREDICTIONS[kind]([one], SpeedError())).shape[:2] == (1, 3)


def test_an_acceleration_fades():
    """v + a T (1 - exp(-t / T)): integral of a fading acceleration; a vehicle that stops stays."""
    drive = demand([10.0, 11.0, 9.0, 1.0])
    found = FadingAcceleration(fade=4.0)(drive, 2.0, 3)
    t = np.array([0.0, 2.0, 4.0, 6.0])
    np.testing.assert_allclose(found.speeds[0], 11.0 + 4.0 * (1.0 - np.exp(-t / 4.0)))
    np.testing.assert_allclose(found.speeds[1], 9.0 - 8.0 * (1.0 - np.exp(-t / 4.0)))
    assert found.speeds[2].tolist() == [1.0, 0.0, 0.0, 0.0]


def test_grade_alone_is_that_of_the_places_where_the_speed_leads():
    """At a steady 10 m/s the hill from 30 m to 50 m on is seen 2 to 4 s after the first step."""
    grade = np.array([0.0, 0.0, 0.0, 0.1, 0.1, 0.0, 0.0, 0.0])
    drive = demand(np.full(8, 10.0), grade)
    seen = grade_only(drive, 1.0, 5)
    np.testing.assert_allclose(seen.grades[0], exact(drive, 1.0, 5).grades[0], atol=1e-12)
    assert seen.grades[0].max() == pytest.approx(0.1)
    assert not steady(drive, 1.0, 5).grades[0].any()
    assert np.ptp(seen.speeds) == 0.0


def test_a_standing_vehicle_has_the_grade_where_it_stands():
    drive = demand([5.0, 0.0, 0.0, 0.0], 0.05)
    assert grade_only(drive, 1.0, 2).grades == pytest.approx(0.05)
    slower = on_the_road(drive, 1.0, np.array([[0.0, 3.0]] * 3))
    assert slower.grades == pytest.approx(0.05)  # beyond the end the last grade goes on


# a preview with errors


def test_the_spread_is_the_integral_of_an_ornstein_uhlenbeck_process():
    """Variance by quadrature of noise times its response, (T (1 - exp(-u / T)))^2."""
    error = SpeedError(deviation=2.0, memory=4.0)

    def response(u):
        return (4.0 * (1.0 - np.exp(-u / 4.0))) ** 2

    scale = 4.0 / quad(response, 0.0, 10.0)[0]
    for ahead in (0.5, 1.0, 3.0, 10.0, 60.0):
        variance = scale * quad(response, 0.0, ahead)[0]
        assert error.spread(np.array([ahead]))[0] ** 2 == pytest.approx(variance, rel=1e-9)
    assert error.spread(np.array([10.0]))[0] == pytest.approx(2.0)


def test_errors_have_the_stated_spread_and_know_each_other():
    """Over 1,000 seeds; four standard errors of a deviation (9 %) and a correlation (0.13).

    What a preview of the same moment a second later knows more is independent of what it does not
    know yet, so their correlation is the ratio of the spreads.
    """
    drive, count = demand(np.full(9, 20.0)), 1000
    found = np.stack([SpeedError(1.5, seed).errors(drive, 1.0, 20) for seed in range(count)])
    spread = SpeedError(1.5).spread(np.arange(21.0))
    assert not found[:, :, 0].any()
    np.testing.assert_allclose(found[:, 4, 1:].std(axis=0), spread[1:], rtol=4 / np.sqrt(2 * count))
    assert np.abs(found.mean(axis=0)).max() < 5 * spread[-1] / np.sqrt(count)
    alike = np.corrcoef(found[:, 2, 10], found[:, 3, 9])[0, 1]
    assert alike == pytest.approx(spread[9] / spread[10], abs=4 / np.sqrt(count))


def test_errors_are_the_same_whatever_horizon_and_step():
    drive = demand(np.full(30, 20.0))
    error = SpeedError(seed=7)
    far = error.errors(drive, 1.0, 20)
    np.testing.assert_array_equal(error.errors(drive, 1.0, 5), far[:, :6])
    np.testing.assert_allclose(error.errors(drive, 2.0, 10), far[:, ::2], atol=1e-12)
    assert np.abs(SpeedError(seed=8).errors(drive, 1.0, 20) - far).max() > 0.1
    assert not SpeedError(deviation=0.0).errors(drive, 1.0, 20).any()


@pytest.mark.parametrize(
    "given", [{"deviation": -1.0}, {"deviation": np.nan}, {"seed": -1}, {"memory": 0.0}]
)
def test_a_spread_that_cannot_be_meant_is_refused(given):
    with pytest.raises(InputError, match=f"wrong preview: {next(iter(given))} is"):
        SpeedError(**given)


# what usually follows


def test_on_a_drive_that_repeats_itself_the_usual_course_is_the_drive():
    """Up and down at 1 m/s2 (a node): away from the turns, where a mean over nodes sees both."""
    once = np.concatenate((np.arange(0.0, 30.0), np.arange(30.0, 0.0, -1.0)))
    drive = demand(np.tile(once, 20))
    found = usual_course([drive])(drive, 1.0, 5).speeds
    inner = np.abs(drive.speed - 15.0) < 5.0
    np.testing.assert_allclose(found[inner], exact(drive, 1.0, 5).speeds[inner], atol=0.01)


def test_usual_changes_are_means_in_plain_python():
    speeds = np.abs(np.cumsum(np.random.default_rng(3).normal(0.0, 0.5, 300)))
    drive = demand(speeds)
    course = usual_course([drive, drive])
    node, ahead = (7, 10), 7
    total = weight = 0.0
    for t in range(speeds.size - 1 - ahead):
        mean, rate = 0.5 * (speeds[t] + speeds[t + 1]), speeds[t + 1] - speeds[t]
        near = 1.0
        for value, axis, i in zip((mean, rate), (course.speeds, ACCELERATIONS), node, strict=True):
            hat = np.zeros(axis.size)
            hat[i] = 1.0
            near *= np.interp(value, axis, hat)
        total += 2.0 * near * (speeds[t + 1 + ahead] - speeds[t + 1])
        weight += 2.0 * near
    assert weight > 1.0
    found = course.changes[node[0] * ACCELERATIONS.size + node[1], ahead]
    assert found == pytest.approx(total / (weight + RARE), rel=1e-9)


# limits


def test_limits_are_the_envelope_of_a_drive_without_its_stops():
    """20 m/s is 72 km/h, so 80; a stop between is no limit, a village of 1,000 m is."""
    assert speed_limits(trapezoid()).limits / KM_PER_H == pytest.approx(80.0)
    fast, stop = np.full(60, 20.0), np.abs(np.arange(-20.0, 21.0, 2.0))
    drive = demand(np.concatenate((fast, stop, fast)))
    assert speed_limits(drive).limits / KM_PER_H == pytest.approx(80.0)
    drive = demand(np.concatenate((fast, np.full(100, 10.0), fast)))
    limits = speed_limits(drive)
    slow = limits.places[limits.limits < 20.0]
    assert limits.limits[[50, 170, 280]] / KM_PER_H == pytest.approx([80.0, 40.0, 80.0])
    assert slow[[0, -1]] == pytest.approx([1195.0, 2185.0], abs=20.0)
    assert passed_distance(drive)[-1] == pytest.approx(59 * 20.0 + 99 * 10.0 + 59 * 20.0 + 30.0)


def test_a_driver_brakes_in_time_for_a_lower_limit():
    """From 20 to 10 m/s at 1 m/s2 takes 150 m, v = sqrt(v0^2 - 2 b s)."""
    limits = SpeedLimits(10.0 * np.arange(200), np.where(np.arange(200) < 60, 20.0, 10.0))
    drive = demand(np.full(60, 20.0))
    driver = LimitedDriver(acceleration=0.7, braking=1.0, fade=1e-6, limits=limits)
    t = 21  # at 440 m, 10 m before he must brake
    assert passed_distance(drive)[t + 1] == 440.0
    speeds = driver(drive, 1.0, 20).speeds[t]
    np.testing.assert_allclose(speeds[:11], 20.0 - np.maximum(np.arange(11) - 0.5, 0.0), atol=0.3)
    np.testing.assert_allclose(speeds[13:], 10.0, atol=1e-9)
    assert np.diff(speeds).min() >= -1.0 - 1e-9


def test_a_driver_speeds_up_to_the_limit_and_stands_where_he_stands():
    limits = SpeedLimits(np.array([0.0]), np.array([12.0]))
    driver = LimitedDriver(acceleration=0.5, limits=limits)
    drive = demand(np.concatenate((np.arange(0.0, 8.0, 0.5), np.zeros(1))))
    found = driver(drive, 1.0, 30).speeds
    np.testing.assert_allclose(found[3], np.minimum(2.0 + 0.5 * np.arange(31), 12.0))
    assert not found[-1].any()
