"""Work on steps that do not depend on each other, spread over threads."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numba
import numpy as np


def in_threads(work: Callable[[int, int], object], steps: int) -> None:
    """Call `work(first, last)` on ranges of steps, as many at a time as numba may use threads.

    The work must release the lock of the interpreter. Kernels spread like this compile faster than
    with numba's own parallel loops, and do not wait for each other.
    """
    count = max(min(numba.get_num_threads(), steps), 1)
    edges = [int(edge) for edge in np.linspace(0, steps, count + 1)]
    if count == 1:
        work(0, steps)
        return
    with ThreadPoolExecutor(count) as pool:
        list(pool.map(work, edges[:-1], edges[1:]))
