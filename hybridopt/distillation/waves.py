"""Changes of rule tables as waves along their rows: level and long waves first.

Neighbours along a table are moved together, so few parameters change what many drives feel, and
what fits one node of one cycle is left out.
"""

from functools import cache

import numpy as np

SPEED_WAVES = 8  # along the speeds of engine start and stop; shorter ones fit chance
FADING = 0.5  # a wave is smaller than the level by this power of its number and one
APART = 0.5  # what moves two tables apart, over what moves both alike
BOTH = np.array([[1.0, APART], [1.0, -APART]])


@cache
def power_waves(speeds: int) -> np.ndarray:
    """Return what parameters of one do to engine start and stop, (2 * speeds, parameters)."""
    return np.kron(BOTH, _cosines(speeds, min(SPEED_WAVES, speeds)))


@cache
def line_waves(pairs: int) -> np.ndarray:
    """Return the same of shift lines up and down, by pair of gears and engine state.

    Shape (2 * pairs * 2, parameters).
    """
    return np.kron(BOTH, np.kron(_cosines(pairs, pairs), BOTH))


def _cosines(places: int, count: int) -> np.ndarray:
    """Return the level and cosines of ever more half waves over places, (places, count)."""
    number, place = np.arange(count), (np.arange(places) + 0.5) / places
    size = np.where(number == 0, 1.0, np.sqrt(2.0)) / (1.0 + number) ** FADING
    return np.asarray(size * np.cos(np.pi * number * place[:, None]))
