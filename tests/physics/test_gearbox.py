"""Torque through a gear, by hand and there and back."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from makers import plain_driveline

from hybridopt.physics.gearbox import input_torque, wheel_torque
from hybridopt.physics.plant import pack

PLANT = pack(plain_driveline())  # second gear: ratio 6, efficiency 0.96, drag 2 N m


@pytest.mark.parametrize(
    ("wheels", "shaft"), [(480.0, 480 / 5.76 + 2), (-480.0, -480 * 0.96 / 6 + 2), (0.0, 2.0)]
)
def test_second_gear_by_hand(wheels, shaft):
    assert input_torque(PLANT, 1, np.array([wheels])) == pytest.approx([shaft])
    assert wheel_torque(PLANT, 1, np.array([shaft])) == pytest.approx([wheels])


@given(st.lists(st.floats(-3000, 3000), min_size=1, max_size=5), st.integers(0, 2))
def test_there_and_back(torques, gear):
    torque = np.array(torques)
    back = wheel_torque(PLANT, gear, input_torque(PLANT, gear, torque))
    np.testing.assert_allclose(back, torque, rtol=1e-12, atol=1e-9)


def test_gears_broadcast_with_torques():
    gears = np.array([0, 1, 2])
    each = [input_torque(PLANT, g, np.array(100.0)) for g in gears.tolist()]
    assert input_torque(PLANT, gears, np.full(3, 100.0)).tolist() == [float(x) for x in each]
