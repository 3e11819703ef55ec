"""Search for the least of a rough function of many figures, by an adapting cloud of trials."""

from collections.abc import Callable

import numpy as np

from ..base.progress import Progress, silent

FIRST_STEP = 0.6  # of the scale, first spread of the cloud


def evolve(
    function: Callable[[np.ndarray], float],
    begin: np.ndarray,
    scale: np.ndarray,
    evaluations: int,
    seed: int = 1,
    progress: Progress = silent,
) -> tuple[np.ndarray, float]:
    """Find figures for which a function is small.

    Parameters
    ----------
    function
        From figures, (n,), to what shall be small; infinite where it cannot be told.
    begin
        Where the cloud begins, (n,).
    scale
        A sensible change of each figure, (n,).
    evaluations
        Calls of the function, about.
    seed
        The same seed gives the same answer.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    figures, value
        The best seen, never worse than `begin`.

    Notes
    -----
    Evolution strategy with adaptation of a diagonal covariance and of the step size. Source: Ros
    and Hansen, "A simple modification in CMA-ES achieving linear time and space complexity", PPSN
    2008, DOI 10.1007/978-3-540-87700-4_30; the constants are the usual ones.
    """
    n, random = begin.size, np.random.default_rng(seed)
    size = 4 + int(4 * np.log(n))
    chosen = size // 2
    weight = np.log(chosen + 0.5) - np.log(np.arange(1, chosen + 1))
    weight /= weight.sum()
    mass = 1.0 / np.sum(weight**2)
    step_rate = (mass + 2) / (n + mass + 5)
    damping = 1 + 2 * max(0.0, np.sqrt((mass - 1) / (n + 1)) - 1) + step_rate
    path_rate = (4 + mass / n) / (n + 4 + 2 * mass / n)
    one_rate = 2 / ((n + 1.3) ** 2 + mass) * (n + 2) / 3
    many_rate = 2 * (mass - 2 + 1 / mass) / ((n + 2) ** 2 + mass) * (n + 2) / 3
    many_rate = min(1 - one_rate, many_rate)
    usual = np.sqrt(n) * (1 - 1 / (4 * n) + 1 / (21 * n * n))
    mean, variance, step = np.zeros(n), np.ones(n), FIRST_STEP
    step_path, path = np.zeros(n), np.zeros(n)
    best, least = begin, function(begin)
    for turn in range(1, max(evaluations // size, 1) + 1):
        moves = random.standard_normal((size, n)) * np.sqrt(variance)
        trials = begin + scale * (mean + step * moves)
        values = np.array([function(trial) for trial in trials])
        order = np.argsort(values, kind="stable")
        if values[order[0]] < least:
            best, least = trials[order[0]], float(values[order[0]])
        good = moves[order[:chosen]]
        move = weight @ good
        mean = mean + step * move
        step_path *= 1 - step_rate
        step_path += np.sqrt(step_rate * (2 - step_rate) * mass / variance) * move
        length = float(np.linalg.norm(step_path))
        calm = length < (1.4 + 2 / (n + 1)) * usual * np.sqrt(1 - (1 - step_rate) ** (2 * turn))
        path = (1 - path_rate) * path + calm * np.sqrt(path_rate * (2 - path_rate) * mass) * move
        variance = (1 - one_rate - many_rate) * variance + one_rate * path**2
        variance += many_rate * (weight @ good**2)
        step *= np.exp(step_rate / damping * (length / usual - 1))
        progress(min(turn * size / evaluations, 1.0))
    progress(1.0)
    return best, least
