"""What a gear shift takes physically: the energy that speeds the input shaft up."""

import numpy as np

from ..inputs.driveline import Driveline
from .codes import EngineClass
from .demand import Demand


def rotor_inertia(driveline: Driveline) -> np.ndarray:
    """Return the inertia that the input shaft brings along by engine class, kg m2, (3,).

    The motor, and the engine where it runs or cannot be parted from the motor. A starting engine
    pays for its own rotor.
    """
    engine, parted = driveline.engine.inertia, driveline.clutches.separating_clutch
    inertia = np.full(len(EngineClass), driveline.motor.inertia)
    inertia[EngineClass.OFF] += 0.0 if parted else engine
    inertia[EngineClass.RUNNING] += engine
    return inertia


def shift_fuel(driveline: Driveline, demand: Demand) -> np.ndarray:
    """Fuel for speeding the input shaft up at a shift at the start of each step.

    Parameters
    ----------
    driveline
        The vehicle.
    demand
        What the wheels want.

    Returns
    -------
    ndarray, (steps, 3 engine classes, gears, gears)
        g of fuel from gear (third axis) to gear (last axis).

    Notes
    -----
    A shift to a lower gear raises the speed of the motor, and of the engine when it runs, from
    w1 to w2; J (w2^2 - w1^2) / 2 is paid in fuel at the gearbox's `shift_efficiency`. Without it
    every downshift would make kinetic energy from nothing. A shift to a higher gear gives nothing
    back: its energy goes into synchronisers and clutches. A starting engine pays for its own rotor.
    """
    steps, classes, gears = demand.steps, len(EngineClass), driveline.gearbox.gears
    return taken_shift_fuel(driveline, demand, *np.ogrid[:steps, :classes, :gears, :gears])


def taken_shift_fuel(
    driveline: Driveline,
    demand: Demand,
    steps: np.ndarray,
    classes: np.ndarray,
    before: np.ndarray,
    after: np.ndarray,
) -> np.ndarray:
    """Return entries of :func:`shift_fuel`, g: indices of step, engine class and gears."""
    ratios = np.array(driveline.gearbox.ratios) * driveline.gearbox.final_drive
    rise = np.maximum(ratios[after] ** 2 - ratios[before] ** 2, 0.0)
    wheel_speed = (demand.speed_start / driveline.vehicle.wheel_radius)[steps]
    energy = 0.5 * (wheel_speed**2 * rotor_inertia(driveline)[classes] * rise)
    return np.asarray(energy) / (driveline.gearbox.shift_efficiency * driveline.fuel.heating_value)
