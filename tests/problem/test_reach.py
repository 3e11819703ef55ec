"""How far SoC can move in a step, against the battery's own equation at every SoC of the window."""

import numpy as np
import oracle
import pytest

from hybridopt.physics.operating_points import OperatingPoints
from hybridopt.problem.problem import make_problem

SOC = [0.0, 0.25, 0.42, 0.425, 0.49, 0.5, 1.0]
DIP = [300.0, 200.0, 200.0, 200.0, 200.0, 300.0, 300.0]  # V
HUMP = [0.001, 0.001, 0.001, 0.3, 0.3, 0.001, 0.001]  # ohm


@pytest.mark.parametrize("points", [3, 4, 1001])
def test_no_step_goes_farther_than_the_reach(points):
    """A grid of three points steps over the dip of the voltage and the hump of the resistance.

    Independent of the package: I = (U - sqrt(U^2 - 4 R P)) / (2 R) by `oracle.soc_fall`.
    """
    battery = oracle._battery(np.array(SOC), DIP, (HUMP, HUMP), (3e4, 3e4), 12600.0, 1.0)
    power = np.array([2e4, -2e4])
    made = OperatingPoints.bare([1.0], np.zeros((1, 1, 3, 2)), np.broadcast_to(power, (1, 1, 3, 2)))
    settings = oracle.settings(points, 0.2, 0.8, 0.44, terminal="free")
    problem = make_problem(made, battery, settings, 1e3)
    rise, drop = problem.reach(power[1:], power[:1], 1.0)
    everywhere = np.linspace(0.2, 0.8, 6001)
    fall = oracle.soc_fall(battery, everywhere[:, None], power, 1.0)
    assert fall[:, 0].max() <= drop[0] * (1 + 1e-12)
    assert -fall[:, 1].min() <= rise[0] * (1 + 1e-12)
