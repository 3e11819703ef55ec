"""What driven tyres hold, against statics and the closed form of the maximum tractive effort."""

import dataclasses

import numpy as np
import pytest
from makers import OFF, RUNNING, plain_driveline, varied, wanted
from scipy.optimize import brentq

from hybridopt import InfeasibleError, Settings, read_cycle, read_driveline
from hybridopt.base.units import GRAVITY
from hybridopt.physics.codes import Reason
from hybridopt.physics.energy_balance import energy_residual
from hybridopt.physics.grip import grip_taken, held_force
from hybridopt.physics.launch_series import verdict
from hybridopt.physics.launches import launch, steepest_launch
from hybridopt.physics.operating_points import all_points, drivable_steps
from hybridopt.pipeline import find_optimum

BODY = {"tyre_grip": 0.8, "front_load_share": 0.6, "wheelbase": 2.5, "centre_height": 0.5}


def car(axles, **more):
    body = BODY | {"driven_axles": axles, "front_brake_share": 0.6} | more
    return varied(plain_driveline(), vehicle=body, clutches={"launch_capacity": 1000.0})


@pytest.mark.parametrize("grade", [0.0, 0.3])
def test_maximum_tractive_effort(grade):
    """Wong, Theory of Ground Vehicles, ch. 3, from memory: with h/L = 0.2 and f_r = 0.01

    front F = mu W (l_2 + f_r h) / L / (1 + mu h / L), rear F = mu W (l_1 - f_r h) / L /
    (1 - mu h / L); l_2 / L is the share of the front axle.
    """
    weight = 1500 * GRAVITY / np.hypot(1, grade)
    front = 0.8 * weight * (0.6 + 0.01 * 0.2) / (1 + 0.8 * 0.2)
    rear = 0.8 * weight * (0.4 - 0.01 * 0.2) / (1 - 0.8 * 0.2)
    assert held_force(car("front").vehicle, grade) == pytest.approx(front, rel=1e-12)
    assert held_force(car("rear").vehicle, grade) == pytest.approx(rear, rel=1e-12)
    for axles in ("all", ""):
        assert held_force(car(axles).vehicle, grade) == pytest.approx(0.8 * weight, rel=1e-12)


@pytest.mark.parametrize("axles", ["front", "rear", "all", ""])
def test_grip_taken_is_the_inverse(axles):
    vehicle = car(axles).vehicle
    assert grip_taken(vehicle, 0.2, held_force(vehicle, 0.2)) == pytest.approx(0.8, rel=1e-12)


@pytest.mark.parametrize("axles", ["front", "rear"])
def test_steepest_launch_by_moments(axles):
    """At rest on a slope: moments about the contact of the other axle give the driven load."""
    vehicle = car(axles).vehicle
    share, side = (0.6, -1.0) if axles == "front" else (0.4, 1.0)

    def spare(angle):
        weight = 1500 * GRAVITY
        load = weight * (share * np.cos(angle) + side * 0.2 * np.sin(angle))
        return 0.8 * load - weight * (np.sin(angle) + 0.01 * np.cos(angle))

    strong = varied(car(axles), gearbox={"ratios": (8.0, 2.0, 1.0)}, vehicle={"drag_area": 0.0})
    expected = np.tan(brentq(spare, 0.0, 1.2))
    assert steepest_launch(strong) == pytest.approx(expected, abs=1e-5)
    assert vehicle.driven_wheels == f"the {axles} wheels"


def test_steepest_launch_by_torque_and_ratio():
    """sin + c_r cos = T i e / (r m g), with 200 + 160 N m less 1 of drag, ratio 12, 95 %."""
    strong = varied(
        plain_driveline(), vehicle={"drag_area": 0.0}, clutches={"launch_capacity": 1000.0}
    )
    pull = (360.0 - 1.0) * 12 * 0.95 / 0.3 / (1500 * GRAVITY)
    angle = brentq(lambda x: np.sin(x) + 0.01 * np.cos(x) - pull, 0.0, 1.5)
    assert steepest_launch(varied(strong, vehicle={"mass": 3000.0})) == pytest.approx(
        np.tan(brentq(lambda x: np.sin(x) + 0.01 * np.cos(x) - pull / 2, 0.0, 1.5)), abs=1e-5
    )
    assert steepest_launch(strong) == (1.0 if np.tan(angle) > 1.0 else pytest.approx(np.tan(angle)))


def test_a_grade_that_the_tyres_do_not_hold():
    """A demo's launch on 95 % took a grip of 1.46 and was called good."""
    steep = varied(car("all"), vehicle={"tyre_grip": 0.9})
    with pytest.raises(InfeasibleError, match="does not move off on 95 %.*all wheels hold"):
        launch(steep, 0.95)


def test_front_wheels_hold_less_than_all():
    """8.9 m/s2 take (m a + R) / N: all wheels 0.92 of 0.95, front wheels far above."""
    asked = {"tyre_grip": 0.95, "drag_area": 0.0}
    every, front = (launch(car(axles, **asked), 0.0, 8.9) for axles in ("all", "front"))
    assert every.grip == pytest.approx(8.9 / GRAVITY + 0.01, rel=1e-9)
    assert verdict(every).startswith("yes: ")
    taken = (8.9 + 0.01 * GRAVITY) / (0.6 * GRAVITY - 0.2 * 8.9)
    expected = f"a grip of {taken:.2f} is asked of the front wheels that hold 0.95"
    assert verdict(front) == f"no: {expected}"
    assert front.grip == pytest.approx(0.95, rel=1e-9)  # what it drives with


def test_full_load_takes_what_the_tyres_hold():
    done = launch(car("front"), 0.1)
    assert done.limited_by_tyres and done.faults == []
    assert done.grip == pytest.approx(0.8, rel=1e-9)
    assert "all that the tyres hold" in verdict(done)


# --- cycles held to the grip ---

LOADS = {"front": (0.6, -0.2), "rear": (0.4, 0.2), "all": (1.0, 0.0)}


@pytest.mark.parametrize("grade", [0.0, -0.1])
@pytest.mark.parametrize("axles", LOADS)
def test_recuperation_takes_no_more_than_the_driven_tyres_hold(axles, grade):
    """Moments about the other contact while 900 Nm brake at 0.3 m: 3000 N at the height of 0.5 m.

    Rolling resistance acts at the road and shifts nothing. Torque at the wheels back from the
    input of second gear: (T - 2) 6 / 0.96.
    """
    given = car(axles, grip_limits=True, recuperation_grip=0.12)
    want = dataclasses.replace(wanted(10.0, -900.0), grade=np.array([grade]))
    cosine = 1.0 / np.hypot(1.0, grade)
    weight = 1500 * GRAVITY * cosine
    share, lever = LOADS[axles]
    load = share * weight + lever * (-3000.0 - 0.01 * weight)
    most = min(0.12 * load * 0.3, 900.0 * given.vehicle.recuperated_share)
    points = all_points(given, want, 5)
    able = np.isfinite(points.cost[0, 1, OFF])
    lowest = points.motor_torque[0, 1, OFF][able].min()
    assert (lowest - 2.0) * 6 / 0.96 == pytest.approx(-most, rel=1e-9)
    assert most < 900.0 * given.vehicle.recuperated_share


@pytest.mark.parametrize("axles", LOADS)
def test_traction_beyond_the_grip_is_not_drivable(axles):
    given = car(axles, grip_limits=True, tyre_grip=0.1)
    most = held_force(given.vehicle, 0.05) * 0.3
    for share, reason in ((0.999, Reason.FEASIBLE), (1.001, Reason.TYRE_GRIP)):
        want = dataclasses.replace(wanted(10.0, share * most), grade=np.array([0.05]))
        assert (all_points(given, want, 5).reason[0, :2, RUNNING] == reason).any()
        assert drivable_steps(given, want).item() == (reason == Reason.FEASIBLE)
    want = wanted(10.0, 1.001 * most)
    assert drivable_steps(car(axles, tyre_grip=0.1), want).item(), "looked at only if asked"


def test_the_less_tyres_hold_the_more_fuel_goes():
    """On ice the rear axle recuperates less; every quantity of a step still adds up."""
    drive, known = read_cycle("ece15"), []
    for grip in (None, 0.15, 0.03):
        body = (
            {} if grip is None else {"vehicle.grip_limits": True, "vehicle.recuperation_grip": grip}
        )
        axles = {"vehicle.driven_axles": "rear", "vehicle.front_brake_share": 0.6}
        car = read_driveline("full", axles | body)
        known.append(find_optimum(drive, car, Settings(soc_points=201, splits=21)))
        assert energy_residual(known[-1].trace) < 1e-12
        assert known[-1].bound.bound <= known[-1].solution.cost
    costs = [one.solution.cost for one in known]
    assert costs[0] <= costs[1] * (1 + 1e-9) and costs[2] > 1.01 * costs[1]
