"""The tasks of a study: every variant on every cycle with every run, and what tells them apart."""

import functools
import hashlib
import json
import os.path
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import cloudpickle

from ..base.errors import InputError
from ..controllers.standard import names
from ..evaluation.case import OPTIMUM
from ..evaluation.sources import is_code, read_controller
from .parameters import Value, label, variant_values
from .study_file import Study, read_study
from .tasks import TaskInput, package_version
from .variant import VariantBuilder, file_digest

FORMAT = 2  # of the stored values; a task of another one is another task


class Task(NamedTuple):
    """One solve or drive of a study, as the study names it.

    Attributes
    ----------
    digest : SHA-256 of all that the outcome depends on; equal tasks are done once
    values : of the parameters
    cycle, run : positions in the study
    points_digest : tasks of one value share demand and operating points
    """

    digest: bytes
    values: tuple[Value, ...]
    cycle: int
    run: int
    points_digest: bytes


class StudyPlan:
    """All tasks of a study.

    Parameters
    ----------
    study
        From :func:`.study_file.read_study`.

    Attributes
    ----------
    tasks : by variant, cycle and run
    different : the first task of each digest, by digest
    problems : by values of the parameters, why a variant cannot be made
    controller : gives that of a run, None for the optimum; code of a user's file runs then only

    Raises
    ------
    InputError
        A parameter, a cycle or a controller is wrong.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.builder = VariantBuilder(study)
        self.problems: dict[tuple[Value, ...], str] = {}
        self.controller = functools.cache(functools.partial(_controller, study=study))
        self._runs = [self._run_digest(run) for run in study.runs]
        rows = variant_values(study.parameters, study.samples, study.seed)
        self.tasks = [task for values in rows for task in self._tasks(values)]
        self.different = {task.digest: task for task in reversed(self.tasks)}

    def _run_digest(self, run: str) -> str:
        study = self.study
        if run == OPTIMUM:
            return f"{OPTIMUM} {study.bound}"
        if run in names():
            return f"{run} {study.evaluations} {study.tuning_seed}"
        if not is_code(run):
            self.controller(run)  # refused now, if it is wrong
            return f"{file_digest(Path(run))} "
        place, _, name = run.rpartition(":")
        if not os.path.isfile(place):
            raise InputError(f"{study.path}: runs: {run}: the file {place} does not exist")
        return f"{file_digest(Path(place))} {name}"

    def _tasks(self, values: tuple[Value, ...]) -> list[Task]:
        try:
            variant = self.builder.variant(values)
            digest, points_digest = variant.digest, variant.points_digest
        except InputError as error:
            self.problems[values] = str(error)
            digest = points_digest = hashlib.sha256(f"{values} {error}".encode()).digest()
        version = package_version()
        tasks = []
        for i, cycle in enumerate(self.study.cycles):
            shared = _digest(points_digest, cycle.sha256)
            for j, run in enumerate(self._runs):
                whole = _digest(digest, cycle.sha256, run, self.study.traces, version, FORMAT)
                tasks.append(Task(whole, values, i, j, shared))
        return tasks

    def columns(self, tasks: Sequence[Task]) -> dict[str, list[Any]]:
        """Return what some tasks are: values of the parameters by path, `cycle` and `run`.

        Values of a parameter that has other than numbers are words.
        """
        study, columns = self.study, {}
        for i, parameter in enumerate(study.parameters):
            values = [task.values[i] for task in tasks]
            columns[parameter.path] = values if parameter.numeric else list(map(label, values))
        columns["cycle"] = [study.cycles[task.cycle].name for task in tasks]
        columns["run"] = [study.runs[task.run] for task in tasks]
        return columns

    def task_input(self, task: Task) -> TaskInput:
        """Return a task with all that is needed to do it."""
        study, run = self.study, self.study.runs[task.run]
        return TaskInput(
            digest=task.digest,
            variant=None if task.values in self.problems else self.builder.variant(task.values),
            problem=self.problems.get(task.values, ""),
            cycle=study.cycles[task.cycle],
            run=run,
            controller=self.controller(run),
            bound=study.bound,
            keeps_optimum=study.bound and set(study.runs) != {OPTIMUM},
            traces=study.traces,
            evaluations=study.evaluations if run in names() else 0,
            seed=study.tuning_seed,
            points_digest=task.points_digest,
        )


def read_plan(path: str | Path) -> StudyPlan:
    """Return all tasks of a study file; :func:`.read_study` and :class:`StudyPlan` name errors."""
    return StudyPlan(read_study(path))


def _controller(source: str, study: Study) -> Any:
    """Read a controller; code of a user's file is made ready to be sent by value."""
    if source == OPTIMUM:
        return None
    try:
        controller = read_controller(source)
    except InputError as error:
        raise InputError(f"{study.path}: runs: {error}") from None
    if is_code(source):
        home = controller if hasattr(controller, "__qualname__") else type(controller)
        cloudpickle.register_pickle_by_value(sys.modules[home.__module__])
    return controller


def _digest(first: bytes, *rest: Any) -> bytes:
    return hashlib.sha256(first + json.dumps(rest).encode()).digest()
