"""The speed a step can end at where the one that is wanted is out of reach."""

from collections.abc import Callable
from typing import Any

import numpy as np

CANDIDATES = 33
ROUNDS = 3  # of refinement: the reachable speed is found to 1/32768 of the range searched
BRAKING = 12.0  # m/s2, how far below the present speed a step looks for one that can be driven

Able = Callable[[np.ndarray], Any]


def highest_end(able: Able, speed: float, target: float, dt: float) -> float | None:
    """Return the highest speed up to the target at which a step can end, m/s; None without any.

    Parameters
    ----------
    able
        From speeds at the end of the step, m/s, (n,), to whether it can be driven so, (n,).
    speed, target
        m/s, at the start of the step, and wanted at its end.
    dt
        s.
    """
    high, low = target, max(min(speed - BRAKING * dt, target - 1e-3), 0.0)
    for _ in range(ROUNDS):
        ends = np.linspace(low, high, CANDIDATES)
        good = np.flatnonzero(able(ends))
        if not good.size:
            return None
        best = int(good[-1])
        if best == ends.size - 1:
            return float(ends[-1])
        low, high = float(ends[best]), float(ends[best + 1])
    return low
