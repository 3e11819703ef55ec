"""Workers through Dask: processes of this machine, or an existing cluster by its scheduler."""

import contextlib
import logging
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

import dask
import psutil
from distributed import Client, LocalCluster

from ..base.errors import FailedError, InputError
from ..base.platform import usable_cores
from .jobs import package_version, warm_kernels

WORKER_BYTES = 400e6  # of a worker process with all kernels, before its first task
MEMORY_SHARE = 0.8  # of the memory of this machine that is free
PATIENCE = "30s"
DEAF = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)"
"""Run in workers: an interrupt at the terminal is for the client, which ends them."""
WORKER_ENVIRONMENT = {
    **dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1"),
    "DASK_LOGGING__DISTRIBUTED": "critical",
}


def affordable_workers(task_bytes: float) -> int:
    """Return how many workers the free memory of this machine holds, none at the least."""
    free = MEMORY_SHARE * psutil.virtual_memory().available
    return int(free // (WORKER_BYTES + task_bytes))


def local_workers(wanted: int | None, task_bytes: float) -> int:
    """Return the number of workers to start here: one per core, or fewer where memory is short.

    Raises
    ------
    InputError
        The memory does not hold as many as were asked for.
    """
    room = affordable_workers(task_bytes)
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
        raise FailedError(f"--scheduler {scheduler}: does not answer ({_words(error)})") from None
    with client:
        _need_workers(client, scheduler, task_bytes)
        yield client


def _need_workers(client: Client, scheduler: str, task_bytes: float) -> None:
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


def check_workers(client: Client, folder: Path) -> None:
    """See that every worker has this package in this version and sees the store.

    Raises
    ------
    FailedError
        One does not.
    """
    token = secrets.token_hex(16)
    path = folder / "figures" / f".token-{token}"
    path.write_text(token, encoding="ascii")
    try:
        answers = client.run(_facts, str(path))
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
                f"worker {address} does not see {folder}; give a --store on a disk that all share"
            )


def _facts(path: str) -> tuple[str, str]:
    """Return, on a worker, its version of the package and what it reads in a file."""
    try:
        return package_version(), Path(path).read_text(encoding="ascii")
    except OSError:
        return package_version(), ""


def _words(error: Exception) -> str:
    return " ".join(str(error).split())[:100] or type(error).__name__
