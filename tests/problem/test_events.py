"""What stops and shifts cost, and where the settings forbid them, against cases by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from hybridopt import Cycle, InputError, Settings, read_driveline
from hybridopt.physics.demand import drive_demand
from hybridopt.problem.events import closed_shifts, driveline_events, stop_costs

NAN = float("nan")
CAR = read_driveline("full")


def demand(speed, wheel_torque=0.0, oil=NAN):
    """What the two functions read of a demand; the vehicle begins each step at its mean speed."""
    speed = np.array(speed, dtype=float)
    columns = np.broadcast_to(wheel_torque, speed.shape), np.broadcast_to(oil, speed.shape)
    return SimpleNamespace(
        steps=speed.size,
        speed=speed,
        speed_start=speed,
        wheel_torque=columns[0],
        oil_temperature=columns[1],
    )


def test_stops_are_free_unless_a_setting_forbids_them():
    drive = demand([0.0, 9.9, 10.0, 10.1], oil=[-20.0, 10.0, 90.0, NAN])
    assert stop_costs(CAR, drive, Settings()).tolist() == [0.0] * 4


def test_no_stop_above_a_speed():
    found = stop_costs(CAR, demand([0.0, 9.9, 10.0, 10.1]), Settings(stop_speed_max=10.0))
    assert found.tolist() == [0.0, 0.0, 0.0, np.inf]


def test_no_stop_with_cold_oil_and_unknown_counts_as_warm():
    drive = demand([0.0] * 4, oil=[39.9, 40.0, 90.0, NAN])
    found = stop_costs(CAR, drive, Settings(stop_oil_temperature=40.0))
    assert found.tolist() == [np.inf, 0.0, 0.0, 0.0]


SKIPS_UP = [[0, 0, 1], [0, 0, 0], [0, 0, 0]]  # gears from, to
SKIPS_DOWN = [[0, 0, 0], [0, 0, 0], [1, 0, 0]]
SKIPS = [[0, 0, 1], [0, 0, 0], [1, 0, 0]]


@pytest.mark.parametrize(
    ("allowed", "closed"),
    [("both", np.zeros((3, 3))), ("up", SKIPS_DOWN), ("down", SKIPS_UP), ("none", SKIPS)],
)
def test_shifts_that_skip_gears_are_closed_while_moving(allowed, closed):
    found = closed_shifts(demand([0.0, 5.0]), Settings(skip_shifts=allowed), 3)
    assert found.shape == (2, 3, 3)
    assert not found[0].any(), "at rest all are open"
    np.testing.assert_array_equal(found[1], np.array(closed, dtype=bool))


def test_no_shift_while_braking_slowly():
    drive = demand([0.0, 2.0, 2.0, 4.0], wheel_torque=[-1.0, -1.0, 1.0, -1.0])
    found = closed_shifts(drive, Settings(brake_shift_speed=3.0), 2)
    other = ~np.eye(2, dtype=bool)
    nothing = np.zeros((2, 2), dtype=bool)
    np.testing.assert_array_equal(found, [nothing, other, nothing, nothing])


def test_steps_far_shorter_than_a_start_are_refused_for_what_they_are(driveline):
    time = np.arange(3001) / 1000.0
    demand = drive_demand(driveline, Cycle("short", time, np.minimum(time, 2.0)))
    words = r"the cycle has steps of 0.001 s, so that an engine start of 0.4 s takes 400 of them.*"
    with pytest.raises(InputError, match=words + "resample the cycle to steps of 0.1 s or more"):
        driveline_events(driveline, demand, Settings().resolved(driveline))
