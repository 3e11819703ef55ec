"""The results of a study as one xarray Dataset, and their digest."""

import hashlib
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from ..base.cautions import CAUTION
from ..base.nomenclature import STEP_VARIABLES
from .parameters import label
from .plan import StudyPlan
from .store import Store
from .values import DONE, FAILED, FIGURES, WAITING


def read_results(plan: StudyPlan, store: Store | None) -> xr.Dataset:
    """Return the results of all tasks of a study.

    Parameters
    ----------
    plan
        All tasks.
    store
        Where results are; None where there is no store yet.

    Returns
    -------
    Dataset
        Over the dim `task`, by variant, cycle and run: the variables of
        :data:`.figures.FIGURES`, `reason` of failures, and the traces that the study keeps, over
        `step`. Coordinates are the parameters by their path, `cycle`, `run` and `digest`. Where a
        task waits, `status` is -1 and the figures are NaN.
    """
    study, tasks = plan.study, plan.tasks
    places = store.places() if store else {}
    slots = np.array([places.get(task.digest, -1) for task in tasks], dtype=np.int64)
    figures = np.full((len(tasks), len(FIGURES)), np.nan)
    if store:
        figures[slots >= 0] = store.figures()[slots[slots >= 0]]
    data = xr.Dataset(coords=_coordinates(plan))
    for i, (name, quantity) in enumerate(FIGURES.items()):
        data[name] = (
            "task",
            figures[:, i],
            {"units": quantity.unit, "long_name": quantity.meaning},
        )
    status = np.where(np.isnan(figures[:, 0]), WAITING, figures[:, 0]).astype(np.int64)
    data["status"] = ("task", status, data["status"].attrs)
    reasons = np.full(len(tasks), "", dtype=object)
    failed = np.flatnonzero(status == FAILED)
    if store and failed.size:
        reasons[failed] = store.reasons([int(slot) for slot in slots[failed]])
    data["reason"] = ("task", reasons)
    for name in study.traces if store else ():
        if store and name in store.group:
            rows = store.trace(name)[slots]
            rows[slots < 0] = np.nan
            unit = STEP_VARIABLES[name].unit
            data[f"trace_{name}"] = (("task", "step"), rows, {"units": unit})
    return data.assign_attrs(study=study.name, driveline=study.driveline, caution=CAUTION)


def _coordinates(plan: StudyPlan) -> dict[str, tuple[str, list[Any]]]:
    study, tasks = plan.study, plan.tasks
    coordinates: dict[str, tuple[str, list[Any]]] = {}
    for i, parameter in enumerate(study.parameters):
        values = [task.values[i] for task in tasks]
        shown: list[Any] = list(values) if parameter.numeric else [label(value) for value in values]
        coordinates[parameter.path] = "task", shown
    coordinates["cycle"] = "task", [study.cycles[task.cycle].name for task in tasks]
    coordinates["run"] = "task", [study.runs[task.run] for task in tasks]
    coordinates["digest"] = "task", [task.digest.hex() for task in tasks]
    return coordinates


@dataclass(frozen=True)
class Status:
    """How far a study is.

    Attributes
    ----------
    total, done, failed, waiting : different tasks of the study
    others : tasks in the store of values that the study no longer has, or of other code
    seconds : mean time of a task done, s; NaN where there is none
    reasons : why tasks failed, and how many for it, the most frequent first
    digest : SHA-256 of all results but their times; equal inputs give an equal one
    """

    total: int
    done: int
    failed: int
    waiting: int
    others: int
    seconds: float
    reasons: list[tuple[str, int]]
    digest: str


def study_status(plan: StudyPlan, store: Store | None) -> Status:
    """Return how far a study is."""
    _, first = np.unique([task.digest.hex() for task in plan.tasks], return_index=True)
    results = read_results(plan, store).isel(task=np.sort(first))
    status = results["status"].values
    reasons = Counter(str(text) for text in results["reason"].values[status == FAILED])
    seconds = results["seconds"].values[status == DONE]
    return Status(
        total=status.size,
        done=int((status == DONE).sum()),
        failed=int((status == FAILED).sum()),
        waiting=int((status == WAITING).sum()),
        others=len(store.places().keys() - {t.digest for t in plan.tasks}) if store else 0,
        seconds=float(seconds.mean()) if seconds.size else float("nan"),
        reasons=reasons.most_common(),
        digest=results_digest(results),
    )


def results_digest(results: xr.Dataset) -> str:
    """Return the SHA-256 of results in the order of their tasks' digests, times left out."""
    ordered = results.sortby("digest")
    digest = hashlib.sha256("".join(ordered["digest"].values.tolist()).encode())
    for name in sorted(str(name) for name in ordered.data_vars if name != "seconds"):
        values = ordered[name].values
        if values.dtype.kind in "fi":
            digest.update(name.encode() + np.ascontiguousarray(values).tobytes())
        else:
            digest.update(name.encode() + "\0".join(map(str, values)).encode())
    return digest.hexdigest()
