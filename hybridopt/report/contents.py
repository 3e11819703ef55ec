"""What a report is made of, gathered and checked before anything is drawn."""

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..base.errors import InputError
from ..evaluation.recall import recall_driveline
from ..files.csv_table import read_text
from ..optimum.result import Result

if TYPE_CHECKING:
    from ..inputs.driveline import Driveline
    from ..tables.rule_set import RuleSet

MAX_COMPARISON = 50_000_000  # bytes
TEXTS = ("cycle", "controller")
NUMBERS = (
    "fuel_g",
    "fuel_equal_g",
    "fuel_above_optimum_percent",
    "cost_equal_g",
    "cost_above_optimum_percent",
    "soc_end",
    "gap_percent",
    "bound_g",
    "starts",
    "shifts",
    "clipped_steps",
)


@dataclass(frozen=True, eq=False)
class Entry:
    """A result in a report.

    Attributes
    ----------
    name : of its file
    result : read from it
    driveline : what it was solved with; None where that is not at hand
    note : why there is none; else empty
    """

    name: str
    result: Result
    driveline: "Driveline | None" = None
    note: str = ""


@dataclass(frozen=True, eq=False)
class Contents:
    """All that goes into a report.

    Attributes
    ----------
    entries : results
    scores : rows of a comparison, see :data:`NUMBERS`
    rule_set : rule tables
    """

    entries: Sequence[Entry]
    scores: Sequence[dict[str, Any]] = field(default_factory=tuple)
    rule_set: "RuleSet | None" = None


def read_entry(path: str | Path, driveline: str | None = None) -> Entry:
    """Read a result for a report, with its driveline if that can be found.

    Parameters
    ----------
    path
        NetCDF file.
    driveline
        Name or file; it must be the one of the result. When not given, the name in the result is
        tried, and the report does without maps if that is not it.

    Raises
    ------
    InputError
        The file is no result, or a given driveline is not its.
    """
    result = Result.read(path)
    name = Path(path).name
    if driveline is not None:
        return Entry(name, result, recall_driveline(result, driveline))
    try:
        return Entry(name, result, recall_driveline(result))
    except InputError as error:
        return Entry(name, result, None, f"Drawn without maps: {error}.")


def read_comparison(path: str | Path) -> list[dict[str, Any]]:
    """Read the rows of a comparison that `hybridopt compare --json` printed.

    Raises
    ------
    InputError
        The file is absent, no JSON, or a row lacks a value.
    """
    path = Path(path)
    try:
        record = json.loads(read_text(path, MAX_COMPARISON))
    except (ValueError, RecursionError):
        raise InputError(
            f"{path}: is no JSON; give what `hybridopt compare --json` printed"
        ) from None
    scores = record.get("scores") if isinstance(record, dict) else None
    if not isinstance(scores, list) or not scores:
        raise InputError(f"{path}: has no scores; give what `hybridopt compare --json` printed")
    for number, score in enumerate(scores, start=1):
        _check_score(score, f"{path}: score {number}")
    return scores


def _check_score(score: Any, place: str) -> None:
    if not isinstance(score, dict):
        raise InputError(f"{place}: is no object; give what `hybridopt compare --json` printed")
    for name in TEXTS:
        if not isinstance(score.get(name), str):
            raise InputError(f"{place}: {name} is no text; give the file as it was printed")
    for name in NUMBERS:
        value: Any = score.get(name)
        if type(value) not in (int, float) or not abs(value) <= sys.float_info.max:
            raise InputError(f"{place}: {name} is no number; give the file as it was printed")
