"""Checks of rule tables as text, JSON and CSV; training and unseen cycles apart."""

import dataclasses
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..base.cautions import CAUTION_LINE
from ..base.units import PERCENT
from ..base.words import cut, fitted, warm_up_lines
from ..files.table_csv import table_writer
from ..files.writing import Write
from .comparison import shortfall_text, shortfall_values

if TYPE_CHECKING:
    from ..distillation.distil import Distilled
    from ..distillation.preview import DistilledPreview
    from ..distillation.verify import VerifiedDrive
    from ..tables.rule_set import Coverage
    from ..tables.shape_faults import ShapeFault

NAME_ROOM = 19
FAULTS_SHOWN = 12
COLUMNS = (
    *("fuel_g", "fuel_equal_g", "fuel_above_optimum_percent", "cost_g", "cost_equal_g"),
    *("cost_above_optimum_percent", "bound_g", "gap_percent", "soc_end"),
    *("starts", "shifts", "clipped_steps"),
)
"""Measures of a check in files."""
LACKING = tuple(shortfall_values(None))


def verification_text(checks: "Sequence[VerifiedDrive]") -> str:
    """Describe checks in at most 80 columns of plain text.

    Parameters
    ----------
    checks
        From :func:`hybridopt.verify`.

    Returns
    -------
    str
        Lines without a final newline; training and unseen cycles apart.
    """
    blocks = []
    for change in dict.fromkeys(check.change for check in checks):
        for seen, title in ((True, "Training cycles"), (False, "Unseen cycles")):
            group = [c for c in checks if c.change == change and c.seen == seen]
            if group:
                blocks.append([f"{title}, {change}", *_head(), *map(_line, group), *_mean(group)])
    scores = [check.score for check in checks if check.score]
    if scores and (cold := warm_up_lines(scores[0].result.settings.ambient_temperature)):
        blocks.append(cold)
    blocks.append([CAUTION_LINE])
    return "\n\n".join("\n".join(line.rstrip() for line in lines) for lines in blocks)


def _head() -> list[str]:
    return [
        f"{'':{NAME_ROOM}}{'fuel at':>8}{'fuel':>8}{'cost':>8}{'cost':>8}",
        f"{'':{NAME_ROOM}}{'equal':>8}{'above':>8}{'above':>8}{'above':>8}{'SoC %':>7}"
        f"{'SoC %':>11}{'starts':>11}",
        f"{'cycle':{NAME_ROOM}}{'SoC, g':>8}{'optimum':>8}{'optimum':>8}{'bound':>8}{'end':>7}"
        f"{'range':>11}{'(optimum)':>11}",
    ]


def _line(check: "VerifiedDrive") -> str:
    name = cut(check.cycle, NAME_ROOM - 1)
    found = check.score
    if found is None:
        return f"{name:{NAME_ROOM}}not driven, see below"
    span = f"{check.soc_lowest / PERCENT:.1f}-{check.soc_highest / PERCENT:.1f}"
    starts = f"{found.starts} ({check.optimum_starts})"
    return (
        f"{name:{NAME_ROOM}}{fitted(found.fuel_equal_g, 1, 8)}"
        f"{fitted(found.fuel_above_optimum_percent, 2, 8, ' %')}"
        f"{fitted(found.cost_above_optimum_percent, 2, 8, ' %')}"
        f"{fitted(found.gap_percent, 2, 8, ' %')}"
        f"{found.soc_end / PERCENT:>7.2f}{span:>11}{starts:>11}"
    )


def _mean(group: "Sequence[VerifiedDrive]") -> list[str]:
    notes = []
    for check in group:
        if check.score is None:
            notes.append(f"{check.cycle} is left out of mean and worst: {check.failure}")
        elif check.score.shortfall:
            lacked = shortfall_text(check.score.shortfall)
            notes.append(f"{check.cycle}: {lacked}; compared with the optimum of what was driven")
    lines = [line for note in notes for line in textwrap.wrap(note, 80)]
    scores = [check.score for check in group if check.score]
    if not scores:
        return lines
    fuel = [score.fuel_above_optimum_percent for score in scores]
    cost = [score.cost_above_optimum_percent for score in scores]
    clipped = sum(score.clipped_steps for score in scores)
    counts = [f"{clipped} steps clipped"] if clipped else []
    if len(scores) < len(group):
        counts.insert(0, f"that is on {len(scores)} of {len(group)} cycles")
    if counts:
        lines.insert(0, "; ".join(counts))
    mean = (
        f"above the optimum: fuel {np.mean(fuel):.2f} % on average, {max(fuel):.2f} at worst; "
        f"cost {np.mean(cost):.2f}, {max(cost):.2f}"
    )
    return [mean, *lines]


def distilled_text(made: "Distilled | DistilledPreview") -> str:
    """Describe what a distillation reached, in at most 80 columns of plain text.

    Parameters
    ----------
    made
        From :func:`hybridopt.distil` or :func:`hybridopt.distil_preview`.

    Returns
    -------
    str
        Lines without a final newline.
    """
    refined = getattr(made, "refined", None)
    if refined is None:
        return _preview_text(made.content)
    origin, coverage = made.content.origin, made.content.coverage
    lines = [
        f"Rule tables {origin.title!r} for {origin.driveline}",
        f"Figure of merit on the training: {refined.first:.2f} % as drafted, "
        f"{refined.best:.2f} % refined",
        "",
        f"{'table':18}{'size':>14}{'visited':>10}{'regret':>12}",
    ]
    lines += [_coverage_line(name, known) for name, known in coverage.items()]
    return "\n".join([*lines, *_limit_lines(made)])


def _limit_lines(made: Any) -> list[str]:
    """Return what each limit on shape costs."""
    if not made.limit_costs:
        return []
    head = f"{'without':18}{'fuel above optimum':>22}{'shifts, optimum 1':>22}"
    lines = ["", "What limits on shape cost on the training, all else drawn alike", head]
    first = made.limit_costs[0]
    rows = [("(with all limits)", first.fuel_with, first.shifts_with)]
    rows += [(one.limit, one.fuel_without, one.shifts_without) for one in made.limit_costs]
    return lines + [f"{name:18}{fuel:>20.2f} %{shifts:>22.2f}" for name, fuel, shifts in rows]


def shape_text(rules: Any, faults: "Sequence[ShapeFault]") -> str:
    """Say where rule tables break limits on their shape, in at most 80 columns.

    Parameters
    ----------
    rules
        The tables.
    faults
        From :func:`hybridopt.shape_faults`.
    """
    whose = "they were made for" if rules.origin.shape else "that are usual"
    if not faults:
        return f"They keep all limits on shape {whose}."
    head = f"{len(faults)} values break limits on shape {whose}:"
    shown = [fault.text for fault in faults[:FAULTS_SHOWN]]
    more = [f"and {len(faults) - len(shown)} more"] if len(faults) > len(shown) else []
    lines = [line for text in (*shown, *more) for line in _listed(text)]
    return "\n".join([head, *lines])


def times_text(sentences: Sequence[str]) -> str:
    """Say which minimum times tables do not hold, in at most 80 columns; empty where all are.

    Parameters
    ----------
    sentences
        From :func:`hybridopt.tables.short_times.short_times`.
    """
    if not sentences:
        return ""
    return "\n".join(
        [
            "Minimum times that the tables do not hold, but the closed loop does:",
            *(line for text in sentences for line in _listed(text)),
        ]
    )


def _listed(text: str) -> list[str]:
    return textwrap.wrap(text, 80, initial_indent="- ", subsequent_indent="  ")


def fault_record(fault: "ShapeFault") -> dict[str, Any]:
    """Return a broken limit for JSON; an open end of the range is None."""
    record = dataclasses.asdict(fault)
    return {
        k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in record.items()
    }


def _preview_text(content: Any) -> str:
    origin, preview = content.origin, content.preview
    return "\n".join(
        [
            f"Preview maps {origin.title!r} for {origin.driveline}",
            f"Looks {preview.horizon:g} s ahead in steps of {preview.step:g} s; "
            f"{content.known.numbers} numbers",
        ]
    )


def distilled_record(made: "Distilled | DistilledPreview") -> dict[str, Any]:
    """Return what a distillation reached, for JSON."""
    record: dict[str, Any] = {"training": made.content.origin.training}
    refined = getattr(made, "refined", None)
    if refined is not None:
        record |= {"merit_first_percent": refined.first, "merit_percent": refined.best}
        record["limit_costs"] = [dataclasses.asdict(one) for one in made.limit_costs]  # type: ignore[union-attr]
    return record


def _coverage_line(name: str, known: "Coverage") -> str:
    size = " x ".join(str(n) for n in known.visits.shape)
    share = 100.0 * (1.0 - known.filled.mean())
    return f"{name:18}{size:>14}{share:>8.0f} %{known.regret.sum():>10.1f} g"


def check_record(check: "VerifiedDrive") -> dict[str, Any]:
    """Return a check for JSON; what is unknown is None."""
    record: dict[str, Any] = {
        field.name: getattr(check, field.name)
        for field in dataclasses.fields(check)
        if field.name != "score"
    }
    found = check.score
    for name in COLUMNS:
        record[name] = getattr(found, name) if found else None
    record["clipped"] = dict(found.clipped) if found else None
    record |= shortfall_values(found.shortfall) if found else dict.fromkeys(LACKING)
    return {key: None if isinstance(v, float) and np.isnan(v) else v for key, v in record.items()}


def checks_writer(checks: "Sequence[VerifiedDrive]") -> Write:
    """Return a function that writes checks as CSV, one row each."""
    last = ("soc_lowest", "soc_highest", "starts_per_km", "optimum_starts", "failure")
    names = ["cycle", "change", "seen", *COLUMNS, *LACKING, *last]
    records = [check_record(check) for check in checks]
    return table_writer(names, [[record[name] for name in names] for record in records])
