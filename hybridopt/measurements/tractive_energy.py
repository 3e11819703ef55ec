"""Positive tractive energy of a drive for a stated car, to compare a drive before and after."""

import numpy as np

from ..inputs.cycle import Cycle
from ..inputs.driveline import Vehicle
from ..physics.demand import wheel_demand

CAR = Vehicle(mass=1500.0, rolling_resistance=0.01, drag_area=0.66, wheel_radius=0.3)
"""A mid-size car in round numbers."""


def tractive_energy(time: np.ndarray, speed: np.ndarray, vehicle: Vehicle = CAR) -> float:
    """Return the energy that the wheels put in where they drive, J, on a flat road.

    Parameters
    ----------
    time, speed
        s and m/s (0 or more), shape (n,); speed is linear in each step.
    vehicle
        Mass and road load.
    """
    demand = wheel_demand(vehicle, Cycle("drive", time, np.maximum(speed, 0.0)))
    power = demand.wheel_torque * demand.wheel_speed
    return float(np.maximum(power, 0.0) @ demand.dt)
