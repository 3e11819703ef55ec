"""Threads: independent steps spread over them, and how many pay where they must meet."""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import ClassVar

import numba
import numpy as np

RETRY = 12  # parts between two tries of the slower number of threads
LONG = 2.0  # s of a process's first sweep on one thread, from which on more are tried
SHORT = 0.1  # s, the same of its later sweeps
HOPELESS = 2.0  # times slower: the slower number is not tried again


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


class Threads:
    """How many threads the sweep uses, found while it runs.

    Threads meet at every step, so on a busy machine, where they wait for each other, one thread
    can be many times faster. The sweep begins on one thread. Where it would take long on that, it
    goes on with all, and then the faster way; the slower one, if it is not much slower, gets a part
    now and then to see whether that has changed. The first part of either number does not count:
    it may have to compile the kernels. For its first sweep alone a process does not compile the
    parallel kernel, unless the sweep is long.

    Parameters
    ----------
    steps
        Of the whole sweep.
    """

    begun: ClassVar[int] = 0  # sweeps of this process

    def __init__(self, steps: int) -> None:
        Threads.begun += 1
        self.long = LONG if Threads.begun == 1 else SHORT
        self.all = numba.get_num_threads()
        self.steps = steps
        self.count = 1
        self.seconds: dict[int, float] = {}
        self.parts = {1: 0, self.all: 0}

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
        """Take in the time of a step, and choose for the next part."""
        self.parts[self.count] += 1
        if self.parts[self.count] == 1:
            return
        self.seconds[self.count] = seconds
        if len(self.seconds) == 1:
            self.count = self.all if seconds * self.steps > self.long else 1
            return
        fast, slow = (f(self.seconds, key=lambda n: self.seconds[n]) for f in (min, max))
        again = sum(self.parts.values()) % RETRY == 0
        self.count = slow if again and self.seconds[slow] < HOPELESS * self.seconds[fast] else fast
