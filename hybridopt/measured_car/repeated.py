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

from ..inputs.cycle import Cycle
from ..measurements.drive import Cleaning
from ..measurements.log import Samples
from ..measurements.recording import Recording
from .fine_speed import resampled
from .recuperation import GRADE
from .regression import TO_SIGMA
from .step_phase import HELD

CALM = ("altitude", "grade", "oil_temperature", "coolant_temperature", "ambient_temperature")
"""Channels that nothing is read from but the grade, which has an error of its own."""
PERSISTS, SLOW = 0.5, 5.0
"""Noise that persists, as a share of that of a sample, and for how long, s. It cannot be told from
what is measured (assumed)."""
ALONG = 50.0  # m, for which an error of the grade persists (assumed)
HIDDEN = 0.5  # of the samples, in which values have to change for their noise to be seen
UNDER = 0.1  # of a quantum, noise that it hides (assumed)
THIRD = np.sqrt(20.0)  # of a third difference's noise over that of a sample: 1, 3, 3, 1 squared


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
    if recording.has("altitude") and np.any(cycle.grade != 0.0):
        cycle = dataclasses.replace(cycle, grade=cycle.grade + _grade_error(cycle, random))
    made = dataclasses.replace(drive, raw=raw, cleaned=cleaned, cycle=cycle)
    return dataclasses.replace(recording, channels=channels, drive=made)


def _grade_error(cycle: Cycle, random: np.random.Generator) -> np.ndarray:
    """Return by how much a grade that is made of a logged altitude may be wrong at each point."""
    far = cycle.travelled
    road = np.arange(0.0, far[-1] + 2.0 * ALONG, 0.1 * ALONG)
    return np.asarray(GRADE * np.interp(far, road, _persisting(road.size, np.exp(-0.1), random)))


def noise_size(values: np.ndarray) -> tuple[float, float]:
    """Return the standard deviation of a channel's noise from sample to sample, and its quantum.

    Parameters
    ----------
    values
        Even samples, (n,); NaN is not known.

    Returns
    -------
    noise, quantum : in the unit of the values; 0 where none is seen

    Notes
    -----
    The median of third differences, in which what changes smoothly is gone, where values change at
    all. The quantum is the least difference between levels, if nearly all are multiples of it;
    noise that is hidden by it is taken as :data:`UNDER` of it.
    """
    known = values[np.isfinite(values)]
    levels = np.unique(known)
    quantum = 0.0
    if 1 < levels.size < 0.2 * known.size + 10:
        gaps = np.diff(levels)
        quantum = float(np.min(gaps[gaps > 1e-9 * max(float(np.ptp(levels)), 1e-12)]))
        places = known / quantum
        if np.mean(np.abs(places - np.round(places)) < 0.1) < 0.95:
            quantum = 0.0
    third = np.diff(values, 3)
    live = np.isfinite(third) & (third != 0.0)
    if live.sum() < HIDDEN * live.size:
        return UNDER * quantum, quantum
    size = float(np.median(np.abs(third[live]))) * TO_SIGMA / THIRD
    return float(np.sqrt(max(size**2 - quantum**2 / 12.0, 0.0))), quantum


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
