"""Whether a log is one of a drive, and its speeds and state of charge can be those of one car."""

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H, PERCENT
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.plant import pack
from .fine_speed import MOVING

FITTED, BASE = 1.4, 2.6
"""Factors by which speeds may be off with a driveline of the car, and with a base of its kind whose
radius, final drive and ratios are each up to 30 % off; km/h taken for m/s makes 3.6."""
LEAST = 20.0  # s
SOC_LEAST, SOC_MOST = 0.02, 1.02  # the highest state of charge of a drive


def check_units(recording: Recording, driveline: Driveline, most: float) -> None:
    """Refuse a vehicle that stands, and a speed or a state of charge in a wrong unit.

    Parameters
    ----------
    recording, driveline
        The drive and its model.
    most
        Factor that is allowed between vehicle speed and what the shaft's makes of it, above 1.

    Raises
    ------
    InputError
        Nothing moves, the factor is larger, or the state of charge is that of no battery.
    """
    _check_moves(recording)
    _check_soc(recording)
    _check_speeds(recording, driveline, most)


def check_gears(recording: Recording, driveline: Driveline) -> None:
    """Refuse a log whose car drives in gears that the driveline has not.

    Raises
    ------
    InputError
        For 20 s of driving or more the gear is higher than the driveline's last.
    """
    if not recording.has("gear"):
        return
    gear, most = recording.channels["gear"], driveline.gearbox.gears
    beyond = (recording.channels["speed"] > MOVING) & (gear > most + 0.5)
    seconds = float(beyond.sum()) * recording.step
    if seconds >= LEAST:
        raise InputError(
            f"{recording.path}: gear is above {most} for {seconds:.0f} s, up to "
            f"{float(gear[beyond].max()):.0f}, and driveline {driveline.name} has {most} gears; "
            "take a base with as many gears as the car"
        )


def _check_moves(recording: Recording) -> None:
    if float(np.nanmax(recording.channels["speed"])) <= MOVING:
        raise InputError(
            f"{recording.path}: the vehicle never goes faster than {MOVING / KM_PER_H:.0f} km/h; "
            "give a log of a drive, or look at the column of speed and its unit"
        )


def _check_soc(recording: Recording) -> None:
    """Refuse shares called percent, which make a battery of a hundred times its size."""
    if not recording.has("soc"):
        return
    largest = float(np.nanmax(recording.channels["soc"]))
    if SOC_LEAST <= largest <= SOC_MOST:
        return
    if largest <= 0.0:
        raise InputError(
            f"{recording.path}: soc is {largest / PERCENT:.3g} % at most, so that its column or "
            "its sign is wrong; name another, turn the sign (--channel soc=NAME:-%), or leave it "
            "out (--channel soc=none)"
        )
    taken, unit = ("%", "1") if largest < SOC_LEAST else ("1", "%")
    raise InputError(
        f"{recording.path}: soc is {largest / PERCENT:.3g} % at most, so that its unit is "
        f"probably {unit} rather than {taken}; state it (--channel soc=NAME:{unit}), or leave it "
        "out (--channel soc=none)"
    )


def _check_speeds(recording: Recording, driveline: Driveline, most: float) -> None:
    """Refuse a vehicle speed that no gear makes of the shaft's."""
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
