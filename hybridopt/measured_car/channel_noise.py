"""How noisy a channel is, as far as its own samples tell."""

import numpy as np

from .regression import TO_SIGMA

PERSISTS, SLOW = 0.5, 5.0
"""Noise that persists, as a share of that of a sample, and for how long, s. It cannot be told from
what is measured (assumed)."""
ALONG = 50.0  # m, for which an error of the grade persists (assumed)
HIDDEN = 0.5  # of the samples, in which values have to change for their noise to be seen
COARSE = 0.25  # s, samples further apart tell no delays between channels
UNDER = 0.1  # of a quantum, noise that it hides (assumed)
THIRD = np.sqrt(20.0)  # of a third difference's noise over that of a sample: 1, 3, 3, 1 squared


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
