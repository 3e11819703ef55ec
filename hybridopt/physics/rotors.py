"""Rotors on the input shaft: their inertia, and what speeds them up at a shift."""

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


def rotor_fuel(
    driveline: Driveline, demand: Demand, taken: tuple[np.ndarray, ...] | None = None
) -> np.ndarray:
    """Fuel for speeding the input shaft up at a shift at the start of each step.

    Parameters
    ----------
    driveline
        The vehicle.
    demand
        What the wheels want.
    taken
        Indices, of a common shape, of step, engine class, gear before and gear after; None is all.

    Returns
    -------
    ndarray, (steps, 3 engine classes, gears, gears) or the shape of `taken`
        g of fuel from gear (third axis) to gear (last axis).

    Notes
    -----
    A shift to a lower gear raises the speed of the motor, and of the engine when it runs, from
    w1 to w2; J (w2^2 - w1^2) / 2 is paid in fuel at the gearbox's `shift_efficiency`. Without it
    every downshift would make kinetic energy from nothing. A shift to a higher gear gives nothing
    back: its energy goes into synchronisers and clutches. A starting engine pays for its own rotor.
    """
    ratios = np.array(driveline.gearbox.ratios) * driveline.gearbox.final_drive
    if taken is None:
        gears = ratios.size
        taken = np.ogrid[: demand.steps, : len(EngineClass), :gears, :gears]
    steps, classes, before, after = taken
    rise = np.maximum(ratios[after] ** 2 - ratios[before] ** 2, 0.0)
    wheel_speed = (demand.speed_start / driveline.vehicle.wheel_radius)[steps]
    energy = 0.5 * (wheel_speed**2 * rotor_inertia(driveline)[classes] * rise)
    return np.asarray(energy) / (driveline.gearbox.shift_efficiency * driveline.fuel.heating_value)
