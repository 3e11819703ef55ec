"""Tasks sent in batches to a team of workers; what a worker's death leaves undone is sent again."""

import itertools
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from typing import Any, NamedTuple, Protocol

import cloudpickle

from ..base.errors import FailedError
from .store import StudyStore
from .tasks import Report, TaskInput, TaskOutcome, package_version
from .workers import run_batch

MAX_BATCH = 16  # tasks
AHEAD = 2  # batches per worker that are sent before they are needed
LISTEN = 5.0  # s without news, after which the team is asked whether it is still there
SUSPECT = 2  # deaths over a task, after which it is tried with no other under way


class Team(Protocol):
    """Workers, here or elsewhere.

    Attributes
    ----------
    size : how many they are
    death : what a future raises where the worker that had it died
    """

    death: type[Exception]

    @property
    def size(self) -> int: ...  # noqa: D102

    def submit(self, *call: Any) -> "Future[int]":
        """Have a worker call a function with arguments.

        Raises
        ------
        FailedError
            There are no workers any more.
        """

    def check(self) -> None:
        """See that there is somebody at work.

        Raises
        ------
        FailedError
            There is nobody.
        """


class Batch(NamedTuple):
    """Tasks that go to one worker, and over how many deaths of workers they were sent before."""

    tasks: list[TaskInput]
    deaths: int


class BatchExecutor:
    """Sends tasks to a team, whose workers keep the outcomes in a store.

    A task under way when a worker died is sent by itself the next time, and then with nothing else
    under way; where a worker dies over that as well, the task has failed.

    Parameters
    ----------
    team
        The workers.
    store
        On a disk that all workers share.
    """

    def __init__(self, team: Team, store: StudyStore) -> None:
        self.team, self.store = team, store

    def run(self, tasks: Iterable[TaskInput], count: int, report: Report) -> None:
        """Do all tasks; see :class:`.tasks.Executor`."""
        self.report = report
        self.batches = self._batches(tasks, count)
        self.again: deque[Batch] = deque()
        self.under_way: dict[Future[int], Batch] = {}
        self._send()
        while self.under_way:
            done, _ = wait(self.under_way, LISTEN, FIRST_COMPLETED)
            if not done:
                self.team.check()
            for future in done:
                self._take(future)
            self._send()

    def _batches(self, tasks: Iterable[TaskInput], count: int) -> Iterator[list[TaskInput]]:
        """Yield batches of one set of operating points each, and smaller towards the end."""

        def alike_by(task: TaskInput) -> bytes:
            return task.points_digest if task.answer is None else b""

        for _, alike in itertools.groupby(tasks, key=alike_by):
            while batch := list(itertools.islice(alike, self._batch_size(count))):
                count -= len(batch)
                yield batch

    def _batch_size(self, waiting: int) -> int:
        return min(MAX_BATCH, max(1, waiting // (2 * AHEAD * self.team.size)))

    def _send(self) -> None:
        """Keep every worker in work, and no more than a little ahead."""
        folder = str(self.store.folder.resolve())
        while len(self.under_way) < AHEAD * self.team.size and (batch := self._next()):
            content = cloudpickle.dumps(batch.tasks)  # workers do not import users' own files
            future = self.team.submit(run_batch, folder, package_version(), content)
            self.under_way[future] = batch

    def _next(self) -> Batch | None:
        """Return the batch to send now; None where there is none, or a suspect is to be alone."""
        if any(batch.deaths >= SUSPECT for batch in self.under_way.values()):
            return None
        if self.again:
            alone = self.again[0].deaths >= SUSPECT and self.under_way
            return None if alone else self.again.popleft()
        tasks = next(self.batches, None)
        return Batch(tasks, 0) if tasks else None

    def _take(self, future: "Future[int]") -> None:
        batch = self.under_way.pop(future)
        try:
            failed = future.result()
        except self.team.death:
            self._send_again(batch)
        except (OSError, CancelledError) as error:
            raise FailedError(
                f"the workers are gone ({type(error).__name__}); run again to go on"
            ) from None
        else:
            self.report(len(batch.tasks), failed)

    def _send_again(self, batch: Batch) -> None:
        waiting = [task for task in batch.tasks if not self.store.has(task.digest)]
        self.report(len(batch.tasks) - len(waiting), 0)
        if batch.deaths < SUSPECT:
            self.again.extend(Batch([task], batch.deaths + 1) for task in waiting)
            return
        reason = "every worker that took it died, perhaps for want of memory"
        for task in waiting:
            self.store.write(TaskOutcome.failure(task.digest, reason))
        self.report(len(waiting), len(waiting))
