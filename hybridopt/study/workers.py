"""Workers on this machine: processes tied to this one by pipes alone, and what a worker does.

Nothing listens on a socket, so that nobody else can send them work.
"""

import contextlib
import functools
import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Any

import cloudpickle
import psutil

from ..base.errors import FailedError, InputError
from ..base.platform import usable_cores
from ..base.warning import InputWarning
from ..inputs.cycle import read_cycle
from ..inputs.driveline_file import read_driveline
from ..pipeline import solve_cycle
from ..problem.settings import Settings
from .store import StudyStore
from .tasks import SerialExecutor, package_version

WORKER_BYTES = 400e6  # of a worker process with all kernels, before its first task
MEMORY_SHARE = 0.8  # of the memory of this machine that is free
ENVIRONMENT = dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
ALONE = threading.Lock()  # one batch at a time in a process: kernels are not to run side by side


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


class LocalTeam:
    """Worker processes of this machine; dead ones are replaced. See :class:`.batches.Team`.

    Parameters
    ----------
    size
        How many.

    Raises
    ------
    FailedError
        They cannot be started.
    """

    death: type[Exception] = BrokenProcessPool

    def __init__(self, size: int) -> None:
        self.size = size
        warm_kernels()  # compiled once, the workers load them from the cache
        self._read_end, self._lifeline = multiprocessing.Pipe(duplex=False)
        self._pool = self._new_pool()

    def __enter__(self) -> "LocalTeam":
        """Return the team."""
        with self._until_closed():
            self._see_one_work()
        return self

    def __exit__(self, *_: Any) -> None:
        """End the workers, whatever they do."""
        self._lifeline.close()
        self._pool.shutdown(cancel_futures=True)
        self._read_end.close()

    def submit(self, *call: Any) -> "Future[int]":
        """Have a worker call a function; where one has died, all are started anew."""
        try:
            return self._start(*call)
        except BrokenProcessPool:
            self._pool.shutdown()
            self._pool = self._new_pool()
            self._see_one_work()
            return self._start(*call)

    def check(self) -> None:
        """Do nothing: where a worker dies, its future says so at once."""

    def _new_pool(self) -> ProcessPoolExecutor:
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.size, context, _begin, (self._read_end,))

    def _see_one_work(self) -> None:
        try:
            self._start(warm_kernels).result()
        except BrokenProcessPool:
            raise FailedError(
                "worker processes end as soon as they are started; see that there is memory for "
                "them, or ask for fewer --workers"
            ) from None

    def _start(self, *call: Any) -> "Future[Any]":
        with _environment(), _interrupts_later():  # a process may be started here
            return self._pool.submit(*call)

    @contextlib.contextmanager
    def _until_closed(self) -> Iterator[None]:
        try:
            yield
        except BaseException:
            self.__exit__()
            raise


@contextlib.contextmanager
def _environment() -> Iterator[None]:
    """Let processes that are started meanwhile use one thread each."""
    before = {name: os.environ.get(name) for name in ENVIRONMENT}
    os.environ.update(ENVIRONMENT)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextlib.contextmanager
def _interrupts_later() -> Iterator[None]:
    """Keep interrupts until the end, and for ever from processes that are started meanwhile.

    An interrupt at the terminal is for the client, which ends its workers.
    """
    if sys.platform == "win32":  # which has no signal masks
        yield
        return
    resource_tracker.ensure_running()  # or its start, later, would let interrupts through
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(lifeline: Any) -> None:
    """Make a new worker process end with the one that started it, and only with that."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(lifeline,), daemon=True).start()


def _end_with(lifeline: Any) -> None:
    with contextlib.suppress(EOFError, OSError):
        lifeline.recv_bytes()  # nothing is ever sent: the end is that the other side is gone
    os._exit(1)


def run_batch(folder: str, version: str, content: bytes) -> int:
    """Do, on a worker, tasks that are not done yet, and store each as soon as it is.

    Parameters
    ----------
    folder
        The store.
    version
        Of the package on the client; the worker's must be the same.
    content
        The tasks, pickled; best in an order in which neighbours share operating points.

    Returns
    -------
    int
        How many failed.

    Raises
    ------
    FailedError
        The store cannot be written, the versions differ, or a module is missing on the worker.
    """
    if package_version() != version:
        raise FailedError(
            f"a worker has hybridopt {package_version()}, not {version}; install the same on all"
        )
    with ALONE, warnings.catch_warnings():
        warnings.simplefilter("ignore", InputWarning)
        one_thread()
        warm_kernels()
        try:
            tasks = cloudpickle.loads(content)
        except ImportError as error:
            raise FailedError(
                f"a worker lacks the module {error.name}, which a controller of yours imports; "
                "install it there, or put it into the controller's file"
            ) from None
        store = StudyStore(Path(folder))
        waiting = [task for task in tasks if not store.has(task.digest)]
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
