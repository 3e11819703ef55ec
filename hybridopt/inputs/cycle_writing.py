"""Writing a cycle as the CSV file that `read_cycle` reads."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..base.units import KM_PER_H, PERCENT
from ..files.writing import Write, comment_line, write_atomically
from .cycle import Cycle
from .cycle_checks import CONDITIONS


def save_cycle(
    cycle: Cycle, path: str | Path, notes: Sequence[str] = (), *, overwrite: bool = False
) -> None:
    """Write a cycle as CSV, `time_s,speed_km_per_h[,grade_percent]`, with notes as `#` lines above.

    Parameters
    ----------
    cycle
        Its grade is written where it is not zero throughout; so are heat requests, and
        temperatures and loads that are all known.
    path
        File to write (.csv).
    notes
        One line each.
    overwrite
        Whether a file that is there already is replaced.

    Raises
    ------
    InputError
        The file exists already, or its folder does not.
    FailedError
        The system refused to write it.
    """
    write_atomically(Path(path), cycle_writer(cycle, notes), overwrite)


def cycle_writer(cycle: Cycle, notes: Sequence[str] = ()) -> Write:
    """Return what writes a cycle to a path, for :func:`.files.write_together`."""
    names = ["time_s", "speed_km_per_h"]
    columns = [cycle.time, cycle.speed / KM_PER_H]
    if cycle.grade.any():
        names.append("grade_percent")
        columns.append(cycle.grade / PERCENT)
    for name, condition in CONDITIONS.items():
        values = getattr(cycle, name)
        if np.isfinite(values).all():
            names.append(condition.column)
            columns.append(values / condition.factor)
    if cycle.heat_request.any():
        names.append("heat_request")
        columns.append(cycle.heat_request)
    head = "".join(f"{comment_line(note)}\n" for note in notes) + ",".join(names) + "\n"
    rows = np.column_stack(columns) + 0.0  # no -0

    def write(out: Path) -> None:
        with out.open("w", encoding="utf-8", newline="") as file:
            file.write(head)
            np.savetxt(file, rows, fmt="%.12g", delimiter=",")

    return write
