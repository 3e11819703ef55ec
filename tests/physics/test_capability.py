"""What a vehicle can do against closed forms: constant power, a cubic, torque and ratio."""

import dataclasses

import numpy as np
import pytest
from makers import ENGINE, HEATING_VALUE, MOTOR, constant_battery, plain_driveline, varied

from hybridopt import read_driveline
from hybridopt.base.units import GRAVITY, KM_PER_H, RPM
from hybridopt.inputs.models import engine_maps, limited_torque, motor_maps
from hybridopt.physics.capability import capability
from hybridopt.physics.demand import step_demand
from hybridopt.physics.operating_points import drivable_steps

POWER = 60e3  # W
MASS, RADIUS = 1500.0, 0.3
IDLE, TOP = 800 * RPM, 6000 * RPM
RATIO = 0.9 * 3.0  # up to 251 km/h


def constant_power(**parts):
    """A vehicle of one gear, whose engine gives 60 kW from idle speed on; nothing is lost."""
    plain = plain_driveline()
    model = dataclasses.replace(ENGINE, max_torque=POWER / IDLE)
    idle = dataclasses.replace(
        MOTOR, loss_constant=0.0, loss_per_speed=0.0, loss_per_torque2=0.0, spin_drag=0.0
    )
    speed = np.linspace(IDLE, TOP, 5001)  # linear in between: less than 1e-6 off
    car = dataclasses.replace(
        plain,
        engine=dataclasses.replace(
            plain.engine,
            **engine_maps(model, HEATING_VALUE) | {"full_load": limited_torque(1e9, POWER, speed)},
            inertia=0.0,
        ),
        motor=dataclasses.replace(plain.motor, **motor_maps(idle), inertia=0.0),
    )
    box = {"ratios": (0.9,), "efficiencies": (1.0,), "drag_torques": (0.0,), "final_drive": 3.0}
    made = {
        "gearbox": box,
        "clutches": {"launch_speed": IDLE, "launch_capacity": 1e5},
        "functions": {"can_boost": False, "can_drive_electric": False},
        "auxiliary": {"power": 0.0},
    }
    return varied(
        car, **{name: made.get(name, {}) | parts.get(name, {}) for name in {*made, *parts}}
    )


def cubic(power):
    """Speed at which drag and rolling resistance take a power, m/s."""
    roots = np.roots([0.5 * 1.2 * 0.66, 0.0, MASS * GRAVITY * 0.01, -power])
    return float(roots[np.isreal(roots)].real.max())


def test_top_speed_is_the_root_of_a_cubic():
    found = capability(constant_power())
    assert found.top_speed == pytest.approx(cubic(POWER), abs=0.02 * KM_PER_H)
    assert found.lasting_speed == pytest.approx(cubic(POWER), abs=0.02 * KM_PER_H)


def test_lasting_speed_feeds_the_auxiliaries():
    """20 kW of load that the engine carries through a motor without losses."""
    found = capability(constant_power(auxiliary={"power": 20e3}))
    assert found.top_speed == pytest.approx(cubic(POWER), abs=0.02 * KM_PER_H)
    assert found.lasting_speed == pytest.approx(cubic(POWER - 20e3), abs=0.02 * KM_PER_H)


def test_motor_adds_its_power_to_the_top_speed():
    """At most 40 kW leave the battery and none are lost: 100 kW."""
    battery = dataclasses.replace(constant_battery(resistance=0.0, limit=40e3))
    strong = dataclasses.replace(constant_power(functions={"can_boost": True}), battery=battery)
    found = capability(strong)
    assert found.top_speed == pytest.approx(cubic(100e3), abs=0.02 * KM_PER_H)
    assert found.lasting_speed == pytest.approx(cubic(POWER), abs=0.02 * KM_PER_H)


def test_motor_gets_no_more_than_a_battery_can_give():
    """200 V behind 0.5 ohm give U^2 / 4 R = 20 kW, whatever the table allows."""
    battery = constant_battery(voltage=200.0, resistance=0.5, limit=1e6)
    strong = dataclasses.replace(constant_power(functions={"can_boost": True}), battery=battery)
    assert capability(strong).top_speed == pytest.approx(cubic(80e3), abs=0.02 * KM_PER_H)


def test_top_speed_by_the_gearing():
    """Of an engine that may turn 6,000 rpm: w r / i."""
    short = constant_power(gearbox={"ratios": (4.0,)})
    expected = TOP * RADIUS / (4.0 * 3.0)
    assert capability(short).top_speed == pytest.approx(expected, abs=0.02 * KM_PER_H)


def test_time_to_100_of_constant_power():
    """m v1 / F while the clutch slips, then m (v^2 - v1^2) / 2 P, without resistances."""
    free = constant_power(vehicle={"rolling_resistance": 0.0, "drag_area": 0.0})
    v1, v2 = IDLE * RADIUS / RATIO, 100 * KM_PER_H
    force = POWER / IDLE * RATIO / RADIUS
    expected = MASS * v1 / force + MASS * (v2**2 - v1**2) / (2 * POWER)
    assert capability(free).seconds_to_hundred == pytest.approx(expected, rel=1e-3)


def test_time_to_100_on_slippery_ground():
    """v / (mu g) where the tyres limit all the way: 0.1 g."""
    free = constant_power(vehicle={"rolling_resistance": 0.0, "drag_area": 0.0, "tyre_grip": 0.1})
    expected = 100 * KM_PER_H / (0.1 * GRAVITY)
    assert capability(free).seconds_to_hundred == pytest.approx(expected, rel=1e-3)


def test_a_vehicle_too_slow_for_100():
    slow = capability(constant_power(gearbox={"ratios": (8.0,)}))
    assert slow.seconds_to_hundred == np.inf
    assert slow.top_speed == pytest.approx(TOP * RADIUS / 24.0, abs=0.02 * KM_PER_H)


def test_gradeability_by_torque_and_ratio():
    """The clutch carries 150 N m: sin + c_r cos = (150 - 1) i e / (r m g), then halved by mass."""
    heavy = varied(plain_driveline(), vehicle={"drag_area": 0.0, "mass": 3000.0})
    pull = 149.0 * 12 * 0.95 / 0.3 / (3000 * GRAVITY)
    angle = np.arcsin(pull / np.hypot(1, 0.01)) - np.arctan(0.01)
    assert capability(heavy).grade == pytest.approx(np.tan(angle), abs=1e-5)


def test_best_consumption_of_a_willans_engine():
    """b = (1 + T_f / T) / (e H), least at full load."""
    best = capability(plain_driveline()).best
    assert best.consumption * HEATING_VALUE == pytest.approx((1 + 20 / 200) / 0.4)


@pytest.mark.parametrize("name", ["full", "micro"])
def test_top_speed_of_a_demo_is_what_a_step_can_hold(name):
    driveline = read_driveline(name)
    top = capability(driveline).top_speed
    speed, zero = np.array([0.5, 0.99, 0.999, 1.001]) * top, np.zeros(4)
    demand = step_demand(driveline.vehicle, zero, zero + 1.0, speed, speed, zero)
    assert drivable_steps(driveline, demand).tolist() == [True, True, True, False]
