"""What is foreseen: the cycle itself at a steady pace, and refusals of what is no preview."""

import numpy as np
import pytest

from hybridopt import InputError, Predicted, read_cycle, read_driveline
from hybridopt.controllers.foreseen import (
    F_ACCELERATION,
    F_SPEED,
    F_SPEED_START,
    F_TORQUE,
    exact,
    foresee,
)
from hybridopt.inputs.cycle import Cycle
from hybridopt.physics.demand import wheel_demand

VEHICLE = read_driveline("full").vehicle


def hill():
    """A drive of uneven steps that begins and ends moving, on changing grade."""
    time = np.array([0.0, 1.0, 2.5, 3.0, 5.0, 6.0])
    speed = np.array([8.0, 10.0, 7.0, 9.0, 12.0, 11.0])
    grade = np.array([0.0, 0.02, 0.04, 0.0, -0.02, 0.03])
    return wheel_demand(VEHICLE, Cycle("hill", time, speed, grade))


def test_preview_in_step_with_the_cycle_is_the_demand_of_the_steps_to_come():
    demand = wheel_demand(VEHICLE, read_cycle("ece15"))
    seen = foresee(VEHICLE, demand, 1.0, 4)
    columns = {
        F_SPEED: demand.wheel_speed,
        F_SPEED_START: demand.speed_start / VEHICLE.wheel_radius,
        F_ACCELERATION: demand.wheel_acceleration,
        F_TORQUE: demand.wheel_torque,
    }
    for entry, column in columns.items():
        for k in range(4):
            known = column[k + 1 :]
            assert seen[: known.size, k, entry] == pytest.approx(known, rel=1e-9, abs=1e-9)


def test_speed_is_linear_and_grade_a_mean_between_the_points_of_the_cycle():
    """By hand: from 1 s, 10 m/s falls to 7 m/s at 2.5 s; grades are means of each step."""
    found = exact(hill(), 0.75, 3)
    assert found.speeds[0] == pytest.approx([10.0, 8.5, 7.0, 9.0 + 3.0 * 0.25 / 2.0])
    assert found.grades[0] == pytest.approx([0.03, 0.03, (0.02 * 0.5 - 0.01 * 0.25) / 0.75])


def test_after_the_end_the_last_speed_and_grade_go_on():
    found = exact(hill(), 0.5, 6)
    assert found.speeds[-1] == pytest.approx(np.full(7, 11.0))
    assert found.grades[-1] == pytest.approx(np.full(6, 0.005))


def test_no_interval_asks_nobody():
    def nobody(demand, step, intervals):
        raise AssertionError

    assert foresee(VEHICLE, hill(), 1.0, 0, nobody).shape == (5, 0, 4)


@pytest.mark.parametrize(
    ("speeds", "grades", "words"),
    [
        (np.ones((5, 2)), np.zeros((5, 2)), "speeds have shape"),
        (np.ones((5, 3)), np.zeros((4, 2)), "speeds have shape"),
        (np.full((5, 3), np.nan), np.zeros((5, 2)), "no number"),
        (np.full((5, 3), -1.0), np.zeros((5, 2)), "below 0"),
        (np.ones((5, 3)), np.full((5, 2), np.inf), "no number"),
    ],
)
def test_what_is_no_preview_is_refused(speeds, grades, words):
    with pytest.raises(InputError, match=words):
        foresee(VEHICLE, hill(), 1.0, 2, lambda *_: Predicted(speeds, grades))
