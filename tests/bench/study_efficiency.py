"""Measures studies on a quiet machine: parallel efficiency, cost per task, gain of shared work.

Run it from the repository: `python tests/bench/study_efficiency.py`. It does a study of 500
variants over WLTC class 3b with one worker and with one per core, in one run, and gives their
ratio; `--small` is a check that takes less than a minute and whose times mean nothing.
"""

import argparse
import json
import math
import os
import pickle
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from distributed import Client

from hybridopt.base.platform import usable_cores
from hybridopt.study.cluster import (
    MAX_BATCH,
    DaskExecutor,
    one_thread,
    open_client,
    run_batch,
    warm_kernels,
)
from hybridopt.study.estimate import task_memory
from hybridopt.study.plan import StudyPlan
from hybridopt.study.results import read_results, study_status
from hybridopt.study.run import RunProgress, run_study
from hybridopt.study.store import StudyStore
from hybridopt.study.study_file import read_study
from hybridopt.study.tasks import TaskInput, TaskSolver, package_version
from hybridopt.text.pace import pace_text

FULL = """
cycles = ["wltc_class3b"]
bound = false
[parameters]
"battery.capacity_Ah" = {low = 3, high = 12, count = 10}
"settings.start_cost_g" = {low = 0, high = 1, count = 5}
"scale.motor" = {low = 0.6, high = 1.5, count = 10}
"""
SMALL = """
cycles = ["ece15"]
bound = false
[settings]
soc_points = 201
splits = 15
[parameters]
"battery.capacity_Ah" = {low = 3, high = 12, count = 4}
"settings.start_cost_g" = [0, 0.5]
"scale.motor" = {low = 0.6, high = 1.5, count = 4}
"""
MILLION, MANY_CORES = 1_000_000, 1_000


@dataclass(frozen=True)
class Timed:
    """A whole run: workers, tasks, seconds without and with the start of the workers."""

    workers: int
    tasks: int
    seconds: float
    seconds_with_start: float
    task_seconds: float
    digest: str


def timed_run(plan: StudyPlan, folder: Path, workers: int) -> Timed:
    """Do a study in a new store."""
    began = time.perf_counter()
    with open_client(None, workers, task_memory(plan, plan.tasks)) as client:
        client.wait_for_workers(workers)
        client.run(_warm)
        ready = time.perf_counter()
        store = StudyStore.create(folder)
        run_study(plan, store, DaskExecutor(client, store), _show)
        done = time.perf_counter()
    sys.stderr.write("\n")
    status = study_status(plan, store, folder)
    assert status.waiting == status.failed == 0, status
    return Timed(workers, status.total, done - ready, done - began, status.seconds, status.digest)


def _warm() -> None:
    one_thread()
    warm_kernels()


def _show(progress: RunProgress) -> None:
    sys.stderr.write(f"\r{pace_text(progress)} ")


def shared_gain(plan: StudyPlan, tasks: int) -> tuple[float, float]:
    """Return seconds per task with and without shared operating points, measured in turn."""
    first = plan.tasks[0].points_digest
    alike = [plan.task_input(task, 0) for task in plan.tasks if task.points_digest == first]
    together, alone = 0.0, 0.0
    solver = TaskSolver()
    for task in alike[:tasks]:
        together += _seconds(solver, task)
        alone += _seconds(TaskSolver(), task)
    return together / len(alike[:tasks]), alone / len(alike[:tasks])


def _seconds(solver: TaskSolver, task: TaskInput) -> float:
    began = time.perf_counter()
    solver.solve(task)
    return time.perf_counter() - began


def scheduler_overhead(plan: StudyPlan, batches: int) -> tuple[float, float]:
    """Return seconds that client and scheduler spend on a batch, and a worker around its tasks.

    The batch holds as many tasks as a run sends at most; none of them is done.
    """
    tasks = [plan.task_input(task, 0) for task in plan.tasks[:MAX_BATCH]]
    with tempfile.TemporaryDirectory() as folder, open_client(None, 1, 0.0) as client:
        store = StudyStore.create(Path(folder) / "empty.zarr")
        arguments = str(store.folder), package_version(), []
        client.submit(run_batch, *arguments, pure=False).result()
        sent = _batch_seconds(client, batches, len, tasks)
        opened = _batch_seconds(client, batches, run_batch, *arguments)
    return sent, opened


def _batch_seconds(client: Client, batches: int, work: Callable[..., Any], *given: Any) -> float:
    began = time.perf_counter()
    client.gather([client.submit(work, *given, pure=False) for _ in range(batches)])
    return (time.perf_counter() - began) / batches


def bytes_per_task(folder: Path, tasks: int) -> tuple[float, float]:
    """Return bytes in files and on the disk per task."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    return (
        sum(path.stat().st_size for path in files) / tasks,
        sum(512 * path.stat().st_blocks for path in files) / tasks,
    )


def client_seconds(text: str, folder: Path) -> tuple[float, float, float]:
    """Return seconds per task to plan it and to make it ready to be sent, and its bytes then."""
    path = folder / "client.toml"
    path.write_text(text)
    began = time.perf_counter()
    plan = StudyPlan(read_study(path))
    planned = time.perf_counter()
    sizes = [len(pickle.dumps([plan.task_input(task, 0)])) for task in plan.tasks]
    ready = time.perf_counter()
    count = len(plan.tasks)
    return (planned - began) / count, (ready - planned) / count, sum(sizes) / count


def measure(small: bool, folder: Path) -> dict[str, object]:
    """Return all values."""
    text = SMALL if small else FULL
    path = folder / "study.toml"
    path.write_text(text)
    plan = StudyPlan(read_study(path))
    many = max(usable_cores(), 2)
    one = timed_run(plan, folder / "one.zarr", 1)
    all_cores = timed_run(plan, folder / "all.zarr", many)
    assert one.digest == all_cores.digest, "the results depend on the number of workers"
    one_thread()
    warm_kernels()
    together, alone = shared_gain(plan, 4 if small else 20)
    plan_s, job_s, job_bytes = client_seconds(text, folder)
    batch_s, opening_s = scheduler_overhead(plan, 50 if small else 1000)
    began = time.perf_counter()
    read_results(plan, StudyStore(folder / "all.zarr"))
    read_s = (time.perf_counter() - began) / all_cores.tasks
    in_files, on_disk = bytes_per_task(folder / "all.zarr", all_cores.tasks)
    return {
        "tasks": one.tasks,
        "one_worker": asdict(one),
        "all_workers": asdict(all_cores),
        "efficiency_percent": 100.0 * one.seconds / (many * all_cores.seconds),
        "efficiency_with_start_percent": 100.0
        * one.seconds_with_start
        / (many * all_cores.seconds_with_start),
        "task_array_bytes": task_memory(plan, plan.tasks),
        "task_seconds_shared": together,
        "task_seconds_alone": alone,
        "shared_gain": alone / together,
        "plan_seconds_per_task": plan_s,
        "send_seconds_per_task": job_s,
        "send_bytes_per_task": job_bytes,
        "scheduler_seconds_per_batch": batch_s,
        "worker_seconds_per_batch": opening_s,
        "read_seconds_per_task": read_s,
        "file_bytes_per_task": in_files,
        "disk_bytes_per_task": on_disk,
    }


def on_paper(values: dict[str, object], per_batch: int = MAX_BATCH) -> dict[str, float]:
    """Return what a million tasks on a thousand cores would take, from the values per task."""
    task = float(values["task_seconds_shared"])  # type: ignore[arg-type]
    plan, send, read, batch = (
        float(values[name])  # type: ignore[arg-type]
        for name in (
            "plan_seconds_per_task",
            "send_seconds_per_task",
            "read_seconds_per_task",
            "scheduler_seconds_per_batch",
        )
    )
    client = send + batch / per_batch  # the batch is serialised in this time
    return {
        "core_hours": MILLION * task / 3600,
        "hours_of_solving": MILLION * task / MANY_CORES / 3600,
        "hours_of_planning": MILLION * plan / 3600,
        "hours_client_and_scheduler": MILLION * client / 3600,
        "cores_that_one_scheduler_feeds": math.floor(task / client),
        "hours_of_reading": MILLION * read / 3600,
        "disk_GB": MILLION * float(values["disk_bytes_per_task"]) / 1e9,  # type: ignore[arg-type]
        "files": MILLION,
    }


def main() -> int:
    """Measure and print; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true", help="a check; its times mean nothing")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all values to FILE")
    options = parser.parse_args()
    load = os.getloadavg()[0]
    if not options.small and load > 0.3:
        sys.stderr.write(f"warning: the machine is busy (load {load:.1f}); wait for a quiet one\n")
    with tempfile.TemporaryDirectory() as folder:
        values = measure(options.small, Path(folder))
    values |= {"load_before": load, "million_on_1000_cores": on_paper(values)}
    sys.stdout.write(json.dumps(values, indent=1) + "\n")
    if options.json:
        options.json.write_text(json.dumps(values, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
