"""Threads: independent steps spread over them, and how many pay where they must meet."""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import ClassVar

import numba
import numpy as np

LONG = 2.0  # s of a process's first sweep on one thread, from which on all are tried
SHORT = 0.1  # s, the same of its later sweeps
SLOWER = 1.3  # times slower than on one thread: parts differ by themselves


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
    with ThreadPoolExecutor(count - 1) as pool:
        others = [pool.submit(work, *part) for part in zip(edges[1:-1], edges[2:], strict=True)]
        work(0, edges[1])
        for other in others:
            other.result()


class Threads:
    """How many threads a sweep uses, found while it runs: one, or all that there are.

    Threads meet at every step, so on a busy machine, where they wait for each other, one thread
    can be ten times faster. The sweep begins on one thread. Where it would take long on that, it
    goes on with all, and back to one for good as soon as a part is clearly slower. The first part
    of either number does not count: it may have to compile the kernels. For its first sweep alone a
    process does not compile the parallel kernel, unless the sweep is long.

    Parameters
    ----------
    steps
        Of the whole sweep.
    """

    swept: ClassVar[bool] = False  # whether this process has begun a sweep before

    def __init__(self, steps: int) -> None:
        self.steps, self.count = steps, 1
        self.long, Threads.swept = SHORT if Threads.swept else LONG, True
        self.all = numba.get_num_threads()
        self.warm = False  # whether the kernel for this number of threads has run before
        self.alone: float | None = None  # s of a step on one thread

    @contextmanager
    def measured(self, steps: int) -> Iterator[None]:
        """Run a part of so many steps, and learn from it."""
        numba.set_num_threads(self.count)
        began = time.perf_counter()
        try:
            yield
        finally:
            self.learn((time.perf_counter() - began) / steps)
            numba.set_num_threads(self.all)

    def learn(self, seconds: float) -> None:
        """Take in the time of a step, s, and choose for the next part."""
        if not self.warm:
            self.warm = True
        elif self.alone is None:
            self.alone = seconds
            if seconds * self.steps > self.long and self.all > 1:
                self.count, self.warm = self.all, False
        elif seconds > SLOWER * self.alone:
            self.count = 1
