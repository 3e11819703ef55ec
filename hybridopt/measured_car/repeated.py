"""A recording as it would be if the same drive were logged once more: with noise of its own size.

What noise, steps and delays make of a figure that is read from a log cannot be worked out by a
formula. Reading the same log once more with as much noise on top tells it: the reading moves about
as far from the first as that is from the truth, and in the same direction in the mean (simulation
and extrapolation: J. Cook, L. Stefanski, *Journal of the American Statistical Association* 89,
1994, from memory).
"""

import dataclasses

import numpy as np
from scipy.signal import lfilter

from ..measurements.drive import Cleaning
from ..measurements.log import Samples
from ..measurements.recording import Recording
from .channel_noise import PERSISTS, SLOW, noise_size
from .fine_speed import resampled
from .step_phase import HELD

CALM = ("grade", "oil_temperature", "coolant_temperature", "ambient_temperature")
"""Channels that nothing is read from once the cycle is made."""


def repeated(recording: Recording, random: np.random.Generator) -> Recording:
    """Return a recording with as much noise more as its channels seem to have.

    Parameters
    ----------
    recording
        The drive.
    random
        Draws the noise.
    """
    channels = {
        name: values if name in (*HELD, *CALM) else _again(values, recording.step, random)
        for name, values in recording.channels.items()
    }
    drive = recording.drive
    more = channels["speed"] - recording.channels["speed"]
    raw, cleaned = (
        _moved(samples, np.interp(samples.time, recording.time, np.nan_to_num(more)))
        for samples in (drive.raw, drive.cleaned)
    )
    cycle = resampled(drive.cycle, cleaned, Cleaning())
    made = dataclasses.replace(drive, raw=raw, cleaned=cleaned, cycle=cycle)
    return dataclasses.replace(recording, channels=channels, drive=made)


def _again(values: np.ndarray, step: float, random: np.random.Generator) -> np.ndarray:
    noise, quantum = noise_size(values)
    more = noise * random.standard_normal(values.size)
    more += PERSISTS * noise * _persisting(values.size, np.exp(-step / SLOW), random)
    if quantum:
        more += quantum * random.uniform(-0.5, 0.5, values.size)
        more = quantum * np.round((values + more) / quantum) - values
    return np.where(values != 0.0, values + more, 0.0)


def _persisting(size: int, keep: float, random: np.random.Generator) -> np.ndarray:
    """Return noise of standard deviation 1 that keeps a share from one value to the next."""
    white = random.standard_normal(size)
    white[1:] *= np.sqrt(1.0 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], white))


def _moved(samples: Samples, more: np.ndarray) -> Samples:
    """Return samples moved where they are not at rest."""
    values = np.where(samples.values > 0.0, np.maximum(samples.values + more, 0.0), samples.values)
    return Samples(samples.time, values)
