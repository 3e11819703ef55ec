"""Bounded search for the minimum of a function of few parameters, by differential evolution."""

from collections.abc import Callable

import numpy as np

from ..base.progress import Progress, silent

MEMBERS = 24  # of the population
TOP = 5  # members that the others move towards
MOVE = 0.6  # mean length of a move
CROSSING = 0.9  # share of parameters taken from a move
POLISH = 3  # one in so many evaluations refines the best at the end


def evolve_differentially(
    function: Callable[[np.ndarray], float],
    low: np.ndarray,
    high: np.ndarray,
    first: np.ndarray,
    evaluations: int = 600,
    seed: int = 1,
    progress: Progress = silent,
) -> tuple[np.ndarray, float]:
    """Find the minimum of a function in a box by differential evolution.

    Parameters
    ----------
    function
        From parameters, (n,), to a value; infinite where it cannot be evaluated.
    low, high
        The box, (n,).
    first
        A member of the first population, clipped to the box; the rest are random.
    evaluations
        Most calls of the function.
    seed
        The same seed gives the same answer.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    parameters, value
        The best found, never worse than `first`.

    Notes
    -----
    A member moves towards one of the best and along a difference of two others, and is kept where
    that is no worse (Storn, Price, J. Global Optimization 11(4), 1997, DOI 10.1023/A:1008202821328;
    Zhang, Sanderson, IEEE Trans. Evolutionary Computation 13(5), 2009, DOI
    10.1109/TEVC.2009.2014613). Then steps of random size refine the best, longer
    after a success, shorter after a failure.
    """
    random, width = np.random.default_rng(seed), high - low
    members = low + width * random.random((min(MEMBERS, evaluations), low.size))
    members[0] = np.clip(first, low, high)
    values = np.array([function(member) for member in members])
    spread = evaluations - evaluations // POLISH
    for count in range(values.size, spread):
        i = count % values.size
        a, b = members[random.choice(values.size, 2, replace=False)]
        top = members[np.argsort(values, kind="stable")[random.integers(TOP)]]
        size = MOVE * (0.5 + random.random())
        moved = members[i] + size * (top - members[i] + a - b)
        taken = random.random(low.size) < CROSSING
        trial = _inside(np.where(taken, moved, members[i]), members[i], low, high)
        value = function(trial)
        if value <= values[i]:
            members[i], values[i] = trial, value
        progress(count / evaluations)
    best, least, size = members[values.argmin()], float(values.min()), 0.1
    for count in range(max(spread, values.size), evaluations):
        moves = random.random(low.size) < max(0.3, 1.5 / low.size)
        trial = best + size * width * moves * random.standard_normal(low.size)
        trial = np.clip(trial, low, high)
        value = function(trial)
        if value <= least:
            best, least, size = trial, value, min(1.6 * size, 0.3)
        else:
            size = max(0.93 * size, 1e-3)
        progress(count / evaluations)
    progress(1.0)
    return best, least


def _inside(trial: np.ndarray, start: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Bring what left the box halfway back to where it came from."""
    below, above = 0.5 * (start + low), 0.5 * (start + high)
    return np.where(trial < low, below, np.where(trial > high, above, trial))
