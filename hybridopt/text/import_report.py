"""What an import read and did, in words and for machines."""

from typing import Any

from ..base.units import KM_PER_H
from ..measurements.drive import ImportedDrive
from ..measurements.log import printable


def report_lines(drive: ImportedDrive) -> list[str]:
    """Return the report: log, column of each signal, every intervention, and the cycle made.

    Parameters
    ----------
    drive
        From :func:`hybridopt.import_drive`.

    Returns
    -------
    list of str
        One line each, without newlines.
    """
    made = drive.cycle
    rows = [("Log", f"{printable(drive.log.path.name)!r}, {drive.log.kind}")]
    rows += [(name.capitalize(), choice.text(name)) for name, choice in drive.choices.items()]
    rows += [("" if i else "Done", one.text) for i, one in enumerate(drive.done)]
    text = f"{made.distance / 1e3:.3f} km in {made.duration:g} s, {made.dt.size} steps, "
    rows.append(("Cycle", f"{text}up to {made.max_speed / KM_PER_H:.1f} km/h"))
    return [f"{name:<10}{text}" for name, text in rows]


def report_record(drive: ImportedDrive) -> dict[str, Any]:
    """Return the report as a flat record for JSON."""
    made = drive.cycle
    channels = {
        signal: {
            "column": choice.column.name,
            "unit": choice.unit.sign if choice.unit else None,
            "by": choice.by,
        }
        for signal, choice in drive.choices.items()
    }
    return {
        "log": drive.log.path.name,
        "kind": drive.log.kind,
        "channels": channels,
        "done": [vars(one) for one in drive.done],
        "duration_s": made.duration,
        "distance_km": made.distance / 1e3,
        "max_speed_km_per_h": made.max_speed / KM_PER_H,
        "steps": int(made.dt.size),
        "cycle_sha256": made.sha256,
    }
