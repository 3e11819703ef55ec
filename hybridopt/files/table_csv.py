"""A table as CSV: the caution, a header, and cells no spreadsheet takes for a formula."""

import csv
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from ..base.cautions import CAUTION_LINE
from .writing import Write, comment_line

FORMULA = ("=", "+", "-", "@")  # a text that begins so may be run by a spreadsheet


def table_writer(names: Sequence[str], rows: Iterable[Sequence[Any]]) -> Write:
    """Return what writes rows under names to a path; NaN becomes an empty cell."""
    kept = [[_cell(value) for value in row] for row in rows]

    def write(path: Path) -> None:
        with path.open("w", encoding="utf-8", newline="") as file:
            file.write(comment_line(CAUTION_LINE) + "\n")
            out = csv.writer(file, lineterminator="\n")
            out.writerow(names)
            out.writerows(kept)

    return write


def _cell(value: Any) -> Any:
    if isinstance(value, float) and math.isnan(value):
        return ""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value
