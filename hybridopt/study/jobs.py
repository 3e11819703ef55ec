"""What a worker does: solve or drive tasks one after the other, and store each when it is done."""

import functools
import hashlib
import threading
import time
import warnings
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from ..base.errors import FailedError, HybridoptError, InputError
from ..base.warning import InputWarning
from ..controllers.builtin import BuiltIn
from ..evaluation.case import Case
from ..evaluation.tuning import tune
from ..inputs.cycle import Cycle, read_cycle
from ..inputs.driveline_file import read_driveline
from ..optimum.optimum import Optimum
from ..optimum.result import Result
from ..pipeline import Prepared, find_optimum, prepare, solve_cycle
from ..problem.settings import Settings
from .store import Store
from .study_file import OPTIMUM
from .values import DONE, FAILED, controller_outcome, figure_row, optimum_outcome
from .variant import Variant

_ALONE = threading.Lock()  # one task at a time in a process: kernels are not to run side by side


@dataclass(frozen=True, eq=False)
class Job:
    """A task with all that a worker needs for it.

    Attributes
    ----------
    slot : where its results go
    variant : None where it could not be made
    problem : why not
    cycle : what is driven
    run, controller : "optimum" and None, or a controller's name and itself
    bound : whether the optimum comes with its bound
    traces : variables that are kept for every step
    evaluations, seed : of the tuning; 0 evaluations do not tune
    points_digest : jobs of one value share demand and operating points
    """

    slot: int
    variant: Variant | None
    problem: str
    cycle: Cycle
    run: str
    controller: Any
    bound: bool
    traces: tuple[str, ...]
    evaluations: int
    seed: int
    points_digest: bytes


@dataclass(frozen=True)
class Finished:
    """What a worker tells of a job: failed or not, and how long it took, s."""

    slot: int
    failed: bool
    seconds: float


def run_jobs(folder: str, version: str, jobs: list[Job]) -> list[Finished]:
    """Do jobs that are not done yet, and store each as soon as it is.

    Parameters
    ----------
    folder
        The store.
    version
        Of the package on the client; the worker's must be the same.
    jobs
        Best in an order in which neighbours share operating points.

    Raises
    ------
    FailedError
        The store cannot be written, or the versions differ. A job that fails raises nothing: the
        reason is stored.
    """
    if package_version() != version:
        raise FailedError(
            f"a worker has hybridopt {package_version()}, not {version}; install the same on all"
        )
    with _ALONE, warnings.catch_warnings():
        warnings.simplefilter("ignore", InputWarning)
        one_thread()
        warm_kernels()
        store = Store(Path(folder))
        shared = Shared()
        return [_run(job, shared, store) for job in jobs if not store.has(job.slot)]


@functools.cache
def package_version() -> str:
    """Return version and digest of the code, which are a part of every task's digest.

    With other code a task is another task. What only reads logs, shows or writes does not count.
    """
    root, digest = Path(__file__).parents[1], hashlib.sha256()
    for file in sorted(root.rglob("*.py")):
        if file.relative_to(root).parts[0] not in ("cli", "output", "measurements"):
            digest.update(file.relative_to(root).as_posix().encode() + file.read_bytes())
    return f"{metadata.version('hybridopt')}+{digest.hexdigest()[:12]}"


def one_thread() -> None:
    """Let kernels of this thread use one thread: there is one worker per core."""
    import numba

    numba.set_num_threads(1)


@functools.cache
def warm_kernels() -> None:
    """Compile or load all kernels of a solve once per process, by a very small one."""
    settings = Settings(soc_points=11, splits=5)
    solve_cycle(read_cycle("ece15").cut(0, 20), read_driveline("full"), settings)


def _run(job: Job, shared: "Shared", store: Store) -> Finished:
    began = time.perf_counter()
    reason, traces = "", {}
    figures: dict[str, float] = {"status": DONE}
    try:
        found, result = shared.outcome(job)
        figures |= found
        traces = {name: result.dataset[name].values for name in job.traces}
    except HybridoptError as error:
        reason = str(error)
    except MemoryError:
        reason = "the memory of the worker ran out"
    except Exception as error:  # whatever it is, the other variants go on
        reason = f"unexpected {type(error).__name__}: {' '.join(str(error).split())}"
    if reason:
        figures = {"status": FAILED}
    seconds = time.perf_counter() - began
    store.write(job.slot, figure_row(figures | {"seconds": seconds}), reason, traces)
    return Finished(job.slot, bool(reason), seconds)


class Shared:
    """Remembers the most recent operating points and solution, for neighbours that share them."""

    def __init__(self) -> None:
        self._points: tuple[bytes, Prepared | None] = b"", None
        self._case: Case | None = None
        self._solved_digest = b""

    def outcome(self, job: Job) -> tuple[dict[str, float], Result]:
        """Return figures and result of a job.

        Raises
        ------
        HybridoptError
            The variant cannot be solved or driven.
        """
        if job.variant is None:
            raise InputError(job.problem)
        if job.run == OPTIMUM and (not job.bound or job.variant.settings.corridor):
            return optimum_outcome(self._optimum(job, job.variant, job.bound, keep_value=False))
        case = self._solved(job, job.variant)
        if job.run == OPTIMUM:
            return optimum_outcome(case.optimum)
        controller = job.controller
        if isinstance(controller, BuiltIn) and job.evaluations:
            controller = tune(controller, [case], job.evaluations, job.seed).controller
        return controller_outcome(case, job.run, controller)

    def _solved(self, job: Job, variant: Variant) -> Case:
        """Return a variant's solution with its bound, which all its runs share."""
        digest = variant.digest + job.cycle.sha256.encode()
        if self._case is None or self._solved_digest != digest:
            self._case = None  # frees the old one before the new one is made
            self._case = Case(self._optimum(job, variant, bound=True))
            self._solved_digest = digest
        return self._case

    def _optimum(self, job: Job, variant: Variant, bound: bool, keep_value: bool = True) -> Optimum:
        driveline = variant.driveline()
        settings = variant.settings.resolved(driveline)
        if self._points[0] != job.points_digest:
            self._points = b"", None
            self._points = job.points_digest, prepare(job.cycle, driveline, settings)
        return find_optimum(
            job.cycle,
            driveline,
            settings,
            bound=bound,
            prepared=self._points[1],
            keep_value=keep_value,
        )
