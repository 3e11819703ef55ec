"""A speed that is logged in coarse steps, made fine by the speed of the shaft behind the wheels."""

import dataclasses

import numpy as np

from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..measurements.drive import Cleaning
from ..measurements.log import Samples
from ..measurements.recording import Recording
from ..measurements.refreshes import coarse_step
from ..measurements.resampling import low_pass, resample_speed
from ..physics.plant import pack
from .step_samples import one_a_step

MOVING = 2.0  # m/s, from which speeds tell the gear
TURNING = 0.5  # of the idle speed, from which an engine counts as on
NEAR_RATIO = 0.06  # share by which a ratio of speeds may be off
DELAY = 0.3  # s, that one channel may be behind the other
SHARP = Cleaning(bandwidth=0.0)
SHORT = 0.5  # s, between two shaft speeds, over which speed runs straight
BRIDGED = 3.0  # s, over which the difference of both speeds is carried on, as while shifting


def shaft_gears(recording: Recording, driveline: Driveline, name: str) -> np.ndarray:
    """Return the gear (from 0) of every sample by a shaft's speed over the wheels', else NaN.

    Parameters
    ----------
    recording, driveline
        The drive and its model.
    name
        "motor_speed" or "engine_speed".
    """
    plant, speed = pack(driveline), recording.channels["speed"]
    wheels, shaft = speed / driveline.vehicle.wheel_radius, recording.channels[name]
    locked = shaft > (0.0 if name == "motor_speed" else 0.9 * plant.idle_speed)
    locked &= speed > MOVING
    ratio = np.divide(shaft, wheels, out=np.full(shaft.shape, np.nan), where=locked)
    away = np.abs(np.log(ratio[:, None] / plant.ratio))
    gear = np.argmin(np.nan_to_num(away, nan=np.inf), axis=1)
    near = away[np.arange(gear.size), gear] <= NEAR_RATIO
    return np.where(near, gear.astype(float), np.nan)


def finer_cycle(recording: Recording, driveline: Driveline) -> Cycle | None:
    """Return the cycle at a speed as fine as the log's or its shaft's; None where both are coarse.

    Parameters
    ----------
    recording, driveline
        The drive and its model.

    Notes
    -----
    The polyline over the cycle's steps that is nearest to the samples, as in the import but without
    its low-pass: where the car changes its acceleration, that would round the speed.
    """
    if one_a_step(recording):
        return None  # its speeds are made of both already
    finer = finer_samples(recording, driveline)
    if finer is None and coarse_step(recording.drive.raw.values):
        return None
    return resampled(recording.cycle, finer or recording.drive.cleaned, SHARP)


def finer_samples(recording: Recording, driveline: Driveline) -> Samples | None:
    """Return the cleaned speed as fine as the shaft's; None where it is fine or cannot be.

    Parameters
    ----------
    recording, driveline
        The drive and its model.

    Notes
    -----
    Where a gear is engaged, the wheels turn as fast as the shaft over the ratio. That speed takes
    the place of the one logged within its steps; its scale is set to the one logged, so that the
    tyre's radius does not matter.
    """
    drive = recording.drive
    step = coarse_step(drive.raw.values)
    name = recording.shaft
    if not step or not name:
        return None
    off = _difference(recording, driveline, name, step)
    if off is None:
        return None
    time, cleaned = recording.time, drive.cleaned
    begin = float(cleaned.time[0])
    inside = (time >= begin) & (time <= cleaned.time[-1])
    known = np.interp(time, cleaned.time, cleaned.values)
    speed = recording.channels["speed"]  # whose steps are those of the difference
    fine = np.where(np.isfinite(speed), speed, known) + off
    fine = np.where(known > 0.0, np.maximum(fine, 0.0), 0.0)
    if time[inside][0] > begin + 1e-9:  # the samples lie between steps that begin there
        first = np.interp(begin, time, fine)
        return Samples(np.append(begin, time[inside]), np.append(first, fine[inside]))
    return Samples(time[inside], fine[inside])


def resampled(cycle: Cycle, rough: Samples, cleaning: Cleaning) -> Cycle:
    """Return a cycle at the speed of samples, filtered and resampled as the import does."""
    raster = float(np.median(np.diff(rough.time)))
    smooth = rough
    if 0.0 < cleaning.bandwidth * raster < 0.45:
        smooth = low_pass(rough, cleaning.bandwidth)
    made = resample_speed(rough, smooth, cleaning.step, cleaning.standstill)
    speed = np.interp(cycle.time, made.time - made.time[0], made.values)
    return dataclasses.replace(cycle, speed=np.maximum(speed, 0.0))


def _difference(
    recording: Recording, driveline: Driveline, name: str, step: float
) -> np.ndarray | None:
    """Return by how much the shaft is faster than the speed logged, m/s, at every sample."""
    gear, speed = shaft_gears(recording, driveline, name), recording.channels["speed"]
    known = np.isfinite(gear) & np.isfinite(speed)
    if known.mean() < 0.1:
        return None
    ratio = pack(driveline).ratio[np.where(known, gear, 0.0).astype(int)]
    fine = recording.channels[name] / ratio * driveline.vehicle.wheel_radius
    fine *= float(np.median(speed[known] / fine[known]))
    change = np.abs(np.gradient(speed, recording.time))
    change = np.convolve(change, np.ones(11) / 11.0, mode="same")
    near = known & (np.abs(fine - speed) <= 1.2 * step + DELAY * change) & _within_a_gear(gear)
    if near.mean() < 0.1:
        return None
    at = np.flatnonzero(near)
    time = recording.time
    off = np.interp(time, time[at], (fine - speed)[at])
    place = np.clip(np.searchsorted(at, np.arange(speed.size)), 1, at.size - 1)
    since, until = time - time[at[place - 1]], time[at[place]] - time
    between = (since >= 0.0) & (until >= 0.0) & (since + until <= SHORT)
    off = np.where(between, np.interp(time, time[at], fine[at]) - speed, off)
    return np.asarray(np.where(np.minimum(np.abs(since), np.abs(until)) <= BRIDGED, off, 0.0))


def _within_a_gear(gear: np.ndarray) -> np.ndarray:
    """Return which samples have the same gear before and after: others may be a mean of two."""
    same = np.concatenate(([False], gear[1:] == gear[:-1], [False]))
    return np.asarray(same[1:] & same[:-1])
