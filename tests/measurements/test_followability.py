"""Who can follow a trace: band in closed form, achievable speed against the physics."""

import dataclasses

import dirty_logs
import numpy as np
import pytest
from makers import constant_battery, plain_driveline, varied

from hybridopt import (
    Cycle,
    InfeasibleError,
    Settings,
    driveline_names,
    read_cycle,
    read_driveline,
    solve_cycle,
)
from hybridopt.base.warning import InputWarning
from hybridopt.measurements.followability import follow, outside_band
from hybridopt.physics.demand import wheel_demand
from hybridopt.physics.operating_points import drivable_steps, list_operating_points, seconds_text

KM_PER_H = 1 / 3.6


def cycle(speed, dt=1.0, grade=0.0):
    speed = np.asarray(speed, dtype=float)
    return Cycle("trace", np.arange(speed.size) * dt, speed, np.full(speed.size, grade))


def heavy(mass):
    return varied(read_driveline("micro"), vehicle={"mass": mass})


# --- band ---


@pytest.mark.parametrize(
    ("change", "seconds"), [(1.9, 0.0), (-1.9, 0.0), (2.2, 98.0), (-2.2, 98.0)]
)
def test_band_of_a_steady_trace_is_two_km_per_h(change, seconds):
    trace = cycle(np.full(101, 20.0))
    moved = cycle(np.full(101, 20.0 + change * KM_PER_H))
    total = sum(last - first for first, last in outside_band(trace, moved))
    assert total >= seconds and (total == 0.0) == (seconds == 0.0)


def test_band_of_a_ramp_is_a_second_wide():
    """At 1 m/s2 the lowest speed within a second is 1 m/s below: 1 + 0.556 m/s are allowed."""
    ramp = np.arange(0.0, 40.0)
    for lag, fits in ((1.5, True), (1.62, False)):
        driven = cycle(np.maximum(ramp - lag, 0.0))
        out = outside_band(cycle(ramp), driven)
        assert any(first < 20.0 < last for first, last in out) != fits


def test_a_short_dip_is_outside_only_where_it_is_deep():
    speed = np.full(101, 20.0)
    speed[50] = 18.0
    ((first, last),) = outside_band(cycle(np.full(101, 20.0)), cycle(speed))
    depth = 2.0 * KM_PER_H / 2.0  # share of the slope of 2 m/s in 1 s that stays inside
    assert first == pytest.approx(49 + depth, abs=0.1) and last == pytest.approx(
        51 - depth, abs=0.15
    )


# --- engine states ---

COARSE = Settings(soc_points=51, splits=9, terminal="free")


@pytest.mark.long
@pytest.mark.parametrize("name", driveline_names())
def test_check_and_solve_agree_on_a_drive_that_begins_at_109_km_per_h(name):
    """With the engine on at the start, as for every cycle that begins moving; and told that it is
    off, `follow` reaches the trace exactly where a schedule is found.
    """
    vehicle, trace = read_driveline(name), cycle(np.full(31, 109.0 * KM_PER_H))
    assert follow(vehicle, trace).exact
    found = solve_cycle(trace, vehicle, COARSE, bound=False)
    assert found.settings.engine_on_start is True
    off = dataclasses.replace(COARSE, engine_on_start=False)
    try:
        exact = follow(vehicle, trace, off).exact
    except InfeasibleError:
        exact = False
    if exact:
        solve_cycle(trace, vehicle, off, bound=False)
        return
    with pytest.raises(InfeasibleError, match="gets past step 1 .* on .--engine-on-start"):
        solve_cycle(trace, vehicle, off, bound=False)


def test_a_cycle_that_begins_at_rest_begins_with_the_engine_off():
    vehicle = read_driveline("full")
    settings = Settings().resolved(vehicle)
    assert settings.for_cycle(cycle([0.0, 1.0])).engine_on_start is False
    assert settings.for_cycle(cycle([0.1, 1.0])).engine_on_start is True
    told = dataclasses.replace(settings, engine_on_start=False)
    assert told.for_cycle(cycle([0.1, 1.0])).engine_on_start is False


def test_the_step_that_is_named_is_the_first_that_no_state_in_reach_can_do():
    """Rolling at 150 km/h micro's engine can stay off, but not start; then the road rises.

    The start's own state, engine off in the first gear, says nothing of that step.
    """
    grade = np.where(np.arange(41) < 20, -0.08, 0.02)
    trace = Cycle("dip", np.arange(41) * 1.0, np.full(41, 150.0 * KM_PER_H), grade)
    vehicle = read_driveline("micro")
    off = dataclasses.replace(COARSE, engine_on_start=False)
    with pytest.raises(InfeasibleError, match=r"step 2\d \(\d\d s after .*, in no state of engine"):
        solve_cycle(trace, vehicle, off, bound=False)


# --- who can follow ---


@pytest.mark.parametrize("name", ["full", "mild", "micro"])
def test_demo_drivelines_follow_the_wltc(name):
    trace = read_cycle("wltc_class3b")
    following = follow(read_driveline(name), trace)
    assert following.exact and following.cycle is trace and following.outside == []
    assert following.text == "can be followed exactly"


def test_drivable_steps_are_those_the_solve_lists():
    """The same verdict as :func:`list_operating_points`, for any number of splits."""
    vehicle, trace = heavy(6500.0), read_cycle("wltc_class3b")
    demand = wheel_demand(vehicle.vehicle, trace)
    mask = drivable_steps(vehicle, demand)
    assert 10 < (~mask).sum() < 100
    for t in np.flatnonzero(~mask)[:5]:
        with pytest.raises(InfeasibleError, match="1 of 1 steps cannot be driven"):
            list_operating_points(vehicle, demand.part(t, t + 1), 31)
    good = np.flatnonzero(mask)[::200]
    for t in good:
        list_operating_points(vehicle, demand.part(t, t + 1), 31)


@pytest.mark.long
def test_what_is_achievable_is_solved_and_lies_below_the_trace():
    vehicle, trace = heavy(6500.0), read_cycle("wltc_class3b")
    following = follow(vehicle, trace)
    reached = following.cycle
    assert (reached.speed <= trace.speed).all() and following.limited.any()
    assert not following.exact and following.outside and "missing" in following.text
    assert drivable_steps(vehicle, wheel_demand(vehicle.vehicle, reached)).all()
    assert (reached.speed[1:][~following.limited] == trace.speed[1:][~following.limited]).all()
    result = solve_cycle(reached, vehicle, Settings(soc_points=51, splits=9), bound=False)
    assert result.dataset.attrs["cycle"] == "wltc_class3b_achievable"
    with pytest.raises(
        InfeasibleError, match=r"undrivable are the seconds 14-15, .* more stretches"
    ):
        solve_cycle(trace, vehicle, Settings(soc_points=51, splits=9), bound=False)


@pytest.mark.long
def test_nothing_faster_can_be_driven():
    """A little more speed at the end of a limited step, and no operating point is left."""
    vehicle, trace = heavy(6500.0), read_cycle("wltc_class3b")
    following = follow(vehicle, trace)
    speed = following.cycle.speed
    limited = np.flatnonzero(speed[1:] < trace.speed[1:] - 0.05)
    assert limited.size > 3
    for k in limited:
        more = np.array([speed[k], speed[k + 1] + 0.02])
        step = Cycle("more", trace.time[k : k + 2] - trace.time[k], more)
        assert not drivable_steps(vehicle, wheel_demand(vehicle.vehicle, step)).any()


def test_largest_torque_in_closed_form():
    """One gear, locked clutch, engine 200 N m and motor 160 N m at most, both without limit of
    power: F = (360 - T_drag - J i a / r) i eta / r = m a + m g c_r + rho c_d A v^2 / 2.
    """
    base = plain_driveline()
    plain = varied(
        base,
        gearbox={"ratios": (4.0,), "efficiencies": (0.95,), "drag_torques": (1.0,)},
        vehicle={"mass": 6000.0},
    )
    plain = dataclasses.replace(plain, battery=constant_battery())
    speed = np.concatenate(([10.0, 10.0], np.full(4, 25.0)))
    reached = follow(plain, cycle(speed)).cycle.speed
    ratio, radius, mass = 12.0, 0.3, 6000.0
    for before, after in zip(reached[1:4], reached[2:5], strict=True):
        v, a = 0.5 * (before + after), after - before
        inertia = (0.15 + 0.05) * a * ratio / radius
        force = (200.0 + 160.0 - 1.0 - inertia) * ratio * 0.95 / radius
        road = mass * a + mass * 9.81 * 0.01 + 0.5 * 1.2 * 0.66 * v**2
        assert force == pytest.approx(road, rel=2e-3)


def test_who_cannot_pull_away_is_told():
    speed = np.concatenate((np.zeros(5), np.full(60, 5.0)))
    speed[5] = 1.0
    with pytest.raises(InfeasibleError, match="at 4 s driveline micro cannot pull away"):
        follow(heavy(40_000.0), cycle(speed, grade=0.3))


def test_who_is_too_fast_is_told():
    """Shaft speeds end at 6200 rpm and more: 500 km/h is beyond the top gear."""
    speed = np.full(20, 138.0)
    with pytest.raises(InfeasibleError, match="at 0 s and 496.8 km/h .* can drive no step"):
        follow(read_driveline("full"), cycle(speed))


def test_irregular_steps_are_followed_too():
    trace = read_cycle("wltc_class3b").cut(0, 589)
    time = np.unique(np.concatenate((trace.time, trace.time[::3] + 0.37)))
    time = time[time <= trace.time[-1]]
    other = Cycle("irregular", time, np.interp(time, trace.time, trace.speed))
    vehicle = heavy(6500.0)
    one, two = follow(vehicle, trace), follow(vehicle, other)
    assert not one.exact and not two.exact
    assert two.deficit == pytest.approx(one.deficit, abs=0.3)


def test_seconds_in_words():
    start = np.array([3.0, 4.0, 20.0, 30.5])
    assert seconds_text(start, np.array([1.0, 1.0, 1.0, 0.5])) == "3-5, 20-21, 30.5-31"
    many = np.arange(0.0, 60.0, 2.0)
    assert seconds_text(many, np.ones(30)).endswith(", 22-23 and 18 more stretches")


def test_a_heat_request_counts_where_a_step_is_slowed_down():
    """The motor launches alone; with the engine running a clutch of 40 Nm has to slip, and can't.

    What is reached can be driven with the request: slower from rest.
    """
    car = read_driveline("full", {"clutches.launch_capacity_Nm": 40})
    trace = cycle(np.interp(np.arange(21.0), [0, 2, 14, 20], [0, 0, 12, 12]))
    assert follow(car, trace).exact
    asked = dataclasses.replace(trace, heat_request=np.ones(21))
    reached = follow(car, asked)
    assert not reached.exact
    assert drivable_steps(car, wheel_demand(car.vehicle, reached.cycle)).all()


# --- raw logs ---


@pytest.mark.parametrize(
    ("refresh", "unit", "how"),
    [(0.9, KM_PER_H, "is held for 0.91 s"), (1 / 11, KM_PER_H, "has steps of 1 km/h")],
)
def test_a_raw_log_is_better_imported_first(refresh, unit, how):
    """At 11 Hz, of a sensor that is refreshed every 0.9 s, or that shows whole km/h."""
    raw = dirty_logs.held(dirty_logs.truth("udds", 0, 60), refresh=refresh, unit=unit)
    trace = Cycle("log", raw.time, raw.speed)
    with pytest.warns(
        InputWarning, match=f"is a raw log at 11 Hz whose speed {how}; .* import LOG"
    ):
        follow(read_driveline("full"), trace)


def test_a_smooth_trace_at_ten_hertz_is_followed_without_a_word():
    truth = dirty_logs.truth("udds", 0, 60)
    time = np.arange(0.0, 60.0, 0.1)
    follow(read_driveline("full"), Cycle("fine", time, truth.speed_at(time)))
