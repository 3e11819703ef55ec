"""What a run would take, before it is started: tasks, memory and time."""

from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..evaluation.sources import is_code
from ..problem.settings import MIN_TIMES
from ..problem.size import plan_memory
from .plan import StudyPlan, Task
from .results import read_results
from .run import waiting_tasks
from .store import StudyStore
from .tasks import TaskSolver
from .values import DONE, VALUES
from .workers import one_thread, warm_kernels

TRIALS = 3  # variants that are tried where nothing was measured yet


@dataclass(frozen=True)
class RunEstimate:
    """What a run would take.

    Attributes
    ----------
    total, waiting : different tasks of the study, and those not done yet
    shared : sets of operating points that the waiting tasks need
    task_bytes : arrays of the largest task
    task_seconds : mean time of a waiting task on one core; NaN where nothing could be tried
    measured : how many tasks that time comes from
    workers : that do the tasks
    run_seconds : time of the run; NaN where that of a task is not known
    """

    total: int
    waiting: int
    shared: int
    task_bytes: float
    task_seconds: float
    measured: int
    workers: int
    run_seconds: float


def task_memory(plan: StudyPlan, tasks: list[Task]) -> float:
    """Return the bytes of arrays that the largest of some tasks keeps."""
    largest, seen = 0.0, set()
    for task in tasks:
        if task.values in plan.problems:
            continue
        variant = plan.builder.variant(task.values)
        parts = variant.parts
        try:
            settings = variant.settings.resolved(parts)
        except InputError:
            continue  # the task will fail with that reason
        size = (
            *(task.cycle, settings.soc_points, settings.splits, settings.memory_limit),
            *(getattr(settings, name) for name in MIN_TIMES),
            *(parts.start.span, parts.gearbox.gears),
            *(parts.motor.loss_map["torque"].size, parts.engine.fuel_map["torque"].size),
        )
        if size in seen:
            continue
        seen.add(size)
        try:
            memory = plan_memory(plan.study.cycles[task.cycle], parts, settings)
        except InputError:
            continue
        largest = max(largest, memory.needed)
    return largest


def estimate_run(plan: StudyPlan, store: StudyStore | None, workers: int) -> RunEstimate:
    """Return what a run would take, from tasks already done, or else from a few tried now."""
    waiting, results = waiting_tasks(plan, store), read_results(plan, store)
    known = results["seconds"].values[results["status"].values == DONE]
    seconds, measured = float(np.mean(known)) if known.size else np.nan, known.size
    if not measured and waiting:
        seconds, measured = _tried(plan, waiting)
    return RunEstimate(
        total=len(plan.different),
        waiting=len(waiting),
        shared=len({task.points_digest for task in waiting}),
        task_bytes=task_memory(plan, waiting),
        task_seconds=seconds,
        measured=measured,
        workers=workers,
        run_seconds=len(waiting) * seconds / workers,
    )


def _tried(plan: StudyPlan, waiting: list[Task]) -> tuple[float, int]:
    """Do a few variants with all their runs here; return the mean time of a task, and how many.

    Times are scaled by the steps; what fails counts nothing. As in a run, one solver does them in
    order, so that runs share an optimum; the first variant is done once before, uncounted, since
    it compiles or loads the kernels of its controllers. Code of the user is not run: tasks with it
    are taken to last as long as the others.
    """
    one_thread()
    warm_kernels()
    steps = [cycle.dt.size for cycle in plan.study.cycles]
    tame = [task for task in waiting if not is_code(plan.study.runs[task.run])]
    if not tame:
        return float("nan"), 0
    shortest = min((task.cycle for task in tame), key=lambda cycle: steps[cycle])
    variants: dict[object, list[Task]] = {}
    for task in tame:
        if task.cycle == shortest:
            variants.setdefault(task.values, []).append(task)
    picked = list(variants.values())[:: max(len(variants) // TRIALS, 1)][:TRIALS]
    _timed(plan, picked[0])
    times: dict[int, list[float]] = {}
    for run, seconds in _timed(plan, [task for tasks in picked for task in tasks]):
        times.setdefault(run, []).append(seconds / steps[shortest])
    known = {run: float(np.mean(per_step)) for run, per_step in times.items()}
    if not known:
        return float("nan"), 0
    timed = [known[task.run] * steps[task.cycle] for task in waiting if task.run in known]
    return float(np.mean(timed)), sum(map(len, times.values()))


def _timed(plan: StudyPlan, tasks: list[Task]) -> list[tuple[int, float]]:
    """Do some tasks with one solver; return run and seconds of those that do not fail."""
    solver, seconds = TaskSolver(), list(VALUES).index("seconds")
    outcomes = [(task.run, solver.outcome(plan.task_input(task))) for task in tasks]
    return [(run, outcome.row[seconds]) for run, outcome in outcomes if not outcome.reason]
