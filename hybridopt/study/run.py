"""A run of a study: what is not done yet goes to an executor, and its outcomes to the store."""

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

from .plan import StudyPlan, Task
from .store import StudyStore
from .tasks import Executor
from .values import FAILED


@dataclass(frozen=True)
class RunProgress:
    """How far a run is.

    Attributes
    ----------
    done, failed, total : tasks of the study; failed ones, those of this run, count as done
    rate : tasks per second of this run
    left : s, time left at that rate; NaN before the first outcome
    """

    done: int
    failed: int
    total: int
    rate: float
    left: float


ShowProgress = Callable[[RunProgress], object]


def waiting_tasks(plan: StudyPlan, store: StudyStore | None) -> list[Task]:
    """Return the different tasks that are not done, neighbours sharing operating points.

    Parameters
    ----------
    plan
        All tasks.
    store
        None where there is no store yet.
    """
    done = {outcome.digest for outcome in store.outcomes(plan.different)} if store else set()
    groups: dict[bytes, list[Task]] = {}
    for task in plan.tasks:
        if plan.different[task.digest] is task and task.digest not in done:
            groups.setdefault(task.points_digest, []).append(task)
    return [task for alike in groups.values() for task in alike]


def forget_failures(plan: StudyPlan, store: StudyStore) -> None:
    """Take away the pieces of a study's failed tasks, so that they are tried again."""
    for outcome in store.outcomes(plan.different):
        if outcome.status == FAILED:
            store.forget(outcome.digest)


def run_study(plan: StudyPlan, waiting: list[Task], executor: Executor, show: ShowProgress) -> None:
    """Do all tasks of a study that are not done yet.

    Parameters
    ----------
    plan
        All tasks.
    waiting
        Those that are not done, from :func:`waiting_tasks`.
    executor
        Keeps outcomes in the store, which is locked.
    show
        Called with how far the run is, whenever tasks are done.

    Raises
    ------
    FailedError
        The store cannot be written, or the executor is gone. What is done stays done.
    """
    inputs = map(plan.task_input, waiting)
    total, wanted = len(plan.different), len(waiting)
    before, began, finished, failed = total - wanted, time.monotonic(), 0, 0

    def report(more: int, more_failed: int) -> None:
        nonlocal finished, failed
        finished, failed = finished + more, failed + more_failed
        rate = finished / max(time.monotonic() - began, 1e-9)
        left = (wanted - finished) / rate if finished else math.nan
        show(RunProgress(before + finished, failed, total, rate, left))

    executor.run(inputs, wanted, report)
