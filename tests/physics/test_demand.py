"""Torque and speed wanted at the wheels."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from makers import plain_driveline

from hybridopt.inputs.cycle import Cycle
from hybridopt.inputs.driveline import Vehicle
from hybridopt.physics.demand import steady_demand, wheel_demand

KM_H = 1 / 3.6
VEHICLE = Vehicle(
    mass=1500.0,
    rolling_resistance=0.010,
    drag_area=0.66,
    wheel_radius=0.3,
    wheel_inertia=0.0,
    air_density=1.2,
)
FREE = dataclasses.replace(VEHICLE, rolling_resistance=0.0, drag_area=0.0, wheel_inertia=3.0)


def steady(speed, grade=0.0, seconds=10.0):
    return Cycle("steady", [0, seconds], [speed, speed], grade)


@pytest.mark.parametrize(
    ("km_per_h", "kilowatts"),
    # closed form v (m g c_r + rho/2 c_d A v^2), g = 9.81 m/s2, computed apart from the package
    [(50, 3.105), (80, 7.616), (100, 12.575), (130, 23.961)],
)
def test_road_load_power(km_per_h, kilowatts):
    want = wheel_demand(VEHICLE, steady(km_per_h * KM_H))
    assert want.wheel_torque * want.wheel_speed == pytest.approx(kilowatts * 1e3, abs=0.6)
    parts = want.rolling_power + want.drag_power + want.grade_power + want.inertia_power
    assert parts == pytest.approx(want.wheel_torque * want.wheel_speed, rel=1e-14)


def test_parts_by_hand():
    """v = 20 m/s on a 5 % grade; sin = 0.05 / sqrt(1.0025), cos = 1 / sqrt(1.0025)."""
    want = wheel_demand(VEHICLE, steady(20.0, 0.05))
    cosine = 1 / math.sqrt(1.0025)
    assert want.rolling_power == pytest.approx(1500 * 9.81 * 0.01 * cosine * 20)
    assert want.grade_power == pytest.approx(1500 * 9.81 * 0.05 * cosine * 20)
    assert want.drag_power == pytest.approx(0.5 * 1.2 * 0.66 * 20**3)
    assert want.inertia_power == 0


def test_acceleration_by_hand():
    """0 to 10 m/s in 4 s: mean 5 m/s, 2.5 m/s2; wheels of 3 kg m2 add 3 / 0.3^2 kg."""
    want = wheel_demand(FREE, Cycle("pull", [0, 4], [0, 10]))
    assert (want.steps, want.distance, want.dt[0], want.time[0]) == (1, 20, 4, 0)
    assert want.wheel_speed == pytest.approx(5 / 0.3)
    assert want.wheel_acceleration == pytest.approx(2.5 / 0.3)
    assert want.wheel_torque == pytest.approx((1500 + 3 / 0.09) * 2.5 * 0.3)


def test_trailer_adds_mass_rolling_and_drag():
    """500 kg with c_r 0.02 and 0.5 m2 behind 1500 kg with 0.01 and 0.66 m2, 5 % grade."""
    towing = dataclasses.replace(
        VEHICLE, trailer_mass=500.0, trailer_rolling_resistance=0.02, trailer_drag_area=0.5
    )
    want = wheel_demand(towing, steady(20.0, 0.05))
    cosine = 1 / math.sqrt(1.0025)
    weight = 9.81 * cosine * 20
    assert want.rolling_power == pytest.approx((1500 * 0.01 + 500 * 0.02) * weight)
    assert want.grade_power == pytest.approx(2000 * 0.05 * weight)
    assert want.drag_power == pytest.approx(0.5 * 1.2 * 1.16 * 20**3)
    pull = wheel_demand(towing, Cycle("pull", [0, 4], [0, 10]))
    alone = wheel_demand(VEHICLE, Cycle("pull", [0, 4], [0, 10]))
    assert (pull.inertia_power / alone.inertia_power).item() == pytest.approx(2000 / 1500)


@given(
    st.lists(
        st.tuples(st.floats(0.05, 20), st.floats(0, 60), st.floats(-0.2, 0.2)),
        min_size=2,
        max_size=30,
    )
)
@settings(deadline=None)
def test_kinetic_energy_telescopes(points):
    """Exact for any time base: the work of inertia is the change of kinetic energy."""
    dt, speed, grade = (np.array(column) for column in zip(*points, strict=True))
    speed[-1] = speed[0]
    cycle = Cycle("any", np.cumsum(dt), speed, grade)
    work = wheel_demand(FREE, cycle).inertia_power * cycle.dt
    kinetic = 0.5 * (1500 + 3 / 0.09) * speed**2
    assert work.sum() == pytest.approx(0, abs=1e-9 * (1 + kinetic.max()))
    assert work == pytest.approx(np.diff(kinetic), abs=1e-9 * (1 + kinetic.max()))


@given(st.floats(1, 40), st.floats(-0.3, 0.3))
def test_climb_costs_potential_energy(speed, grade):
    """m g h at constant speed, h = path times sin(atan(grade))."""
    cycle = steady(speed, grade, 60.0)
    want = wheel_demand(FREE, cycle)
    height = speed * 60.0 * math.sin(math.atan(grade))
    work = (want.wheel_torque * want.wheel_speed * want.dt).sum()
    assert work == pytest.approx(1500 * 9.81 * height, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize("grade", [-0.2, 0.0, 0.2])
def test_rest_wants_nothing(grade):
    want = wheel_demand(VEHICLE, steady(0.0, grade))
    assert want.wheel_torque == 0 and want.grade_power == 0 and want.rolling_power == 0


def test_moving_off_uphill_wants_the_whole_climb():
    """The brakes hold at rest only: the first step that moves carries the grade in full."""
    want = wheel_demand(FREE, Cycle("hill", [0, 5, 10], [0, 0, 1e-3], 0.1))
    climb = 1500 * 9.81 * math.sin(math.atan(0.1)) * 0.3
    inertia = (1500 + 3 / 0.09) * 2e-4 * 0.3
    assert want.wheel_torque == pytest.approx([0, climb + inertia])


def test_part_cuts_every_array():
    want = wheel_demand(VEHICLE, Cycle("three", [0, 1, 3, 6], [0, 5, 7, 0]))
    part = want.part(1, 3)
    assert part.steps == 2
    for name, values in vars(want).items():
        assert np.array_equal(getattr(part, name), values[1:3], equal_nan=values.dtype.kind == "f")


def test_steady_demand_is_a_climb_of_the_power_that_speed_does_not_take():
    """Closed form at no wind: F = P / v; rolling and drag as on the level, the rest climbs."""
    vehicle = plain_driveline().vehicle
    speeds, powers = np.array([10.0, 20.0]), np.array([-5e3, 0.0, 30e3])
    want = steady_demand(vehicle, speeds, powers, 2.0)
    speed, power = np.repeat(speeds, 3), np.tile(powers, 2)
    np.testing.assert_allclose(want.speed, speed)
    np.testing.assert_allclose(want.wheel_torque, power / speed * vehicle.wheel_radius)
    parts = want.rolling_power + want.drag_power + want.grade_power + want.inertia_power
    np.testing.assert_allclose(parts, power, atol=1e-9)
    level = vehicle.rolling_resistance * vehicle.mass * 9.81 * speed
    np.testing.assert_allclose(want.rolling_power, level)
    assert want.dt.tolist() == [2.0] * 6 and not want.acceleration.any()
