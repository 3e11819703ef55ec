"""Reading the points of a cycle from a CSV file, units and all."""

import warnings
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from ..base.faults import Faults
from ..base.units import KM_PER_H, PERCENT
from ..base.warning import InputWarning
from ..files.csv_table import is_table, read_columns, read_header
from .cycle_checks import CONDITIONS, Labels, check_conditions, check_points
from .cycle_slips import warn_slips

REQUIRED = ("time_s", "speed_km_per_h")
GRADE = "grade_percent"
HEAT = "heat_request"
FURTHER = (*(condition.column for condition in CONDITIONS.values()), HEAT)
SECONDS = "if it is in seconds, rename it to time_s"
KM_PER_HOUR = "if it is in km/h, rename it to speed_km_per_h"
M_PER_SECOND = "multiply it by 3.6 and rename it to speed_km_per_h"
MISNOMERS = {
    "time_s": {
        **dict.fromkeys(("t", "t_s", "time", "sec", "seconds"), SECONDS),
        "time_ms": "divide it by 1000 and rename it to time_s",
    },
    "speed_km_per_h": {
        **dict.fromkeys(("v", "speed", "v_kmh", "speed_kmh", "speed_kph"), KM_PER_HOUR),
        **dict.fromkeys(("v_mps", "speed_mps", "speed_m_s", "speed_m_per_s"), M_PER_SECOND),
        "speed_mph": "multiply it by 1.609344 and rename it to speed_km_per_h",
    },
}


def read_points(path: Path) -> dict[str, np.ndarray]:
    """Read `time_s,speed_km_per_h[,grade_percent]` from a CSV file, and further columns.

    Returns
    -------
    dict of float64 arrays, shape (n+1,)
        time, speed and grade in s, m/s and rise over run; grade is zero where the file has none.
        Those of :data:`.cycle_checks.CONDITIONS` and heat_request (0 or 1) where it has them.

    Raises
    ------
    InputError
        The file, its layout or a value is wrong; the message names file, line and column.

    Warns
    -----
    InputWarning
        A column is not read, or times, speeds or grades look like a slip of units.
    """
    if not path.is_file():
        raise InputError(f"{path}: is not a file; give the path of a CSV file")
    _check_header(path, read_header(path))
    columns, lines = read_columns(path, list(REQUIRED), (GRADE, *FURTHER))
    if len(lines) < 2:
        raise InputError(f"{path}: has {len(lines)} rows of numbers; a cycle needs at least 2")
    time, speed = columns["time_s"], columns["speed_km_per_h"] * KM_PER_H
    grade = columns[GRADE] * PERCENT if GRADE in columns else np.zeros_like(time)
    labels = Labels(*REQUIRED, GRADE, KM_PER_H, PERCENT, lambda i: f"{path}: line {lines[i]}")
    faults = Faults()
    with faults.caught():
        check_points(time, speed, grade, labels)
    given = {
        name: columns[condition.column] * condition.factor
        for name, condition in CONDITIONS.items()
        if condition.column in columns
    }
    heat = columns.get(HEAT, np.zeros(time.size))
    with faults.caught():
        check_conditions(given, heat, labels)
    faults.raise_found()
    warn_slips(str(path), time, speed, grade)
    return {"time": time, "speed": speed, "grade": grade, HEAT: heat, **given}


def _check_header(path: Path, header: list[str]) -> None:
    shown = header if is_table(path) else []
    for name in REQUIRED:
        if name not in header:
            raise InputError(f"{path}: column {name} is missing; {_remedy(name, shown)}")
    others = [cell for cell in header if cell and cell not in (*REQUIRED, GRADE, *FURTHER)]
    if others:
        warnings.warn(
            f"{path}: columns not read: {_listed(others)}; read are "
            f"{', '.join((*REQUIRED, GRADE, *FURTHER[:-1]))} and {HEAT}; rename any of them that "
            "is meant",
            InputWarning,
            stacklevel=4,
        )


def _remedy(name: str, header: list[str]) -> str:
    """Return advice on a missing column, judged by the columns that are there."""
    found = f"the first line names {_listed(header)}; " if header else ""
    for cell in header:
        advice = MISNOMERS[name].get(cell.lower())
        if advice:
            return f"{found}{cell} may be meant: {advice}"
    return (
        f"{found}add it or rename the column that holds it, or make a cycle of a recorded log "
        "with hybridopt cycle import"
    )


def _listed(cells: list[str]) -> str:
    text = ", ".join(cells)
    return repr(text if len(text) <= 200 else text[:200] + "...")
