"""What a run would take, before it is started: tasks, memory and time."""

import time
from dataclasses import dataclass

from ..base.errors import HybridoptError
from ..pipeline import plan_memory
from .jobs import Job, Shared, one_thread, warm_kernels
from .plan import StudyPlan, Task
from .results import read_results
from .store import Store
from .values import DONE

TRIALS = 3  # tasks of each run that are tried where nothing was measured yet


@dataclass(frozen=True)
class Estimate:
    """What a run would take.

    Attributes
    ----------
    total, waiting : different tasks of the study, and those not done yet
    shared : sets of operating points that the waiting tasks need
    task_bytes : arrays of the largest task
    task_seconds : mean time of a waiting task on one core; NaN where nothing could be tried
    measured : how many tasks that time comes from
    """

    total: int
    waiting: int
    shared: int
    task_bytes: float
    task_seconds: float
    measured: int


def task_memory(plan: StudyPlan, tasks: list[Task]) -> float:
    """Return the bytes of arrays that the largest of some tasks keeps."""
    most, seen = 0.0, set()
    for task in tasks:
        if task.values in plan.problems:
            continue
        variant = plan.variants.variant(task.values)
        parts, settings = variant.parts, variant.settings
        maps = parts.motor.loss_map["torque"].size, parts.engine.fuel_map["torque"].size
        size = (
            task.cycle,
            settings.soc_points,
            settings.splits,
            settings.memory_limit,
            parts.gearbox.gears,
            *maps,
        )
        if size not in seen:
            seen.add(size)
            cycle = plan.study.cycles[task.cycle]
            most = max(most, plan_memory(cycle, parts, settings).needed)
    return most


def estimate(plan: StudyPlan, store: Store | None) -> Estimate:
    """Return what a run would take, from tasks already done, or else from a few tried now."""
    different = list({task.digest: task for task in plan.tasks}.values())
    waiting = different
    if store:
        places, done = store.places(), store.done()
        waiting = [task for task in different if places.get(task.digest) not in done]
    seconds, measured = _measured(plan, store)
    if not measured and waiting:
        seconds, measured = _tried(plan, waiting)
    return Estimate(
        total=len(different),
        waiting=len(waiting),
        shared=len({task.points_digest for task in waiting}),
        task_bytes=task_memory(plan, waiting),
        task_seconds=seconds,
        measured=measured,
    )


def _measured(plan: StudyPlan, store: Store | None) -> tuple[float, int]:
    """Return the mean time of the tasks done, and their number."""
    results = read_results(plan, store)
    seconds = results["seconds"].values[results["status"].values == DONE]
    return (float(seconds.mean()), seconds.size) if seconds.size else (float("nan"), 0)


def _tried(plan: StudyPlan, waiting: list[Task]) -> tuple[float, int]:
    """Do a few tasks of every run here, and return the mean time, scaled by the steps.

    The tries are spread over the tasks of the shortest cycle; those that fail count nothing.
    """
    one_thread()
    warm_kernels()
    steps = [cycle.dt.size for cycle in plan.study.cycles]
    shortest = steps.index(min(steps))
    total, measured = 0.0, 0
    for run in range(len(plan.study.runs)):
        tasks = [task for task in waiting if task.run == run]
        tried = [task for task in tasks if task.cycle == shortest] or tasks
        picked = tried[:: max(len(tried) // TRIALS, 1)][:TRIALS]
        per_step = [s for s in (_per_step(plan.job(task, 0)) for task in picked) if s > 0.0]
        if per_step:
            mean = sum(per_step) / len(per_step)
            total += mean * sum(steps[task.cycle] for task in tasks)
            measured += len(per_step)
    return (total / len(waiting), measured) if measured else (float("nan"), 0)


def _per_step(job: Job) -> float:
    """Return the time a job takes per step, s; 0 where it fails."""
    began = time.perf_counter()
    try:
        Shared().outcome(job)
    except HybridoptError:
        return 0.0
    return (time.perf_counter() - began) / job.cycle.dt.size
