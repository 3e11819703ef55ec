"""What foresight is worth as text, JSON and CSV."""

import dataclasses
import itertools
import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..base.cautions import CAUTION_LINE
from ..base.units import KM_PER_H, PERCENT
from ..base.words import cut, fitted, warm_up_lines
from ..files.table_csv import table_writer
from ..files.writing import Write

if TYPE_CHECKING:
    from ..evaluation.compare import Failure
    from ..evaluation.foresight_worth import ForesightRow, ForesightWorth

NAME_ROOM, COLUMN, MOST = 24, 7, 8
BELOW = -0.05  # %, losses below it are explained
BELOW_NOTE = (
    "Losses below 0: the optimum must end at its target, which costs a short cycle much, such as "
    "a start for a little charge. These drives ended elsewhere, their charge counted at the "
    "bound's price. Look at the gap to the bound, which is never below 0."
)
WHAT = {
    "exact": "what really comes",
    "exact, price held": "what really comes, SoC left aside",
    "wrong": "what comes with an error of speed of {error:g} km/h in 10 s, seed {seed}",
    "limits": "speed limits and grade; a driver who goes as fast as they let him",
    "grade": "the grade; the speed stays",
    "usual": "no preview: the mean of what followed in the training",
    "fading": "no preview: the present acceleration fades",
    "steady": "no preview: the speed stays",
}
"""What each kind of preview is."""


def preview_words(worth: "ForesightWorth", preview: str) -> str:
    """Return what a kind of preview is, in some words."""
    wrong = worth.wrong
    return WHAT[preview].format(error=wrong.deviation / KM_PER_H, seed=wrong.seed)


def foresight_text(worth: "ForesightWorth") -> str:
    """Describe what foresight is worth in at most 80 columns of plain text.

    Parameters
    ----------
    worth
        From :func:`hybridopt.foresight_worth`.

    Returns
    -------
    str
        Lines without a final newline: a table of cycles over horizons for each kind of preview.
    """
    blocks = [_head(worth)]
    for preview in worth.previews:
        for first in range(0, len(worth.horizons), MOST):
            blocks.append(_table(worth, preview, slice(first, first + MOST)))
    if min(row.cost_above_optimum_percent for row in worth.rows) < BELOW:
        blocks.append(textwrap.wrap(BELOW_NOTE, 80))
    if cold := warm_up_lines(worth.settings.ambient_temperature):
        blocks.append(cold)
    if worth.failures:
        failed = [textwrap.wrap(line, 80) for line in failure_lines(worth.failures)]
        blocks.append(["Not driven", *itertools.chain(*failed)])
    blocks.append([CAUTION_LINE])
    return "\n\n".join("\n".join(line.rstrip() for line in lines) for lines in blocks)


def _head(worth: "ForesightWorth") -> list[str]:
    learned = f"It expects behind what it sees what followed in {', '.join(worth.training)}"
    seen = any(row.seen for row in worth.rows)
    left = "; a cycle that is driven is left out" if worth.left_out else ""
    knows = " It knows when the drive ends." if worth.destination else ""
    return textwrap.wrap(
        f"Driveline {cut(worth.driveline.name, 40)}: loss of the controller preview, cost at equal "
        "SoC above the replayed optimum's, %, over the seconds that it sees ahead. "
        f"{learned}{left}.{knows}{' * it has seen this cycle in training.' if seen else ''}",
        80,
    )


def _table(worth: "ForesightWorth", preview: str, part: slice) -> list[str]:
    horizons = list(worth.horizons)[part]
    rows = [row for row in worth.rows if row.preview == preview]
    seen = {row.cycle for row in rows if row.seen}
    lines = textwrap.wrap(f"Preview {preview}: {preview_words(worth, preview)}", 80)
    lines.append(_line("seconds seen", [f"{horizon:g}" for horizon in horizons]))
    for cycle, losses in worth.losses(preview).items():
        mark = " *" if cycle in seen else ""
        lines.append(_line(cut(cycle, NAME_ROOM - 3) + mark, _numbers(losses[part])))
    if len(worth.losses(preview)) > 1:
        lines.append(_line("mean", _numbers(worth.mean(preview)[part])))
    if not math.isnan(rows[0].gap_percent):
        lines += _beside(rows, horizons, worth.settings.socs[3])
    return lines


def _beside(rows: "Sequence[ForesightRow]", horizons: Sequence[float], target: float) -> list[str]:
    """Return lines of the means beside the loss."""
    at = [[row for row in rows if row.horizon == horizon] for horizon in horizons]
    gaps = [_mean([row.gap_percent for row in some]) for some in at]
    far = [max((abs(row.soc_end - target) for row in some), default=math.nan) for some in at]
    starts = [
        sum(row.starts for row in some) / max(sum(row.optimum_starts for row in some), 1)
        for some in at
    ]
    lines = [
        _line("gap to the bound, mean", _numbers(gaps)),
        _line("starts / optimum's", _numbers(starts)),
        _line("SoC off target, most", _numbers([value / PERCENT for value in far])),
    ]
    lacking = [max((row.lacking for row in some), default=0.0) for some in at]
    if any(lacking):
        lines.append(_line("s of lacking power, most", [f"{value:g}" for value in lacking]))
    return lines


def _mean(values: list[float]) -> float:
    return sum(values) / len(values) if values else math.nan


def _numbers(values: Sequence[float]) -> list[str]:
    return [fitted(value, 2, COLUMN) for value in values]


def _line(name: str, cells: Sequence[str]) -> str:
    return f"{name:{NAME_ROOM}}" + "".join(f"{cell:>{COLUMN}}" for cell in cells)


def failure_lines(failures: "Sequence[Failure]") -> list[str]:
    """Return each reason once, with all that it hit."""
    hit: dict[tuple[str, str], list[str]] = {}
    for failure in failures:
        hit.setdefault((failure.cycle, failure.reason), []).append(failure.controller)
    return [f"{cycle} ({'; '.join(names)}): {reason}" for (cycle, reason), names in hit.items()]


def foresight_record(worth: "ForesightWorth") -> dict[str, Any]:
    """Return what foresight is worth as plain objects for JSON."""
    return {
        "driveline": worth.driveline.name,
        "driveline_sha256": worth.driveline.sha256,
        "training": list(worth.training),
        "left_out": worth.left_out,
        "destination": worth.destination,
        "horizons_s": list(worth.horizons),
        "error_km_per_h": worth.wrong.deviation / KM_PER_H,
        "error_seed": worth.wrong.seed,
        "mean_cost_above_optimum_percent": {
            preview: [_known(value) for value in worth.mean(preview)] for preview in worth.previews
        },
        "rows": [_row_record(row) for row in worth.rows],
        "failures": [dataclasses.asdict(failure) for failure in worth.failures],
        "caution": CAUTION_LINE,
    }


def _row_record(row: "ForesightRow") -> dict[str, Any]:
    names = {"horizon": "horizon_s", "lacking": "lacking_s"}
    values = dataclasses.asdict(row)
    return {names.get(name, name): _known(value) for name, value in values.items()}


def _known(value: Any) -> Any:
    return None if isinstance(value, float) and math.isnan(value) else value


def foresight_writer(worth: "ForesightWorth") -> Write:
    """Return what writes one CSV row per kind of preview, cycle and horizon."""
    rows = [_row_record(row) for row in worth.rows]
    return table_writer(list(rows[0]) if rows else ["cycle"], [list(row.values()) for row in rows])
