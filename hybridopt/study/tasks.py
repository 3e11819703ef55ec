"""Tasks as they are done: one solve or drive each, and its row of values."""

import hashlib
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import numpy as np

from ..base.errors import HybridoptError, InputError
from ..base.progress import Progress, silent
from ..controllers.builtin import BuiltIn
from ..controllers.preview import Preview
from ..evaluation.batch import answered
from ..evaluation.case import OPTIMUM, Case
from ..evaluation.tuning import informed, tune
from ..inputs.cycle import Cycle
from ..optimum.batch import Answer
from ..optimum.optimum import Optimum
from ..optimum.result import Result
from ..pipeline import Prepared, find_optimum, prepare
from .values import DONE, FAILED, VALUES, WAITING, controller_values, optimum_values, value_row
from .variant import Variant

ROOMS = (
    *("base", "files", "inputs", "physics", "problem", "dp", "optimum"),
    *("controllers", "tables", "foresight", "evaluation", "study"),
)
"""Packages whose code can change the values of a task, besides the modules beside them."""


@dataclass(frozen=True, eq=False, kw_only=True)
class TaskInput:
    """A task with all that is needed to do it, wherever that is.

    Attributes
    ----------
    digest : SHA-256 of all that its outcome depends on
    variant : None where it could not be made
    problem : why not
    cycle : what is driven
    run, controller : "optimum" and None, or a controller's name and itself
    bound : whether the optimum comes with its bound
    keeps_optimum : whether controllers drive this variant, so that its optimum is kept for them
    traces : variables that are kept for every step
    evaluations, seed : of the tuning; 0 evaluations do not tune
    points_digest : tasks of one value share demand and operating points; empty shares nothing
    answer : what a device found already, None where the task is to be solved
    """

    digest: bytes = b""
    variant: Variant | None
    problem: str = ""
    cycle: Cycle
    run: str = OPTIMUM
    controller: Any = None
    bound: bool
    keeps_optimum: bool = False
    traces: tuple[str, ...] = ()
    evaluations: int = 0
    seed: int = 0
    points_digest: bytes = b""
    answer: Answer | None = None


class TaskOutcome(NamedTuple):
    """What became of a task.

    Attributes
    ----------
    digest : of its :class:`TaskInput`
    row : values in the order of :data:`.values.VALUES`
    reason : why it failed; empty where it did not
    traces : a value per step, by variable, (steps,)
    """

    digest: bytes
    row: np.ndarray
    reason: str
    traces: dict[str, np.ndarray]

    @property
    def status(self) -> int:
        """:data:`.values.DONE` or :data:`.values.FAILED`; neither where nothing says so."""
        return int(np.nan_to_num(self.row[list(VALUES).index("status")], nan=WAITING))

    @classmethod
    def failure(cls, digest: bytes, reason: str, seconds: float = np.nan) -> "TaskOutcome":
        """Return the outcome of a task that failed after a time, s."""
        return cls(digest, value_row({"status": FAILED, "seconds": seconds}), reason, {})


Keep = Callable[[TaskOutcome], object]
Report = Callable[[int, int], object]
"""Called with how many more tasks are finished, and how many of them failed."""


class Executor(Protocol):
    """Does tasks, here or elsewhere, and has each outcome kept as soon as it is there."""

    def run(self, tasks: Iterable[TaskInput], count: int, report: Report) -> None:
        """Do all tasks, of which there are `count`; neighbours may share operating points.

        Raises
        ------
        FailedError
            Outcomes cannot be kept, or whoever does the tasks is gone. A task that fails raises
            nothing: its outcome holds the reason.
        """


class SerialExecutor:
    """Does tasks in this process, one after the other.

    Parameters
    ----------
    keep
        Takes every outcome, such as a list's `append` or a store's `write`.
    progress
        Called with the share done, 0 to 1, within tasks as well.
    """

    def __init__(self, keep: Keep, progress: Progress = silent) -> None:
        self.keep, self.progress = keep, progress

    def run(self, tasks: Iterable[TaskInput], count: int, report: Report) -> None:
        """Do all tasks; see :class:`Executor`."""
        solver = TaskSolver()
        for i, task in enumerate(tasks):
            outcome = solver.outcome(task, self._part(i, count))
            self.keep(outcome)
            report(1, bool(outcome.reason))
        self.progress(1.0)

    def _part(self, done: int, count: int) -> Progress:
        """Return what reports the share of one task as a share of all."""
        return lambda share: self.progress((done + share) / count)


class TaskSolver:
    """Does tasks; neighbours that share operating points or an optimum get the latest ones."""

    def __init__(self) -> None:
        self._points: tuple[bytes, Prepared | None] = b"", None
        self._case: tuple[bytes, Case | None] = b"", None

    def outcome(self, task: TaskInput, progress: Progress = silent) -> TaskOutcome:
        """Return what becomes of a task, whatever it raises."""
        began = time.perf_counter()
        try:
            values, result = self.solve(task, progress)
        except HybridoptError as error:
            reason = str(error)
        except MemoryError:
            reason = "the memory of the worker ran out"
        except Exception as error:  # whatever it is, the other tasks go on
            reason = f"unexpected {type(error).__name__}: {' '.join(str(error).split())}"
        else:
            traces = {name: result.dataset[name].values for name in task.traces}
            known = {"status": DONE, **values, "seconds": time.perf_counter() - began}
            return TaskOutcome(task.digest, value_row(known), "", traces)
        return TaskOutcome.failure(task.digest, reason, time.perf_counter() - began)

    def solve(
        self, task: TaskInput, progress: Progress = silent
    ) -> tuple[dict[str, float], Result]:
        """Return values and result of a task.

        Raises
        ------
        HybridoptError
            The variant cannot be solved or driven.
        """
        variant = task.variant
        if variant is None:
            raise InputError(task.problem)
        if task.run == OPTIMUM and (not task.keeps_optimum or variant.settings.corridor):
            return optimum_values(self._optimum(task, variant, task.bound, False, progress))
        case = self._solved(task, variant, progress)
        if task.run == OPTIMUM:
            return optimum_values(case.optimum)
        controller = task.controller
        if isinstance(controller, BuiltIn) and task.evaluations:
            controller = tune(controller, [case], task.evaluations, task.seed).controller
        elif isinstance(controller, Preview):
            controller = informed(controller, [case])
        return controller_values(case, task.run, controller)

    def _solved(self, task: TaskInput, variant: Variant, progress: Progress) -> Case:
        """Return a variant's optimum with its bound, on which all its controllers are measured."""
        digest = variant.digest + task.cycle.sha256.encode()
        if self._case[1] is None or self._case[0] != digest:
            self._case = b"", None  # frees the old one before the new one is made
            self._case = digest, Case(self._optimum(task, variant, True, True, progress))
        assert self._case[1] is not None
        return self._case[1]

    def _optimum(
        self, task: TaskInput, variant: Variant, bound: bool, keep: bool, progress: Progress
    ) -> Optimum:
        driveline = variant.driveline()
        settings = variant.settings.resolved(driveline)
        if task.answer is not None:
            return answered(task.cycle, driveline, settings, task.answer)
        if task.points_digest != self._points[0]:
            self._points = b"", None
            if task.points_digest:
                self._points = task.points_digest, prepare(task.cycle, driveline, settings)
        return find_optimum(
            task.cycle, driveline, settings, progress, bound, self._points[1], keep_value=keep
        )


@cache
def package_version() -> str:
    """Return version and digest of the code, which are a part of every task's digest.

    With other code a task is another task. Code that only reads logs, shows or writes does not
    count: see :data:`ROOMS`.
    """
    root, digest = Path(__file__).parents[1], hashlib.sha256()
    files = [*root.glob("*.py"), *(file for room in ROOMS for file in (root / room).rglob("*.py"))]
    for file in sorted(files):
        digest.update(file.relative_to(root).as_posix().encode() + file.read_bytes())
    return f"{metadata.version('hybridopt')}+{digest.hexdigest()[:12]}"
