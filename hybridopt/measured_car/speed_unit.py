"""Whether a log is one of a drive, and vehicle speed and that of the shaft are of one car."""

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.plant import pack
from .fine_speed import MOVING

FITTED, BASE = 1.4, 2.6
"""Factors by which speeds may be off with a driveline of the car, and with a base of its kind whose
radius, final drive and ratios are each up to 30 % off; km/h taken for m/s makes 3.6."""
LEAST = 20.0  # s


def check_speed_unit(recording: Recording, driveline: Driveline, most: float) -> None:
    """Refuse a vehicle that stands, and a speed that no gear makes of the shaft's speed.

    Parameters
    ----------
    recording, driveline
        The drive and its model.
    most
        Factor that is allowed, above 1.

    Raises
    ------
    InputError
        Nothing moves, or the factor between both is larger, so that one of their units is wrong.
    """
    if float(np.nanmax(recording.channels["speed"])) <= MOVING:
        raise InputError(
            f"{recording.path}: the vehicle never goes faster than {MOVING / KM_PER_H:.0f} km/h; "
            "give a log of a drive, or look at the column of speed and its unit"
        )
    name = recording.shaft
    if not name:
        return
    plant, speed, shaft = pack(driveline), recording.channels["speed"], recording.channels[name]
    turning = (speed > MOVING) & (shaft > plant.idle_speed)
    if turning.sum() * recording.step < LEAST:
        return
    wheels = speed[turning] / driveline.vehicle.wheel_radius
    ratio = float(np.median(shaft[turning] / wheels))
    low, high = float(plant.ratio.min()) / most, float(plant.ratio.max()) * most
    if recording.has("gear"):
        gear = recording.channels["gear"][turning]
        known = (gear >= 1.0) & (gear <= plant.ratio.size)
        if known.mean() > 0.5:
            usual = plant.ratio[gear[known].astype(int) - 1]
            ratio = float(np.median(shaft[turning][known] / wheels[known] / usual))
            low, high = 1.0 / most, most
    if not low <= ratio <= high:
        off = ratio / (high if ratio > high else low) * (most if ratio > high else 1.0 / most)
        raise InputError(
            f"{recording.path}: vehicle speed is {1.0 / off:.2g} times what {name} and the gears "
            f"of driveline {driveline.name} make; state the unit of either (--channel "
            "speed=NAME:UNIT), or take a driveline of this car"
        )
