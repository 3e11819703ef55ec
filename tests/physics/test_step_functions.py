"""Functions switched off: each only takes choices away, and takes away what it says.

`makers.plain_driveline`: at 15 m/s second gear turns its input at 300 rad/s, 5.76 N m at the
wheels for 1 N m at the input, drag 2 N m, engine -20 to 200 N m, motor 160 N m.
"""

import dataclasses

import numpy as np
import pytest
from cases import bumpy
from makers import OFF, RUNNING, STARTING, plain_driveline, replayed, varied, wanted

from hybridopt.base.errors import InfeasibleError
from hybridopt.inputs.driveline import Functions
from hybridopt.physics import step
from hybridopt.physics.codes import Reason
from hybridopt.physics.entries import P_SIZE
from hybridopt.physics.operating_points import all_points, demand_rows, list_operating_points
from hybridopt.physics.plant import pack

PLAIN = plain_driveline()
NAMES = [field.name for field in dataclasses.fields(Functions)]
FEASIBLE = Reason.FEASIBLE
CARS = {
    "separated": PLAIN,
    "dragged": varied(PLAIN, clutches={"separating_clutch": False}),
    "no pump": varied(
        PLAIN, clutches={"electric_oil_pump": False, "pump_speed": 60.0, "fade_speed_high": 5.0}
    ),
}


def without(car, *names):
    return varied(car, functions=dict.fromkeys(names, False))


def reasons(car, demand, gear, engine_class):
    """Return the reasons of the splits of the first step."""
    return all_points(car, demand, 9).reason[0, gear - 1, engine_class]


def limits(car, demand, gear, engine_class):
    """Return the lowest and highest powered motor torque."""
    points = all_points(car, demand, 9)
    torque = points.motor_torque[0, gear - 1, engine_class]
    return torque[1], torque[points.count[0, gear - 1, engine_class] - 1]


def checked(car, demand, points):
    """Evaluate all admissible points in a driveline; return reasons, fuel rate and power."""
    t, gear, engine, split = map(np.ascontiguousarray, np.nonzero(points.reason == FEASIBLE))
    rows = demand_rows(demand)[t]
    out, reason = np.empty((t.size, P_SIZE)), np.empty(t.size, dtype=np.int64)
    torque = points.motor_torque[t, gear, engine, split]
    step._evaluate(pack(car), rows, gear, engine, torque, split > 0, out, reason)
    return reason, out


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", list(CARS))
@pytest.mark.parametrize("dt", [0.2, 1.0])
def test_switching_off_only_takes_choices_away(name, kind, dt):
    """Every choice left is one of the free driveline, at the same fuel and power."""
    car, demand = CARS[kind], dataclasses.replace(bumpy(80, seed=3), dt=np.full(80, dt))
    points = all_points(without(car, name), demand, 9)
    reason, free = checked(car, demand, points)
    assert (reason == FEASIBLE).all()
    _, held = checked(without(car, name), demand, points)
    np.testing.assert_array_equal(free, held)
    assert (points.reason == FEASIBLE).sum() > 1000


@pytest.mark.parametrize("name", NAMES)
def test_each_switch_takes_something_away(name):
    """Some choice of the free driveline, taken from the other side, is refused."""
    demand = bumpy(80, seed=3)
    points = all_points(PLAIN, demand, 9)
    reason, _ = checked(without(PLAIN, name), demand, points)
    assert (reason != FEASIBLE).any()


def test_no_electric_drive():
    car = without(PLAIN, "can_drive_electric")
    assert (reasons(car, wanted(15, 480), 2, OFF) == Reason.NO_ELECTRIC_DRIVE).all()
    assert limits(car, wanted(15, -480), 2, OFF) == pytest.approx((-480 * 0.16 + 2, 0.0))


def test_no_boost():
    """The motor does not help; where the engine alone is too weak there is no step."""
    car = without(PLAIN, "can_boost")
    assert limits(car, wanted(15, 480), 2, RUNNING) == pytest.approx((480 / 5.76 + 2 - 200, 0.0))
    assert (reasons(car, wanted(15, 200 * 5.76), 2, RUNNING) == Reason.NO_BOOST).all()
    assert limits(car, wanted(15, 480), 2, OFF)[1] == pytest.approx(480 / 5.76 + 2)
    # pulled up in the first half of the step, 120 N m of it are the motor's
    assert limits(car, wanted(15, 480), 2, STARTING)[1] == pytest.approx(0.5 * 120)


def test_no_load_point_shift():
    """No charging while the engine drives; overrun and braking still charge."""
    car = without(PLAIN, "can_shift_load_point")
    assert limits(car, wanted(15, 480), 2, RUNNING) == pytest.approx((0.0, 480 / 5.76 + 22))
    assert limits(car, wanted(0, 0), 1, RUNNING)[0] == 0
    assert limits(car, wanted(15, -480), 2, RUNNING)[0] < -70
    # slowing down on a hill: 0 N m at the wheels, the rotors push with 0.2 x 20 x 3 less 2 N m
    assert limits(car, wanted(15, 0.0, -3.0), 2, RUNNING)[0] == pytest.approx(2 - 0.2 * 20 * 3)


def test_no_recuperation():
    """Friction brakes take what drag leaves."""
    car = without(PLAIN, "can_recuperate")
    for engine in (OFF, RUNNING):
        assert limits(car, wanted(15, -480), 2, engine)[0] == 0
    run = replayed(car, wanted(15, -480), 2, OFF, 0.0)
    assert run.brake_torque.item() == pytest.approx(-480 + 2 * 6 / 0.96)
    assert limits(car, wanted(15, 480), 2, RUNNING)[0] < -100  # charging by the engine stays


def test_no_coasting():
    """Off in motion only while the motor drives or charges; off at rest."""
    car = without(PLAIN, "can_coast")
    given = reasons(car, wanted(15, -480), 2, OFF)
    assert given[0] == Reason.NO_COASTING and FEASIBLE in given
    with pytest.raises(InfeasibleError, match="no coasting with the engine off"):
        replayed(car, wanted(15, -480), 2, OFF)
    with pytest.raises(InfeasibleError, match="no coasting with the engine off"):
        replayed(car, wanted(15, -480), 2, OFF, 0.0)
    replayed(car, wanted(15, -480), 2, OFF, -1.0)
    replayed(car, wanted(0, 0), 1, OFF)
    replayed(car, wanted(15, -480), 2, RUNNING)


def test_no_engine_stop():
    car = without(PLAIN, "can_stop_engine")
    for demand in (wanted(15, 480), wanted(0, 0)):
        points = list_operating_points(car, demand, 9)
        assert (points.reason[0, :, OFF] == Reason.NO_ENGINE_STOP).all()
    replayed(car, wanted(0, 0), 1, RUNNING)


def test_idling_at_rest_stays_possible():
    """Engine on, motor off: the engine carries the motor's drag of 2 N m at idle speed."""
    car = without(PLAIN, *(name for name in NAMES))
    run = replayed(car, wanted(0, 0), 1, RUNNING)
    assert run.engine_torque.item() == 2 and run.brake_torque.item() == 0
