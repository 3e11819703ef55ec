"""Repeated timing of several tasks in turn, so that a busy moment does not fall on one of them."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from statistics import median
from typing import Any


@dataclass
class Task:
    """Something to time: its name, the work (without arguments), how often."""

    name: str
    work: Callable[[], Any]
    repeats: int


@dataclass(frozen=True)
class Timing:
    """Seconds of all repeats of a task, and what the last one gave back."""

    name: str
    seconds: tuple[float, ...]
    answer: Any

    @property
    def median(self) -> float:
        """Median of the seconds."""
        return median(self.seconds)

    def bare(self) -> "Timing":
        """Return the timing without the answer."""
        return replace(self, answer=None)

    @property
    def spread(self) -> str:
        """Least and largest time in % of the median; empty for a single time."""
        if len(self.seconds) == 1:
            return ""
        low, high = (100.0 * f(self.seconds) / self.median for f in (min, max))
        return f"{low:.0f}-{high:.0f} %"


def timed(tasks: list[Task]) -> list[Timing]:
    """Time all tasks once, then again, until each has had its repeats; in the order given."""
    seconds: dict[str, list[float]] = {task.name: [] for task in tasks}
    answers: dict[str, Any] = {}
    for i in range(max(task.repeats for task in tasks)):
        for task in (task for task in tasks if i < task.repeats):
            answers.pop(task.name, None)
            began = time.perf_counter()
            answers[task.name] = task.work()
            seconds[task.name].append(time.perf_counter() - began)
    return [Timing(t.name, tuple(seconds[t.name]), answers[t.name]) for t in tasks]
