"""The quality report of a gridded map as text and as a record; the map as CSV."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..base.units import PERCENT, RPM
from ..files.writing import Write, comment_line, write_atomically
from ..measurements.bench_points import ENGINE
from ..measurements.map_gridding import BenchMap
from ..measurements.map_quality import MapQuality, Outlier
from .record import json_ready

COLUMNS = {ENGINE: "fuel_g_per_s", "motor": "loss_W"}
"""The column of the map's value, as drivelines read it."""
NAMED = 12  # outliers named in the text


def report_lines(made: BenchMap, quality: MapQuality) -> list[str]:
    """Return the report in lines: file, notes, grid, residuals, outliers, area, checks.

    Parameters
    ----------
    made, quality
        From :func:`hybridopt.import_map`.

    Returns
    -------
    list of str
        One line each, without newlines.
    """
    points, unit = made.points, made.points.unit
    name = "".join(c if c.isprintable() else "?" for c in points.path.name)
    machine = "an engine" if points.kind == ENGINE else "a motor"
    rows = [("Bench file", f"{name!r}, {quality.points} points of {machine}")]
    rows += [("", note) for note in points.notes]
    if made.one_sided:
        rows.append(("", "all points are on one side of 0 Nm: the loss of the other mirrors them"))
    speed, torque = made.map["speed"].values / RPM, made.map["torque"].values
    text = f"{speed.size} speeds, {speed[0]:.0f} to {speed[-1]:.0f} rpm; {torque.size} torques, "
    text += f"{torque[0]:.0f} to {torque[-1]:.0f} Nm; {COLUMNS[points.kind]}"
    rows.append(("Grid", text))
    changed = [(made.lifted, "set to 0 from below"), (made.raised, "moved so that fuel rises")]
    rows += [("", f"{count} nodes {what}") for count, what in changed if count]
    text = f"RMS {quality.rms:.3g} {unit} ({quality.rms_percent:.2f} %), worst {quality.worst:+.3g}"
    text += f" {unit} ({quality.worst_percent:+.1f} %) in line {quality.worst_line}"
    rows.append(("Residual", text))
    if quality.off_grid:
        rows.append(("", f"{quality.off_grid} points lie beyond the grid and have none"))
    text = f"RMS {quality.foretold_rms:.3g} {unit} ({quality.foretold_rms_percent:.2f} %) when each"
    text += " point is predicted from the others"
    text += f"; {quality.alone} cannot be predicted" if quality.alone else ""
    rows.append(("Left out", text))
    text = f"up to {quality.grid_error / PERCENT:.2f} % of the largest value, linear between nodes"
    rows.append(("Grid error", text))
    rows += _outlier_rows(made, quality)
    text = f"{quality.extrapolated_share / PERCENT:.0f} % of {quality.area}, "
    rows.append(("Extrapolated", text + "outside the hull of the points"))
    rows += [("Check", f"{'good' if c.passed else 'FAILED'}: {c.text}") for c in quality.checks]
    return [f"{head:<14}{text}" for head, text in rows]


def _outlier_rows(made: BenchMap, quality: MapQuality) -> list[tuple[str, str]]:
    count = len(quality.outliers)
    if not count:
        return [("Outliers", "none")]
    left = made.used.size < made.points.speed.size
    text = "1 point looks wrong, " if count == 1 else f"{count} points look wrong, "
    rows = [("Outliers", text + ("left out" if left else "kept; --drop-outliers leaves them out"))]
    for one in quality.outliers[:NAMED]:
        off = 100.0 * (one.value / one.expected - 1.0) if one.expected else math.nan
        text = f"line {one.line} ({one.speed / RPM:.0f} rpm, {one.torque:.1f} Nm): {one.value:.4g} "
        text += f"{made.points.unit}, the others say {one.expected:.4g} ({off:+.1f} %)"
        rows.append(("", text))
    if count > NAMED:
        rows.append(("", f"and {count - NAMED} more (--json has all)"))
    return rows


def report_record(made: BenchMap, quality: MapQuality) -> dict[str, Any]:
    """Return the report as a record for JSON; None where a value is not known."""
    speed, torque = made.map["speed"].values, made.map["torque"].values
    return {
        "file": made.points.path.name,
        "kind": made.points.kind,
        "column": COLUMNS[made.points.kind],
        "unit": made.points.unit,
        "notes": list(made.points.notes),
        "one_sided": made.one_sided,
        "speeds_rpm": (speed / RPM).tolist(),
        "torques_Nm": torque.tolist(),
        "nodes_extrapolated": int(made.extrapolated.sum()),
        "nodes_set_to_zero": made.lifted,
        "nodes_moved_to_rise": made.raised,
        **json_ready(vars(quality)),
        "outliers": [_outlier_record(one) for one in quality.outliers],
        "checks": [check._asdict() for check in quality.checks],
    }


def _outlier_record(one: Outlier) -> dict[str, Any]:
    return json_ready(
        {
            "line": one.line,
            "speed_rpm": one.speed / RPM,
            "torque_Nm": one.torque,
            "value": one.value,
            "expected": one.expected,
        }
    )


def save_map(
    made: BenchMap, quality: MapQuality, path: str | Path, *, overwrite: bool = False
) -> None:
    """Write a map as CSV, as drivelines read it, with its report as `#` lines above.

    Parameters
    ----------
    made, quality
        From :func:`hybridopt.import_map`.
    path
        File to write (.csv).
    overwrite
        Whether a file that is there already is replaced.

    Raises
    ------
    InputError
        The file exists already, or its folder does not.
    FailedError
        The system refused to write it.
    """
    write_atomically(Path(path), map_writer(made, report_lines(made, quality)), overwrite)


def map_writer(made: BenchMap, notes: Sequence[str] = ()) -> Write:
    """Return what writes the map in long form to a path, with notes as `#` lines above."""
    speed, torque = (
        axis.ravel() for axis in np.meshgrid(made.map["speed"], made.map["torque"], indexing="ij")
    )
    names = f"speed_rpm,torque_Nm,{COLUMNS[made.points.kind]}\n"
    head = "".join(f"{comment_line(note)}\n" for note in notes) + names
    rows = np.column_stack((speed / RPM, torque, made.map.values.ravel())) + 0.0  # no -0

    def write(out: Path) -> None:
        with out.open("w", encoding="utf-8", newline="") as file:
            file.write(head)
            np.savetxt(file, rows, fmt="%.12g", delimiter=",")

    return write
