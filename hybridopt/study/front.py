"""A study from Python: planned, solved, and its results opened."""

import importlib.util
import warnings
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..base.errors import InputError
from ..base.warning import InputWarning

if TYPE_CHECKING:
    import xarray as xr

    from .batches import BatchExecutor, Team
    from .cluster_devices import ClusterDeviceExecutor
    from .on_device import DeviceExecutor
    from .plan import StudyPlan
    from .run import RunProgress, ShowProgress
    from .store import StudyStore

NEEDED = ("cloudpickle", "scipy", "psutil")
GPU = "gpu"


def need_packages(*more: str) -> None:
    """See that the packages of the extra `cluster` are there, those of studies and some more.

    Raises
    ------
    InputError
        One is not.
    """
    for name in (*NEEDED, *more):
        if importlib.util.find_spec(name) is None:
            raise InputError(
                f"studies need the package {name}; install hybridopt with its extra: "
                'python -m pip install "hybridopt[cluster]"'
            )


def plan_study(path: str | Path) -> "StudyPlan":
    """Read a study file and list all its tasks.

    Parameters
    ----------
    path
        TOML file; cycles and drivelines that it names stand beside it.

    Returns
    -------
    StudyPlan
        One task per variant, cycle and run.

    Raises
    ------
    InputError
        The file, or one it names, is missing or wrong, or a package of the extra `cluster` is
        missing.
    """
    need_packages()
    from .plan import read_plan

    return read_plan(path)


def solve_study(
    plan: "StudyPlan",
    folder: str | Path | None = None,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    executor: str = "cpu",
    retry_failed: bool = False,
    show: "ShowProgress | None" = None,
) -> "xr.Dataset":
    """Do all tasks of a study that are not done yet, and return its results.

    Every task is stored as soon as it is done; whatever ends a run, the next one goes on there.

    Parameters
    ----------
    plan
        From :func:`plan_study`.
    folder
        Where results are kept; the study's file with `.results` as its suffix when not given.
    workers
        Processes to start on this machine; one per core when not given.
    scheduler
        Address of a Dask scheduler whose workers are used instead.
    retry_failed
        Try tasks again that failed before.
    executor
        "cpu", or "gpu": devices solve the optima, those of the scheduler's workers or of this
        machine; workers replay and store them. Without a device, or where one cannot take a task,
        it is solved on the CPU, and a warning says so.
    show
        Called with how far the run is, whenever a few tasks are done.

    Returns
    -------
    Dataset
        As from :func:`study_results`.

    Raises
    ------
    InputError
        The memory of this machine does not hold as many workers, or the folder holds something
        else.
    FailedError
        The folder cannot be written, or the scheduler does not answer. What is done stays done.

    Notes
    -----
    A script that starts workers does so below `if __name__ == "__main__":`, since they import it.
    """
    from .run import forget_failures, run_study, waiting_tasks
    from .store import StudyStore

    place = store_folder(plan.study.path, folder)
    store = StudyStore.create(place)
    with store.locked():
        if retry_failed:
            forget_failures(plan, store)
        if waiting := waiting_tasks(plan, store):
            for run in plan.study.runs:
                plan.controller(run)  # faults of the user's code come up before workers start
            from .batches import BatchExecutor

            with _team(plan, store, workers, scheduler) as team:
                rest = BatchExecutor(team, store)
                if executor == GPU:
                    _run_on_devices(plan, waiting, rest, show or _silent)
                else:
                    run_study(plan, waiting, rest, show or _silent)
    return study_results(plan, place)


def _run_on_devices(
    plan: "StudyPlan", waiting: list[Any], rest: "BatchExecutor", show: "ShowProgress"
) -> None:
    """Have devices solve optima; say which tasks were solved without one, and why."""
    from .run import run_study

    executor = _device_executor(rest)
    if executor is None:
        message = "no device with a driver and numba-cuda is here; all tasks are solved on the CPU"
        warnings.warn(message, InputWarning, stacklevel=3)
        run_study(plan, waiting, rest, show)
        return
    run_study(plan, waiting, executor, show)
    for reason, count in executor.on_cpu.most_common():
        message = f"{count} tasks were solved on the CPU: {reason}"
        warnings.warn(message, InputWarning, stacklevel=3)


def _device_executor(rest: "BatchExecutor") -> "DeviceExecutor | ClusterDeviceExecutor | None":
    """Return what has devices solve optima: those of a cluster's workers, or of this machine."""
    from ..optimum.batch import devices
    from .on_device import DeviceExecutor

    if client := getattr(rest.team, "client", None):  # of a cluster
        from .cluster_devices import ClusterDeviceExecutor, device_places

        if places := device_places(client):
            return ClusterDeviceExecutor(rest, client, places)
    return DeviceExecutor(rest) if devices() else None


def study_results(
    plan: "StudyPlan", folder: str | Path | None = None, goal: str = ""
) -> "xr.Dataset":
    """Open the results of a study.

    Parameters
    ----------
    plan
        From :func:`plan_study`.
    folder
        Where results are kept; the study's file with `.results` as its suffix when not given.
    goal
        Name of a value, such as "fuel_equal_g": only the tasks that have it are returned.

    Returns
    -------
    Dataset
        Over dim `task`, by variant, cycle and run: the values of every task, with the parameters,
        `cycle` and `run` as coordinates, and the traces kept over `step`. `status` is 1 where a
        task is done, 2 where it failed, and -1 where it waits and its values are NaN; `reason`
        says why a task failed.

    Raises
    ------
    InputError
        The folder holds something else, or no task has a value for the goal.
    """
    from .questions import finished
    from .results import read_results

    results = read_results(plan, open_store(store_folder(plan.study.path, folder)))
    return finished(results, goal) if goal else results


def _team(
    plan: "StudyPlan", store: "StudyStore", workers: int | None, scheduler: str | None
) -> "AbstractContextManager[Team]":
    """Return workers of this machine, or those of a scheduler."""
    from .estimate import task_memory
    from .workers import LocalTeam, local_workers

    memory = task_memory(plan, plan.tasks)
    if not scheduler:
        return LocalTeam(local_workers(workers, memory))
    need_packages("distributed")
    from .cluster import open_cluster

    return open_cluster(scheduler, store, memory)


def store_folder(path: Path, folder: str | Path | None) -> Path:
    """Return the folder of a study's results: the one given, or one beside its file."""
    old, new = path.with_suffix(".zarr"), path.with_suffix(".results")
    if folder is None and old.is_dir() and not new.exists():
        message = f"{old}: holds results of an earlier version of this package, which are not read"
        warnings.warn(message, InputWarning, stacklevel=2)
    return new if folder is None else Path(folder)


def open_store(folder: Path) -> "StudyStore | None":
    """Return the store of an earlier run, None where nothing was run."""
    from .store import StudyStore

    return StudyStore.opened(folder)


def _silent(progress: "RunProgress") -> None:
    """Show nothing."""
