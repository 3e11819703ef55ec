"""Workers of an existing Dask cluster, by the address of its scheduler."""

import contextlib
import logging
import os
import secrets
import time
import warnings
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from distributed import Client
from distributed.scheduler import KilledWorker

from ..base.errors import FailedError
from ..base.warning import InputWarning
from .store import StudyStore
from .tasks import package_version
from .workers import WORKER_BYTES

PATIENCE = 30.0  # s


class ClusterTeam:
    """The workers of a scheduler. See :class:`.batches.Team`.

    Parameters
    ----------
    client
        Of the scheduler.
    address
        Of the scheduler, for messages.
    """

    death: type[Exception] = KilledWorker

    def __init__(self, client: Client, address: str) -> None:
        self.client, self.address = client, address
        self._pool = client.get_executor(pure=False)
        self._seen = time.monotonic()  # when there were workers

    @property
    def size(self) -> int:
        """How many workers there are, but at least 1."""
        return max(self._count(), 1)

    def submit(self, *call: Any) -> "Future[int]":
        """Have a worker call a function."""
        future: Future[int] = self._pool.submit(*call)
        return future

    def check(self) -> None:
        """Raise FailedError where the scheduler is gone, or has had no workers for a while."""
        if self._count():
            self._seen = time.monotonic()
        elif time.monotonic() - self._seen > PATIENCE:
            raise FailedError(
                f"--scheduler {self.address}: has had no workers for {PATIENCE:.0f} s; start some "
                "and run again to go on"
            )

    def _count(self) -> int:
        try:
            if self.client.status != "running":
                raise OSError
            ask = self.client.scheduler.ncores
            return len(self.client.sync(ask, callback_timeout=PATIENCE))
        except (OSError, RuntimeError):  # TimeoutError is one
            raise FailedError(f"--scheduler {self.address}: is gone; run again to go on") from None


@contextlib.contextmanager
def open_cluster(address: str, store: StudyStore, task_bytes: float) -> Iterator[ClusterTeam]:
    """Give the workers of a scheduler, all of which see the store.

    Raises
    ------
    FailedError
        The scheduler does not answer or has no workers, or one of them has too little memory,
        another version of this package, or does not see the store.
    """
    if not os.environ.get("HYBRIDOPT_DEBUG"):
        for name in list(logging.root.manager.loggerDict):
            if name.partition(".")[0] in ("distributed", "asyncio", "tornado"):
                logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    if not address.startswith("tls://"):
        warnings.warn(
            f"--scheduler {address}: is asked without TLS, so that whoever reaches it can run code "
            "as you, here and on its workers; start it with certificates and give tls://...",
            InputWarning,
            stacklevel=2,
        )
    try:
        client = Client(address, timeout=PATIENCE)
    except TypeError:  # TLS without certificates
        raise FailedError(
            f"--scheduler {address}: needs certificates; name them in Dask's configuration, "
            "distributed.comm.tls with ca-file, client.cert and client.key"
        ) from None
    except (OSError, ValueError) as error:
        words = " ".join(str(error).split())[:100] or type(error).__name__
        raise FailedError(f"--scheduler {address}: does not answer ({words})") from None
    with client:
        _check_memory(client, address, task_bytes)
        _check_workers(client, store)
        yield ClusterTeam(client, address)


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
