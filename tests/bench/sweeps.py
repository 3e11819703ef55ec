"""Backward sweeps against each other: exhaustive ones, and ours with parts of it switched off."""

import contextlib
from collections.abc import Iterator
from unittest import mock

import numba
import numpy as np
from dense import dense_sweep
from exhaustive import numpy_sweep, plain_sweep
from timing import Task, Timing, timed

from hybridopt.dp import cost_to_go
from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.problem.problem import Problem

TOLERANCE = 1e-9  # relative; all sweeps must give the same value
DEFAULT = "pruned, in reach, threads by itself"
DENSE = "NumPy, dense arrays: inadmissible splits at infinite cost"
NUMPY = "NumPy, inadmissible splits left out beforehand"
PLAIN = "plain numba loops"


class Fixed(cost_to_go.Threads):
    """Always the same number of threads."""

    def __init__(self, steps: int) -> None:
        super().__init__(steps)
        self.count = self.all

    def learn(self, seconds: float) -> None:
        """Keep the number."""


@contextlib.contextmanager
def threads(count: int | None) -> Iterator[None]:
    """Run sweeps on a number of threads; None leaves the choice to them."""
    most = numba.get_num_threads()
    choice = cost_to_go.Threads if count is None else Fixed
    numba.set_num_threads(most if count is None else count)
    try:
        with mock.patch.object(cost_to_go, "Threads", choice):
            yield
    finally:
        numba.set_num_threads(most)


def ours(problem: Problem, prune: bool, whole: bool, count: int | None) -> np.ndarray:
    """Return the cost-to-go at the start by the package's sweep; NaN out of reach."""
    with threads(count):
        return CostToGo(problem, prune=prune, whole=whole).start


def thread_counts() -> list[int | None]:
    """Thread counts to compare: those of 1 and 2 that there are, and None, the automatic choice."""
    return [n for n in (1, 2) if n <= numba.get_num_threads()] + [None]


def sweep_tasks(problem: Problem, repeats: int, slow_repeats: int) -> list[Task]:
    """Return all sweeps of a problem, slowest first."""
    tasks = [
        Task(DENSE, lambda: dense_sweep(problem), slow_repeats),
        Task(NUMPY, lambda: numpy_sweep(problem), slow_repeats),
        Task(PLAIN, lambda: plain_sweep(problem), slow_repeats),
    ]
    for prune in (False, True):
        for whole in (True, False):
            for count in thread_counts():
                words = (
                    "pruned" if prune else "not pruned",
                    "all points" if whole else "in reach",
                    f"threads {count or 'by itself'}",
                )
                arguments = problem, prune, whole, count
                work = lambda a=arguments: ours(*a)  # noqa: E731
                tasks.append(Task(", ".join(words), work, repeats))
    return tasks


def compare_sweeps(problem: Problem, repeats: int, slow_repeats: int) -> list[Timing]:
    """Time all sweeps of a problem; the default one is the last."""
    timings = timed(sweep_tasks(problem, repeats, slow_repeats))
    assert timings[-1].name == DEFAULT
    return timings


def largest_difference(timings: list[Timing]) -> float:
    """Largest relative difference of any sweep's value from the first one's, where it has any."""
    reference = timings[0].answer
    return max(difference(reference, timing.answer) for timing in timings[1:])


def difference(reference: np.ndarray, value: np.ndarray) -> float:
    """Largest relative difference of two values where neither is NaN; infinite must be so in both.

    Raises
    ------
    ValueError
        There is nothing to compare.
    """
    swept = ~np.isnan(value)
    one, other = reference[swept], value[swept]
    finite = np.isfinite(one)
    if not finite.any():
        raise ValueError("the two values have no point in common")
    if np.any(finite != np.isfinite(other)):
        return np.inf
    gap = np.abs(one[finite] - other[finite])
    return float(np.max(gap / np.maximum(np.abs(one[finite]), 1.0)))
