"""A run of a study: what is not done yet goes to workers in batches, until all of it is done."""

import math
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from distributed import CancelledError, Client, Future, as_completed
from distributed.scheduler import KilledWorker

from ..base.errors import FailedError
from .cluster import check_workers
from .jobs import Finished, Job, package_version, run_jobs
from .parameters import Value, label
from .plan import StudyPlan, Task
from .store import Store
from .values import FAILED, figure_row

MOST_JOBS = 16  # in a batch
AHEAD = 2  # batches per worker that are sent before they are needed


@dataclass(frozen=True)
class Pace:
    """How far a run is.

    Attributes
    ----------
    done, failed, total : tasks of the study; failed ones count as done
    rate : tasks per second of this run
    left : s, time left at that rate; NaN before the first result
    """

    done: int
    failed: int
    total: int
    rate: float
    left: float


Report = Callable[[Pace], None]


def open_tasks(plan: StudyPlan, store: Store) -> list[tuple[int, Task]]:
    """Return place and task of all that is not done, neighbours sharing operating points."""
    places, done = store.places(), store.done()
    waiting: dict[int, Task] = {}
    for task in plan.tasks:
        slot = places.get(task.digest)
        if slot is None or slot in done:
            continue
        waiting.setdefault(slot, task)
    order = {task.points_digest: i for i, task in reversed(list(enumerate(plan.tasks)))}
    return sorted(waiting.items(), key=lambda item: order[item[1].points_digest])


def lay_out(plan: StudyPlan, store: Store) -> None:
    """Give every task of a study its place, and write what the places stand for.

    Places of tasks that the study no longer asks for have no labels.
    """
    study = plan.study
    steps = max(cycle.dt.size for cycle in study.cycles)
    digests = [task.digest for task in plan.tasks]
    places = store.grow(digests, steps, study.traces)
    tasks = {places[task.digest]: task for task in plan.tasks}
    ordered = [tasks.get(slot) for slot in range(len(places))]
    columns: dict[str, list[object]] = {
        "cycle": [study.cycles[task.cycle].name if task else "" for task in ordered],
        "run": [study.runs[task.run] if task else "" for task in ordered],
    }
    for i, parameter in enumerate(study.parameters):
        gap: float | str = math.nan if parameter.numeric else ""
        shown = _same if parameter.numeric else label
        columns[parameter.path] = [shown(t.values[i]) if t else gap for t in ordered]
    store.label(columns)


def _same(value: Value) -> Value:
    return value


class StudyRun:
    """One run of a study on a client's workers.

    Parameters
    ----------
    plan, store
        All tasks, and where their results go.
    client
        Of :func:`.cluster.open_client`.
    report
        Told how far the run is, whenever a batch is done.
    """

    def __init__(self, plan: StudyPlan, store: Store, client: Client, report: Report) -> None:
        self.plan, self.store, self.client, self.report = plan, store, client, report
        waiting = open_tasks(plan, store)
        self.waiting = deque(waiting)
        self.singles: deque[Job] = deque()  # of batches whose worker died
        self.flying: dict[str, list[Job]] = {}
        self.wanted = len(waiting)
        self.total = len({task.digest for task in plan.tasks})
        self.finished = self.failed = 0

    def go(self) -> None:
        """Do all that is not done.

        Raises
        ------
        FailedError
            The store cannot be written, or the scheduler is gone. What is done stays done.
        """
        check_workers(self.client, self.store.folder)
        self.began = time.monotonic()
        pool = as_completed()
        try:
            self._fill(pool)
            for future in pool:
                self._take(future)
                self._fill(pool)
        except (OSError, CancelledError, RuntimeError) as error:
            raise FailedError(
                f"the scheduler is gone ({type(error).__name__}); run again to go on"
            ) from None

    def _fill(self, pool: as_completed) -> None:
        """Keep every worker in work, and no more than a little ahead."""
        workers = max(len(self.client.nthreads()), 1)
        while len(self.flying) < AHEAD * workers and (self.waiting or self.singles):
            jobs = self._next_jobs(workers)
            future = self.client.submit(
                run_jobs, str(self.store.folder.resolve()), package_version(), jobs, pure=False
            )
            self.flying[future.key] = jobs
            pool.add(future)

    def _next_jobs(self, workers: int) -> list[Job]:
        """Return the next batch: of one set of operating points, and smaller towards the end."""
        if self.singles:
            return [self.singles.popleft()]
        most = min(MOST_JOBS, max(1, len(self.waiting) // (2 * AHEAD * workers)))
        shared = self.waiting[0][1].points_digest
        jobs: list[Job] = []
        while self.waiting and len(jobs) < most and self.waiting[0][1].points_digest == shared:
            slot, task = self.waiting.popleft()
            jobs.append(self.plan.job(task, slot))
        return jobs

    def _take(self, future: Future) -> None:
        jobs = self.flying.pop(future.key)
        if future.status == "finished":
            done: list[Finished] = future.result()
            self._count(len(jobs), sum(finished.failed for finished in done))
        else:
            self._take_apart(future, jobs)
        seconds = time.monotonic() - self.began
        rate = self.finished / seconds if seconds > 0.0 else 0.0
        left = (self.wanted - self.finished) / rate if rate > 0.0 else float("nan")
        done_before = self.total - self.wanted
        self.report(Pace(done_before + self.finished, self.failed, self.total, rate, left))

    def _take_apart(self, future: Future, jobs: list[Job]) -> None:
        """Try jobs whose worker died again, each by itself; a lone one has failed for good."""
        error = future.exception()
        if not isinstance(error, KilledWorker):
            raise error if isinstance(error, Exception) else RuntimeError(str(error))
        if len(jobs) > 1:
            self.singles.extend(job for job in jobs if not self.store.has(job.slot))
            self._count(sum(self.store.has(job.slot) for job in jobs), 0)
            return
        reason = "every worker that took it died, perhaps for want of memory"
        self.store.write(jobs[0].slot, figure_row({"status": FAILED}), reason, {})
        self._count(1, 1)

    def _count(self, finished: int, failed: int) -> None:
        self.finished += finished
        self.failed += failed


def forget_failures(plan: StudyPlan, store: Store) -> None:
    """Take away the pieces of a study's failed tasks, so that they are tried again."""
    status = store.figures()[:, 0]
    places = store.places()
    for task in plan.tasks:
        slot = places.get(task.digest)
        if slot is not None and status[slot] == FAILED:
            store.forget(slot)


def run_study(plan: StudyPlan, folder: Path, client: Client, report: Report) -> None:
    """Do all tasks of a study that are not done yet; see :class:`StudyRun` for errors."""
    store = Store.create(folder)
    with store.locked():
        lay_out(plan, store)
        StudyRun(plan, Store(folder), client, report).go()
