"""Answers of a study as records for JSON, as text in 80 columns, and as CSV."""

import math
from pathlib import Path
from typing import Any

import xarray as xr

from ..base.cautions import CAUTION_LINE
from ..files.table_csv import table_writer
from ..files.writing import Write
from ..study.estimate import Estimate
from ..study.parameters import label
from ..study.questions import groups, parameters_of, sizes, smallest_within
from ..study.results import Status
from ..study.values import FIGURES, TEXTS
from .pace import duration_text
from .table import table

SHOWN_REASONS = 5
SHOWN_SIZES = 30
Record = dict[str, Any]


def status_record(status: Status, name: str, folder: Path) -> Record:
    """Return how far a study is as a record."""
    return {"study": name, "store": str(folder), **_plain(vars(status))}


def status_text(record: Record) -> str:
    """Return how far a study is in words."""
    lines = [
        f"Study {record['study']}, results in {record['store']}",
        f"{record['total']} tasks: {record['done']} done, {record['failed']} failed, "
        f"{record['waiting']} waiting",
    ]
    if record["others"]:
        lines.append(f"{record['others']} more in the store are of other values, or of other code")
    if record["seconds"] is not None:
        lines.append(f"{record['seconds']:.2f} s per task on one core")
    for reason, count in record["reasons"][:SHOWN_REASONS]:
        lines.append(f"failed {count}: {reason}")
    if len(record["reasons"]) > SHOWN_REASONS:
        lines.append(f"and {len(record['reasons']) - SHOWN_REASONS} other reasons (--json has all)")
    return "\n".join([*lines, f"digest of the results {record['digest'][:16]}"])


def estimate_record(estimate: Estimate, workers: int) -> Record:
    """Return what a run would take as a record."""
    seconds = estimate.waiting * estimate.task_seconds / workers
    return {**_plain(vars(estimate)), "workers": workers, **_plain({"run_seconds": seconds})}


def estimate_text(record: Record) -> str:
    """Return what a run would take in words."""
    lines = [
        f"{record['total']} tasks, {record['waiting']} of them to do, with {record['shared']} "
        "sets of operating points",
        f"{record['workers']} workers, up to {record['task_bytes'] / 1e6:.0f} MB of arrays each",
    ]
    if not record["waiting"]:
        lines.append("nothing is left to do")
    elif record["task_seconds"] is None:
        lines.append("no task that was tried could be solved, so the time is not known")
    else:
        lines.append(
            f"{record['task_seconds']:.2f} s per task on one core (from {record['measured']} "
            f"tasks), about {duration_text(record['run_seconds'])} in all"
        )
    return "\n".join(lines)


def best_record(known: xr.Dataset, goal: str, limit: int) -> Record:
    """Return the best tasks as a record.

    Parameters
    ----------
    known
        From :func:`.questions.finished`.
    goal
        Figure to make small.
    limit
        How many.
    """
    ordered = known.isel(task=known[goal].values.argsort(kind="stable")[:limit])
    return {
        "study": known.attrs["study"],
        "goal": goal,
        "parameters": parameters_of(known),
        "tasks": [_task(ordered, i) for i in range(ordered.sizes["task"])],
        "done": known.sizes["task"],
    }


def _task(results: xr.Dataset, i: int) -> Record:
    task = results.isel(task=i)
    coordinates = {str(name): task[name].item() for name in results.coords}
    figures = {name: task[name].item() for name in FIGURES}
    return _plain({**coordinates, **figures, "reason": str(task["reason"].item())})


def best_text(record: Record) -> str:
    """Return the best tasks as a table."""
    goal, tasks = record["goal"], record["tasks"]
    columns = {
        "cycle": [task["cycle"] for task in tasks],
        "run": [task["run"].rpartition("/")[2] for task in tasks],
        **{_short(p): [label(task[p]) for task in tasks] for p in record["parameters"]},
        "goal": [_number(task[goal], 4) for task in tasks],
        "starts": [_number(task["starts"], 0) for task in tasks],
    }
    if any(task["gap_percent"] is not None for task in tasks):
        columns["gap %"] = [_number(task["gap_percent"], 2) for task in tasks]
    rows = list(zip(*columns.values(), strict=True))
    lines = [f"goal: least {goal}", "", table(list(columns), rows), ""]
    if len(rows) < record["done"]:
        lines.append(f"the best {len(rows)} of {record['done']} tasks; --limit shows more")
    return "\n".join([*lines, CAUTION_LINE])


def sizes_record(known: xr.Dataset, parameter: str, goal: str, within: float) -> Record:
    """Return which values of a parameter come near the best as a record.

    Parameters
    ----------
    known
        From :func:`.questions.finished`.
    parameter, goal
        Its path; the figure to make small.
    within
        How near, %.
    """
    found = [(cycle, run, sizes(tasks, parameter, goal)) for cycle, run, tasks in groups(known)]
    varying = [name for name in parameters_of(known) if len(set(known[name].values.tolist())) > 1]
    return {
        "study": known.attrs["study"],
        "parameter": parameter,
        "goal": goal,
        "within_percent": within,
        "groups": [
            {
                "cycle": cycle,
                "run": run,
                "smallest": smallest_within([values], within),
                "sizes": [vars(size) for size in values],
            }
            for cycle, run, values in found
        ],
        "smallest_for_all": smallest_within([values for _, _, values in found], within),
        "one_try_each": len(varying) > 1
        and sum(len(values) for _, _, values in found) == known.sizes["task"],
    }


def sizes_text(record: Record) -> str:
    """Return which values of a parameter come near the best in words and tables."""
    parameter, goal, within = record["parameter"], record["goal"], record["within_percent"]
    lines = []
    for group in record["groups"]:
        lines.append(
            f"{group['cycle']}, {group['run'].rpartition('/')[2]}: best {goal} by {parameter}"
        )
        shown = group["sizes"][:SHOWN_SIZES]
        rows = [
            [
                label(s["value"]),
                _number(s["best"], 4),
                f"{s['above_percent']:.2f}",
                "yes" if s["above_percent"] <= within else "",
            ]
            for s in shown
        ]
        lines.append(table([_short(parameter), "best", "% above", f"within {within:g} %"], rows))
        if len(shown) < len(group["sizes"]):
            lines.append(f"and {len(group['sizes']) - len(shown)} more values")
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
    names = [str(name) for name in results.coords]
    columns = [results[name].values.tolist() for name in (*names, *FIGURES, "reason")]
    status = list(FIGURES).index("status") + len(names)
    columns[status] = [TEXTS[code] for code in columns[status]]
    return table_writer([*names, *FIGURES, "reason"], zip(*columns, strict=True))


def _plain(record: Record) -> Record:
    """Return a record with None for what JSON has no word for."""
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in record.items()
    }


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _short(path: str) -> str:
    """Return the last part of a parameter's path, the part of a scale in full."""
    return path if path.startswith("scale.") else path.rpartition(".")[2]
