"""What a recording holds and what its channels do not agree on, in words and for machines."""

from typing import Any

import numpy as np

from ..base.words import cut
from ..measurements.channels import ChosenColumn
from ..measurements.recording import CHANNELS, Recording
from ..measurements.recording_writing import in_file_unit, shown_unit
from .import_report import report_lines as drive_lines
from .import_report import report_record as drive_record
from .table import table, terminal_width

UNUSED = 8
HEADER = ("channel", "unit", "measured", "least", "mean", "most", "column")


def report_lines(recording: Recording, width: int | None = None) -> list[str]:
    """Return the report: the drive's import, a table of channels, and the findings.

    Parameters
    ----------
    recording
        From :func:`hybridopt.read_recording`.
    width
        Characters of a line of the table; None does not wrap.

    Returns
    -------
    list of str
        One line each, without newlines.
    """
    rows = []
    for name in CHANNELS:
        if name in recording.channels:
            stats = _statistics(recording, name)
            values = [f"{stats[key]:.4g}" for key in ("least", "mean", "most")]
            column = _column(recording.choices.get(name))
            unit = shown_unit(name)
            rows.append([name, unit, f"{stats['measured']:.1%}", *values, column])
    base = f"{'Base':<10}{recording.time.size} points every {recording.step:.3g} s"
    lines = [*drive_lines(recording.drive), base, ""]
    lines += table(HEADER, rows, width).splitlines()
    return [*lines, *_unused_lines(recording), "", *_finding_lines(recording)]


def short_lines(recording: Recording) -> list[str]:
    """Return the import of the drive and the findings, for the head of a file."""
    return [*drive_lines(recording.drive), *_finding_lines(recording)]


def _unused_lines(recording: Recording) -> list[str]:
    """Return the columns of the log that no channel was read from, the first few."""
    used = {choice.column.name for choice in recording.choices.values()}
    rest = [one.name for one in recording.drive.log.columns if one.name not in used]
    if not rest:
        return []
    more = f" and {len(rest) - UNUSED} more" if len(rest) > UNUSED else ""
    return ["", f"Unused    {', '.join(cut(name, 40) for name in rest[:UNUSED])}{more}"]


def _finding_lines(recording: Recording) -> list[str]:
    if not recording.findings:
        return ["Findings  none: no channel contradicts another"]
    return [
        f"{'' if number else 'Findings':<10}{one.kind}: {one.text}"
        for number, one in enumerate(recording.findings)
    ]


def report_text(recording: Recording) -> str:
    """Return the report for a terminal: what was read, a table of channels, and the findings.

    Parameters
    ----------
    recording
        From :func:`hybridopt.read_recording`.

    Returns
    -------
    str
        Lines as wide as the terminal.
    """
    return "\n".join(report_lines(recording, terminal_width()))


def report_record(recording: Recording) -> dict[str, Any]:
    """Return the report for JSON: channels with statistics in SI, and findings."""
    channels = {}
    for name, _ in recording.channels.items():
        choice = recording.choices.get(name)
        channels[name] = {
            "column": choice.column.name if choice else None,
            "unit": choice.unit.sign if choice and choice.unit else None,
            "by": choice.by if choice else None,
            "si": CHANNELS[name].unit,
            **_statistics(recording, name, si=True),
        }
    return drive_record(recording.drive) | {
        "points": int(recording.time.size),
        "step_s": recording.step,
        "recorded": channels,
        "findings": [
            {
                "kind": one.kind,
                "channels": list(one.channels),
                "text": one.text,
                "start_s": one.start,
                "stop_s": one.stop,
            }
            for one in recording.findings
        ],
    }


def _statistics(recording: Recording, name: str, si: bool = False) -> dict[str, float]:
    values = recording.channels[name]
    shown = values if si else in_file_unit(name, values)
    known = shown[np.isfinite(shown)]
    return {
        "measured": float(known.size / shown.size),
        "least": float(known.min()),
        "mean": float(known.mean()),
        "most": float(known.max()),
    }


def _column(choice: ChosenColumn | None) -> str:
    """Return the column, its unit and who chose it, "made" where there is none."""
    if choice is None:
        return "made of others"
    unit = f" in {choice.unit.sign}" if choice.unit else ""
    return f"{choice.column.name}{unit} (by {choice.by})"
