"""Search for the minimum of a rough function of many parameters, without derivatives."""

from collections.abc import Callable

import numpy as np

from ..base.progress import Progress, silent

FIRST_STEP = 0.6  # of the scale, first spread of the trials
MIN_TRIALS = 16  # of a generation: few of them are led astray by a rough function
OUTSIDE_COST = 1e-3  # per squared scale outside the box


def minimise(
    function: Callable[[np.ndarray], float],
    begin: np.ndarray,
    scale: np.ndarray,
    box: tuple[np.ndarray, np.ndarray],
    evaluations: int,
    seed: int = 1,
    progress: Progress = silent,
) -> tuple[np.ndarray, float]:
    """Search a box for the parameters at which a function is small.

    Parameters
    ----------
    function
        From parameters inside the box, (n,), to what shall be small; infinite where it has no
        value. :data:`OUTSIDE_COST` must be little in its unit.
    begin
        Where the search begins, (n,); outside the box its nearest point counts.
    scale
        A sensible change of each parameter, (n,).
    box
        Lowest and highest parameters, both (n,).
    evaluations
        Trials beside that at `begin`, in whole generations: one at least.
    seed
        The same seed gives the same answer.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    parameters, value
        The best seen, brought into the box, and never worse than `begin`; the value counts what
        it was outside.

    Notes
    -----
    Evolution strategy with adaptation of a diagonal covariance and of the step size. Source: Ros
    and Hansen, "A simple modification in CMA-ES achieving linear time and space complexity", PPSN
    2008, DOI 10.1007/978-3-540-87700-4_30; the constants are the usual ones. A trial outside the
    box is valued at the nearest point of the box, plus a little for its distance, so that the
    trials come back.
    """
    n, random = begin.size, np.random.default_rng(seed)
    size = max(4 + int(4 * np.log(n)), MIN_TRIALS)
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

    def valued(trial: np.ndarray) -> float:
        inside = trial.clip(*box)
        return function(inside) + OUTSIDE_COST * float(np.sum(((trial - inside) / scale) ** 2))

    best, lowest = begin, valued(begin)
    for turn in range(1, max(evaluations // size, 1) + 1):
        moves = random.standard_normal((size, n)) * np.sqrt(variance)
        trials = begin + scale * (mean + step * moves)
        values = np.array([valued(trial) for trial in trials])
        order = np.argsort(values, kind="stable")
        if values[order[0]] < lowest:
            best, lowest = trials[order[0]], float(values[order[0]])
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
    return best.clip(*box), lowest
