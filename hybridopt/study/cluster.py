"""Workers through Dask: processes of this machine, or an existing cluster by its scheduler."""

import contextlib
import functools
import itertools
import logging
import os
import secrets
import threading
import warnings
from collections import deque
from collections.abc import Iterable, Iterator
from pathlib import Path

import dask
import psutil
from distributed import CancelledError, Client, Future, LocalCluster, as_completed
from distributed.scheduler import KilledWorker

from ..base.errors import FailedError, InputError
from ..base.platform import usable_cores
from ..base.warning import InputWarning
from ..inputs.cycle import read_cycle
from ..inputs.driveline_file import read_driveline
from ..pipeline import solve_cycle
from ..problem.settings import Settings
from .store import StudyStore
from .tasks import Report, SerialExecutor, TaskInput, TaskOutcome, package_version

WORKER_BYTES = 400e6  # of a worker process with all kernels, before its first task
MEMORY_SHARE = 0.8  # of the memory of this machine that is free
MAX_BATCH = 16  # tasks
AHEAD = 2  # batches per worker that are sent before they are needed
PATIENCE = "30s"
DEAF = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)"
"""Run in workers: an interrupt at the terminal is for the client, which ends them."""
WORKER_ENVIRONMENT = {
    **dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1"),
    "DASK_LOGGING__DISTRIBUTED": "critical",
}
_ALONE = threading.Lock()  # one batch at a time in a process: kernels are not to run side by side


def local_workers(wanted: int | None, task_bytes: float) -> int:
    """Return the number of workers to start here: one per core, or fewer where memory is short.

    Raises
    ------
    InputError
        The memory does not hold as many as were asked for.
    """
    free = MEMORY_SHARE * psutil.virtual_memory().available
    room = int(free // (WORKER_BYTES + task_bytes))
    if room < (wanted or 1):
        raise InputError(
            f"--workers: the free memory holds {room} workers of "
            f"{(WORKER_BYTES + task_bytes) / 1e9:.2g} GB each, not {wanted or 1}; ask for fewer, "
            "or take fewer SoC points or a lower memory_limit_GB"
        )
    return wanted or min(usable_cores(), room)


@contextlib.contextmanager
def open_client(scheduler: str | None, workers: int, task_bytes: float) -> Iterator[Client]:
    """Give a client of an existing cluster, or of processes started here and ended with it.

    Raises
    ------
    FailedError
        The scheduler does not answer, has no workers, or one of them has too little memory.
    """
    if not os.environ.get("HYBRIDOPT_DEBUG"):
        for name in ("distributed", "asyncio", "tornado"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
    if scheduler is None:
        warm_kernels()  # compiled once, the workers load them from the cache
        with (
            dask.config.set({"distributed.nanny.pre-spawn-environ": WORKER_ENVIRONMENT}),
            LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                host="127.0.0.1",
                dashboard_address="127.0.0.1:0",
                memory_limit=0,
                preload=[DEAF],
            ) as cluster,
            Client(cluster) as client,
        ):
            yield client
        return
    try:
        client = Client(scheduler, timeout=PATIENCE)
    except (OSError, ValueError) as error:
        words = " ".join(str(error).split())[:100] or type(error).__name__
        raise FailedError(f"--scheduler {scheduler}: does not answer ({words})") from None
    with client:
        _check_memory(client, scheduler, task_bytes)
        yield client


def _check_memory(client: Client, scheduler: str, task_bytes: float) -> None:
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
    except TimeoutError:
        raise FailedError(f"--scheduler {scheduler}: has no workers; start some") from None
    for address, worker in client.scheduler_info(n_workers=-1)["workers"].items():
        limit = worker["memory_limit"]
        if limit and limit < WORKER_BYTES + task_bytes:
            raise FailedError(
                f"worker {address} may use {limit / 1e9:.2g} GB, but a task needs "
                f"{(WORKER_BYTES + task_bytes) / 1e9:.2g} GB; give workers more memory"
            )


class DaskExecutor:
    """Sends tasks to a client's workers in batches, which they keep in a store.

    Parameters
    ----------
    client
        Of :func:`open_client`.
    store
        On a disk that all workers share.
    """

    def __init__(self, client: Client, store: StudyStore) -> None:
        self.client, self.store = client, store

    def run(self, tasks: Iterable[TaskInput], count: int, report: Report) -> None:
        """Do all tasks; see :class:`.tasks.Executor`."""
        _check_workers(self.client, self.store)
        self.report = report
        self.batches = self._batches(tasks, count)
        self.singles: deque[TaskInput] = deque()  # of batches whose worker died
        self.under_way: dict[str, list[TaskInput]] = {}
        futures = as_completed()
        try:
            self._send(futures)
            for future in futures:
                self._take(future)
                self._send(futures)
        except (OSError, CancelledError, RuntimeError) as error:
            raise FailedError(
                f"the scheduler is gone ({type(error).__name__}); run again to go on"
            ) from None

    @property
    def _workers(self) -> int:
        return max(len(self.client.nthreads()), 1)

    def _batches(self, tasks: Iterable[TaskInput], count: int) -> Iterator[list[TaskInput]]:
        """Yield batches of one set of operating points each, and smaller towards the end."""
        for _, alike in itertools.groupby(tasks, key=lambda task: task.points_digest):
            while batch := list(itertools.islice(alike, self._batch_size(count))):
                count -= len(batch)
                yield batch

    def _batch_size(self, waiting: int) -> int:
        return min(MAX_BATCH, max(1, waiting // (2 * AHEAD * self._workers)))

    def _send(self, futures: as_completed) -> None:
        """Keep every worker in work, and no more than a little ahead."""
        folder = str(self.store.folder.resolve())
        while len(self.under_way) < AHEAD * self._workers:
            batch = [self.singles.popleft()] if self.singles else next(self.batches, None)
            if batch is None:
                return
            future = self.client.submit(run_batch, folder, package_version(), batch, pure=False)
            self.under_way[future.key] = batch
            futures.add(future)

    def _take(self, future: Future) -> None:
        batch = self.under_way.pop(future.key)
        if future.status == "finished":
            self.report(len(batch), future.result())
            return
        error = future.exception()
        if not isinstance(error, KilledWorker):
            raise error if isinstance(error, Exception) else RuntimeError(str(error))
        if len(batch) > 1:  # each is tried again by itself, to find the one that kills
            waiting = [task for task in batch if not self.store.has(task.slot)]
            self.singles.extend(waiting)
            self.report(len(batch) - len(waiting), 0)
            return
        reason = "every worker that took it died, perhaps for want of memory"
        self.store.write(TaskOutcome.failure(batch[0].slot, reason))
        self.report(1, 1)


def run_batch(folder: str, version: str, tasks: list[TaskInput]) -> int:
    """Do, on a worker, tasks that are not done yet, and store each as soon as it is.

    Parameters
    ----------
    folder
        The store.
    version
        Of the package on the client; the worker's must be the same.
    tasks
        Best in an order in which neighbours share operating points.

    Returns
    -------
    int
        How many failed.

    Raises
    ------
    FailedError
        The store cannot be written, or the versions differ.
    """
    if package_version() != version:
        raise FailedError(
            f"a worker has hybridopt {package_version()}, not {version}; install the same on all"
        )
    with _ALONE, warnings.catch_warnings():
        warnings.simplefilter("ignore", InputWarning)
        one_thread()
        warm_kernels()
        store = StudyStore(Path(folder))
        waiting = [task for task in tasks if not store.has(task.slot)]
        failed: list[int] = []
        executor = SerialExecutor(store.write)
        executor.run(waiting, len(waiting), lambda _, more: failed.append(more))
        return sum(failed)


def one_thread() -> None:
    """Let kernels of this thread use one thread: there is one worker per core."""
    import numba

    numba.set_num_threads(1)


@functools.cache
def warm_kernels() -> None:
    """Compile or load all kernels of a solve once per process, by a very small one."""
    settings = Settings(soc_points=11, splits=5)
    solve_cycle(read_cycle("ece15").cut(0, 20), read_driveline("full"), settings)


def _check_workers(client: Client, store: StudyStore) -> None:
    """See that every worker has this package in this version and sees the store.

    Raises
    ------
    FailedError
        One does not.
    """
    token = secrets.token_hex(16)
    path = store.pieces / f".token-{token}"
    path.write_text(token)
    try:
        answers = client.run(_version_and_text, str(path))
    except ModuleNotFoundError as error:
        raise FailedError(
            f"a worker lacks {error.name}; install hybridopt[cluster] there"
        ) from None
    finally:
        path.unlink()
    for address, (version, found) in answers.items():
        if version != package_version():
            raise FailedError(
                f"worker {address} has hybridopt {version}, not {package_version()}; install the "
                "same on all"
            )
        if found != token:
            raise FailedError(
                f"worker {address} does not see {store.folder}; give a --store on a disk that all "
                "share"
            )


def _version_and_text(path: str) -> tuple[str, str]:
    """Return, on a worker, its version of the package and what it reads in a file."""
    try:
        return package_version(), Path(path).read_text(encoding="ascii")
    except OSError:
        return package_version(), ""
