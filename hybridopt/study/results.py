"""The results of a study as one xarray Dataset, and their digest."""

import hashlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from ..base.nomenclature import STEP_VARIABLES
from .plan import StudyPlan
from .store import StudyStore
from .values import DONE, FAILED, VALUES, WAITING, values_dataset


def read_results(plan: StudyPlan, store: StudyStore | None) -> xr.Dataset:
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
        :data:`.values.VALUES`, `reason` of failures, and the traces that the study keeps, over
        `step`. Coordinates are the parameters by their path, `cycle`, `run` and `digest`. Where a
        task is done, `status` is 1, where it failed 2; where it waits, -1 and the values are NaN.
    """
    study, tasks = plan.study, plan.tasks
    steps = max(cycle.dt.size for cycle in study.cycles)
    rows = np.full((len(tasks), len(VALUES)), np.nan)
    reasons = np.full(len(tasks), "", dtype=object)
    traces = {name: np.full((len(tasks), steps), np.nan) for name in study.traces}
    places: dict[bytes, list[int]] = {}
    for i, task in enumerate(tasks):
        places.setdefault(task.digest, []).append(i)
    for outcome in store.outcomes(places) if store else ():
        at = places[outcome.digest]
        rows[at], reasons[at] = outcome.row, outcome.reason
        for name, values in outcome.traces.items():
            traces[name][at, : values.size] = values
    columns = {**plan.columns(tasks), "digest": [task.digest.hex() for task in tasks]}
    coordinates = {name: ("task", column) for name, column in columns.items()}
    data = values_dataset(rows, ["task"], coordinates)
    data["reason"] = "task", reasons
    for name, trace in traces.items():
        unit = STEP_VARIABLES[name].unit
        data[f"trace_{name}"] = ("task", "step"), trace, {"units": unit}
    return data.assign_attrs(study=study.name, driveline=study.driveline)


@dataclass(frozen=True)
class StudyStatus:
    """How far a study is.

    Attributes
    ----------
    study, store : its name, and the folder of its results
    total, done, failed, waiting : different tasks of the study
    others : tasks in the store of values that the study no longer has, or of other code
    seconds : mean time of a task done, s; NaN where there is none
    reasons : why tasks failed, and how many for it, the most frequent first
    digest : SHA-256 of all results but their times; equal inputs give an equal one
    """

    study: str
    store: str
    total: int
    done: int
    failed: int
    waiting: int
    others: int
    seconds: float
    reasons: list[tuple[str, int]]
    digest: str


def study_status(
    plan: StudyPlan, store: StudyStore | None, folder: Path, results: xr.Dataset | None = None
) -> StudyStatus:
    """Return how far a study is.

    Parameters
    ----------
    plan
        All tasks.
    store
        None where there is none in its folder yet.
    folder
        Of the store.
    results
        Of :func:`read_results`; read when not given.
    """
    results = read_results(plan, store) if results is None else results
    _, first = np.unique(results["digest"].values, return_index=True)
    results = results.isel(task=np.sort(first))
    counts = Counter(results["status"].values.tolist())
    reasons = Counter(reason for reason in results["reason"].values.tolist() if reason)
    done = results["seconds"].values[results["status"].values == DONE]
    return StudyStatus(
        study=plan.study.name,
        store=str(folder),
        total=len(plan.different),
        done=counts[DONE],
        failed=counts[FAILED],
        waiting=counts[WAITING],
        others=len(store.names() - plan.different.keys()) if store else 0,
        seconds=float(done.mean()) if done.size else float("nan"),
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
