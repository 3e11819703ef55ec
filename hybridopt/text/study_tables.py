"""Answers of a study as records for JSON, as text in 80 columns, and as CSV."""

from typing import TYPE_CHECKING, Any

import pandas as pd
import xarray as xr

from ..base.cautions import CAUTION_LINE
from ..files.table_csv import table_writer
from ..files.writing import Write
from ..study.parameters import label
from ..study.questions import (
    best_by_value,
    check_numeric,
    groups,
    parameters_of,
    smallest_within,
    task_table,
    varying_parameters,
)
from ..study.values import STATUS_WORDS, VALUES
from .pace import duration_text
from .record import json_ready
from .table import number, table

if TYPE_CHECKING:
    from ..study.estimate import RunEstimate
    from ..study.results import StudyStatus

SHOWN_REASONS = 5
SHOWN_SIZES = 30
Record = dict[str, Any]


def status_text(status: "StudyStatus") -> str:
    """Return how far a study is in words."""
    lines = [
        f"Study {status.study}, results in {status.store}",
        f"{status.total} tasks: {status.done} done, {status.failed} failed, "
        f"{status.waiting} waiting",
    ]
    if status.others:
        lines.append(f"{status.others} more in the store are of other values, or of other code")
    if status.done:
        lines.append(f"{status.seconds:.2f} s per task on one core")
    reasons = status.reasons
    lines += [f"failed {count}: {reason}" for reason, count in reasons[:SHOWN_REASONS]]
    if len(reasons) > SHOWN_REASONS:
        lines.append(f"and {len(reasons) - SHOWN_REASONS} other reasons (--json has all)")
    return "\n".join([*lines, f"digest of the results {status.digest[:16]}"])


def estimate_text(estimate: "RunEstimate") -> str:
    """Return what a run would take in words."""
    if not estimate.waiting:
        time = "nothing is left to do"
    elif not estimate.measured:
        time = "no task could be tried and solved, so the time is not known"
    else:
        time = (
            f"{estimate.task_seconds:.2f} s per task on one core (from {estimate.measured} "
            f"tasks), about {duration_text(estimate.run_seconds)} in all"
        )
    return (
        f"{estimate.total} tasks, {estimate.waiting} of them to do, with {estimate.shared} "
        f"sets of operating points\n{estimate.workers} workers, up to "
        f"{estimate.task_bytes / 1e6:.0f} MB of arrays each\n{time}"
    )


def best_record(known: xr.Dataset, goal: str, limit: int) -> Record:
    """Return the best tasks as a record.

    Parameters
    ----------
    known
        From :func:`.questions.finished`.
    goal
        Value to make small.
    limit
        How many of each cycle: values of different cycles are not ranked against each other.
    """
    by_goal = task_table(known).sort_values(goal, kind="stable")
    cycles = list(dict.fromkeys(known["cycle"].values.tolist()))
    best = pd.concat([by_goal[by_goal["cycle"] == cycle].head(limit) for cycle in cycles])
    return {
        "study": known.attrs["study"],
        "goal": goal,
        "parameters": parameters_of(known),
        "cycles": cycles,
        "tasks": [json_ready(task) for task in best.to_dict("records")],
        "done": known.sizes["task"],
    }


def best_text(record: Record) -> str:
    """Return the best tasks as a table for each cycle."""
    lines = [f"goal: least {record['goal']}", ""]
    for cycle in record["cycles"]:
        tasks = [task for task in record["tasks"] if task["cycle"] == cycle]
        lines += [f"Cycle {cycle}", _best_table(record, tasks), ""]
    if len(record["tasks"]) < record["done"]:
        shown = len(record["tasks"])
        lines.append(f"the best {shown} of {record['done']} tasks; --limit shows more")
    return "\n".join([*lines, CAUTION_LINE])


def _best_table(record: Record, tasks: list[Record]) -> str:
    columns = {
        "run": [_file_name(task["run"]) for task in tasks],
        **{_short(p): [label(task[p]) for task in tasks] for p in record["parameters"]},
        "goal": [number(task[record["goal"]], 4) for task in tasks],
        "starts": [number(task["starts"], 0) for task in tasks],
    }
    if any(task["gap_percent"] is not None for task in tasks):
        columns["gap %"] = [number(task["gap_percent"], 2) for task in tasks]
    for what in ("fuel", "cost"):
        above = [task[f"{what}_above_optimum_percent"] for task in tasks]
        if any(above):
            columns[f"{what} above optimum %"] = [number(value, 2) for value in above]
    return table(list(columns), list(zip(*columns.values(), strict=True)))


def sizes_record(known: xr.Dataset, parameter: str, goal: str, within: float) -> Record:
    """Return which values of a parameter come near the best as a record.

    Parameters
    ----------
    known
        From :func:`.questions.finished`.
    parameter, goal
        Its path; the value to make small.
    within
        How near, %.

    Raises
    ------
    InputError
        The study has no such parameter, or its values are no numbers.
    """
    check_numeric(known, parameter)
    found = [
        (cycle, run, best_by_value(tasks, parameter, goal)) for cycle, run, tasks in groups(known)
    ]
    tried = sum(len(sizes) for _, _, sizes in found)
    return {
        "study": known.attrs["study"],
        "parameter": parameter,
        "goal": goal,
        "within_percent": within,
        "groups": [
            {
                "cycle": cycle,
                "run": run,
                "smallest": smallest_within([sizes], within),
                "sizes": sizes.to_dict("records"),
            }
            for cycle, run, sizes in found
        ],
        "smallest_for_all": smallest_within([sizes for _, _, sizes in found], within),
        "one_try_each": len(varying_parameters(known)) > 1 and tried == known.sizes["task"],
    }


def sizes_text(record: Record) -> str:
    """Return which values of a parameter come near the best in words and tables."""
    parameter, goal, within = record["parameter"], record["goal"], record["within_percent"]
    header = [_short(parameter), "best", "% above", f"within {within:g} %"]
    lines = []
    for group in record["groups"]:
        lines.append(f"{group['cycle']}, {_file_name(group['run'])}: best {goal} by {parameter}")
        rows = [
            [
                label(size["value"]),
                number(size["best"], 4),
                number(size["above_percent"], 2),
                "yes" if size["above_percent"] <= within else "",
            ]
            for size in group["sizes"]
        ]
        lines.append(table(header, rows[:SHOWN_SIZES]))
        if len(rows) > SHOWN_SIZES:
            lines.append(f"and {len(rows) - SHOWN_SIZES} more values")
        lines += [f"smallest within {within:g} % of the best: {label(group['smallest'])}", ""]
    if len(record["groups"]) > 1:
        every = record["smallest_for_all"]
        answer = "none of the values" if every is None else label(every)
        lines += [f"smallest within {within:g} % in all of them: {answer}", ""]
    if record["one_try_each"]:
        lines += [
            "Each value was tried once, with its own values of the other parameters: a grid",
            "answers this better.",
            "",
        ]
    return "\n".join([*lines, CAUTION_LINE])


def csv_writer(results: xr.Dataset) -> Write:
    """Return what writes all tasks to a path as CSV, one row each."""
    tasks = task_table(results)[[*map(str, results.coords), *VALUES, "reason"]]
    tasks["status"] = tasks["status"].map(STATUS_WORDS)
    return table_writer(list(tasks.columns), tasks.itertuples(index=False, name=None))


def _file_name(run: str) -> str:
    """Return a run without the folder of its file."""
    return run.rpartition("/")[2]


def _short(path: str) -> str:
    """Return the last part of a parameter's path, the part of a scale in full."""
    return path if path.startswith("scale.") else path.rpartition(".")[2]
