"""Measures studies on a quiet machine: parallel efficiency, cost per task, gain of shared work.

Run it from the repository: `python tests/bench/study_efficiency.py`. It does a study of 500
variants over WLTC class 3b with one worker and with one per core, in one run, and gives their
ratio; `--small` is a check that takes less than a minute and whose times mean nothing.
"""

import argparse
import contextlib
import json
import math
import os
import pickle
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import wait
from pathlib import Path
from typing import Any

import cloudpickle
import numpy as np
from distributed import Client, LocalCluster

from hybridopt.base.platform import usable_cores
from hybridopt.study.batches import MAX_BATCH, BatchExecutor, Team
from hybridopt.study.cluster import ClusterTeam
from hybridopt.study.estimate import task_memory
from hybridopt.study.plan import StudyPlan, read_plan
from hybridopt.study.results import read_results, study_status
from hybridopt.study.run import RunProgress, run_study, waiting_tasks
from hybridopt.study.store import StudyStore
from hybridopt.study.tasks import TaskInput, TaskSolver, package_version
from hybridopt.study.workers import LocalTeam, one_thread, run_batch, warm_kernels
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
"battery.capacity_Ah" = [3, 12]
"settings.start_cost_g" = [0, 0.5]
"scale.motor" = {low = 0.6, high = 1.5, count = 3}
"""
MILLION, MANY_CORES = 1_000_000, 1_000


Values = dict[str, Any]


def timed_run(plan: StudyPlan, folder: Path, workers: int) -> Values:
    """Do a study in a new store; return seconds without and with the start of the workers."""
    began = time.perf_counter()
    store = StudyStore.create(folder)
    with store.locked(), LocalTeam(workers) as team:
        wait([team.submit(_ready) for _ in range(workers)])
        ready = time.perf_counter()
        run_study(plan, waiting_tasks(plan, store), BatchExecutor(team, store), _show)
        done = time.perf_counter()
    sys.stderr.write("\n")
    status = study_status(plan, store, folder)
    assert status.waiting == status.failed == 0, status
    return {
        "workers": workers,
        "tasks": status.total,
        "seconds": done - ready,
        "seconds_with_start": done - began,
        "task_seconds": status.seconds,
        "digest": status.digest,
    }


def _ready() -> None:
    """Occupy a worker until all are there, each with its kernels."""
    _warm()
    time.sleep(2.0)


def _warm() -> None:
    one_thread()
    warm_kernels()


def _show(progress: RunProgress) -> None:
    sys.stderr.write(f"\r{pace_text(progress)} ")


def shared_work(plan: StudyPlan, tasks: int) -> Values:
    """Return seconds per task with and without shared operating points, measured in turn."""
    first = plan.tasks[0].points_digest
    alike = [plan.task_input(task) for task in plan.tasks if task.points_digest == first]
    solver = TaskSolver()
    pairs = [(_seconds(solver, task), _seconds(TaskSolver(), task)) for task in alike[:tasks]]
    together, alone = np.mean(pairs, axis=0).tolist()
    return {
        "task_seconds_shared": together,
        "task_seconds_alone": alone,
        "shared_gain": alone / together,
    }


def _seconds(solver: TaskSolver, task: TaskInput) -> float:
    began = time.perf_counter()
    solver.solve(task)
    return time.perf_counter() - began


@contextlib.contextmanager
def one_of_a_cluster() -> Iterator[ClusterTeam]:
    """Give one worker behind a scheduler, each a process of this machine."""
    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster:
        with Client(cluster) as client:
            yield ClusterTeam(client, cluster.scheduler_address)


def scheduler_overhead(plan: StudyPlan, batches: int) -> Values:
    """Return seconds that client and scheduler spend on a batch, and a worker around its tasks.

    The batch holds as many tasks as a run sends at most; none of them is done.
    """
    tasks = [plan.task_input(task) for task in plan.tasks[:MAX_BATCH]]
    with tempfile.TemporaryDirectory() as folder, one_of_a_cluster() as team:
        store = StudyStore.create(Path(folder) / "empty.results")
        arguments = str(store.folder), package_version(), cloudpickle.dumps([])
        team.submit(run_batch, *arguments).result()
        return {
            "scheduler_seconds_per_batch": _batch_seconds(team, batches, len, tasks),
            "worker_seconds_per_batch": _batch_seconds(team, batches, run_batch, *arguments),
        }


def _batch_seconds(team: Team, batches: int, work: Callable[..., Any], *given: Any) -> float:
    began = time.perf_counter()
    wait([team.submit(work, *given) for _ in range(batches)])
    return (time.perf_counter() - began) / batches


def client_work(path: Path, store: Path) -> Values:
    """Return seconds per task to plan it, to make it ready to be sent and to read its results.

    The bytes of a task when it is sent, in files and on the disk come with them.
    """
    began = time.perf_counter()
    plan = read_plan(path)
    planned = time.perf_counter()
    sizes = [len(pickle.dumps([plan.task_input(task)])) for task in plan.tasks]
    ready = time.perf_counter()
    read_results(plan, StudyStore(store))
    read = time.perf_counter()
    files = [path.stat() for path in store.rglob("*") if path.is_file()]
    totals = {
        "plan_seconds_per_task": planned - began,
        "send_seconds_per_task": ready - planned,
        "send_bytes_per_task": sum(sizes),
        "read_seconds_per_task": read - ready,
        "file_bytes_per_task": sum(file.st_size for file in files),
        "disk_bytes_per_task": sum(512 * file.st_blocks for file in files),
    }
    return {name: total / len(plan.tasks) for name, total in totals.items()}


def measure(small: bool, folder: Path) -> Values:
    """Return all values."""
    path, stores = folder / "study.toml", [folder / "one.results", folder / "all.results"]
    path.write_text(SMALL if small else FULL)
    plan = read_plan(path)
    many = max(usable_cores(), 2)
    one, all_cores = (timed_run(plan, *given) for given in zip(stores, (1, many), strict=True))
    assert one["digest"] == all_cores["digest"], "the results depend on the number of workers"
    _warm()
    whole, started = (one[n] / (many * all_cores[n]) for n in ("seconds", "seconds_with_start"))
    return {
        "tasks": one["tasks"],
        "one_worker": one,
        "all_workers": all_cores,
        "efficiency_percent": 100.0 * whole,
        "efficiency_with_start_percent": 100.0 * started,
        "task_array_bytes": task_memory(plan, plan.tasks),
        **shared_work(plan, 4 if small else 20),
        **client_work(path, stores[1]),
        **scheduler_overhead(plan, 50 if small else 1000),
    }


def on_paper(values: Values) -> Values:
    """Return what a million tasks on a thousand cores would take, from the values per task."""
    task, batch = values["task_seconds_shared"], values["scheduler_seconds_per_batch"]
    client = values["send_seconds_per_task"] + batch / MAX_BATCH  # the batch is serialised in it
    return {
        "core_hours": MILLION * task / 3600,
        "hours_of_solving": MILLION * task / MANY_CORES / 3600,
        "hours_of_planning": MILLION * values["plan_seconds_per_task"] / 3600,
        "hours_client_and_scheduler": MILLION * client / 3600,
        "cores_that_one_scheduler_feeds": math.floor(task / client),
        "hours_of_reading": MILLION * values["read_seconds_per_task"] / 3600,
        "disk_GB": MILLION * values["disk_bytes_per_task"] / 1e9,
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
