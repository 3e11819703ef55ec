"""What was identified of a car: report, record, and the driveline file that states it."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ..base.cautions import CAUTION_LINE
from ..base.units import KM_PER_H
from ..files.writing import Write, bytes_writer
from ..inputs.merging import driveline_names
from ..measured_car.identify import Identified
from ..measured_car.parameters import Estimate
from .record import json_ready
from .table import table

HEADER = ("parameter", "unit", "base", "fitted", "95 % interval", "data s", "told by")


def identified_text(found: Identified, width: int | None = None) -> str:
    """Return the report of an identification for the terminal.

    Parameters
    ----------
    found
        From :func:`hybridopt.identify`.
    width
        Characters per line; None does not wrap.

    Returns
    -------
    str
        Estimates with intervals, what was not identified and why, fuel of model and log.
    """
    names = ", ".join(one.name for one in found.recordings)
    parts = [f"Logs: {names}", f"Base: {found.base.name}", ""]
    parts.append(table(HEADER, [_row(one) for one in found.estimates], width))
    if any(one.key.startswith("gearbox.ratios") for one in found.estimates):
        parts.append(
            "Ratios: speeds tell ratio x final drive / tyre radius only; final drive and radius "
            "are the base's."
        )
    if found.not_identified:
        rows = [(one.key, one.reason) for one in found.not_identified]
        parts += [
            "",
            "Not identified, the base's figure stays:",
            table(("key", "why"), rows, width),
        ]
    parts += ["", *_observed(found), "", *_fuel(found)]
    return "\n".join(parts)


def _row(one: Estimate) -> tuple[str, ...]:
    interval = f"{one.low:.4g} to {one.high:.4g}"
    data = f"{one.seconds:.0f}"
    value = (one.key, one.unit, f"{one.base:.4g}", f"{one.value:.4g}", interval, data)
    return (*value, one.carried_by)


def _observed(found: Identified) -> list[str]:
    """Return what was seen beside the parameters."""
    lines = []
    if abs(found.offset) > 0.1 * KM_PER_H:
        lines.append(f"Speed channel: off by {found.offset / KM_PER_H:+.2f} km/h")
    for one, delay in zip(found.recordings, found.delays, strict=True):
        if abs(delay) > 0.05:
            lines.append(f"Speed channel of {one.name}: {delay:.2f} s behind the shaft")
    if np.isfinite(found.shift_time):
        lines.append(f"Shifts: {found.shift_time:.2f} s from gear to gear (median)")
    if found.over_full_load > 0.0:
        lines.append(
            f"Full load of the base exceeded by more than a tenth for {found.over_full_load:.0f} s"
        )
    return lines


def _fuel(found: Identified) -> list[str]:
    """Return lines on measured and modelled fuel."""
    if not any(np.isfinite(one.fuel) for one in found.predictions):
        return ["Fuel: not measured"]
    header = ("log", "fuel g", "at measured torque %", "from the road %", "which fit")
    sets = [(one, "all logs") for one in found.predictions]
    sets += [(one.prediction, "without this log") for one in found.left_out]
    rows = [
        (
            one.recording.name,
            f"{one.fuel:.1f}" if np.isfinite(one.fuel) else "-",
            _percent(one.fuel_model, one.fuel),
            _percent(one.fuel_road, one.fuel),
            words,
        )
        for one, words in sets
    ]
    lines = ["Fuel, model against measured:", table(header, rows)]
    if not found.left_out:
        lines.append("One log only: give several, so that each is predicted from the others.")
    return lines


def _percent(value: float, measured: float) -> str:
    told = np.isfinite(value) and measured > 0.0
    return f"{100.0 * (value / measured - 1.0):+.2f}" if told else "-"


def identified_record(found: Identified) -> dict[str, Any]:
    """Return an identification as plain objects for JSON.

    Parameters
    ----------
    found
        From :func:`hybridopt.identify`.

    Returns
    -------
    dict
        `estimates` and `not_identified` as lists of objects, and fuel by log.
    """

    def fuels(one: Any) -> dict[str, Any]:
        return json_ready(
            {
                "log": one.recording.name,
                "fuel_g": one.fuel,
                "fuel_at_measured_torque_g": one.fuel_model,
                "fuel_from_the_road_g": one.fuel_road,
            }
        )

    left = [
        fuels(one.prediction) | {"estimates": {e.key: e.value for e in one.estimates}}
        for one in found.left_out
    ]
    return {
        "base": found.base.name,
        "logs": [one.name for one in found.recordings],
        "estimates": [vars(one) for one in found.estimates],
        "not_identified": [vars(one) for one in found.not_identified],
        "speed_offset_m_per_s": found.offset,
        "speed_delays_s": list(found.delays),
        "shift_time_s": found.shift_time if np.isfinite(found.shift_time) else None,
        "over_full_load_s": found.over_full_load,
        "fuel": [fuels(one) for one in found.predictions],
        "left_out": left,
    }


def driveline_writer(found: Identified, base: str, path: Path) -> Write:
    """Return what writes the fitted driveline as a file on top of its base.

    Parameters
    ----------
    found
        From :func:`hybridopt.identify`.
    base
        As the user named it: a demo driveline or a TOML file.
    path
        Where the file will be; the base is named from there.
    """
    return bytes_writer(driveline_text(found, base, path).encode())


def driveline_text(found: Identified, base: str, path: Path) -> str:
    """Return the fitted driveline as TOML; parameters and meaning as :func:`driveline_writer`."""
    named = base
    if base not in driveline_names():
        named = Path(os.path.relpath(Path(base).resolve(), path.parent.resolve())).as_posix()
    lines = [f"# {CAUTION_LINE}"]
    lines += ["# Fitted to " + ", ".join(_plain(one.name) for one in found.recordings)]
    lines += ["# Behind each value: 95 % interval, seconds of data (or starts), what told it"]
    lines += [f"base = {_quoted(named)}", f"name = {_quoted(path.stem)}"]
    count = len(found.recordings)
    logs = "one log" if count == 1 else f"{count} logs"
    lines += [f"title = {_quoted(f'{found.base.name}, fitted to {logs}')}"]
    tables: dict[str, list[Estimate]] = {}
    for one in found.estimates:
        tables.setdefault(one.key.partition(".")[0], []).append(one)
    for name, estimates in tables.items():
        lines += ["", f"[{name}]"]
        lines += _ratio_lines(found, estimates)
        lines += [_line(one) for one in estimates if "[" not in one.key]
    if found.not_identified:
        lines += ["", "# Not identified, as the base has it:"]
        lines += [f"# {one.key}: {one.reason}" for one in found.not_identified]
    return "\n".join(lines) + "\n"


def _line(one: Estimate) -> str:
    key = one.key.partition(".")[2]
    return f"{key} = {one.value:.6g}  # {_interval(one)}; {one.carried_by}"


def _interval(one: Estimate) -> str:
    return f"{one.low:.5g} to {one.high:.5g}, {one.seconds:.0f}"


def _ratio_lines(found: Identified, estimates: list[Estimate]) -> list[str]:
    told: Mapping[str, Estimate] = {one.key: one for one in estimates if "[" in one.key}
    if not told:
        return []
    lines = [
        "# with the base's final drive and tyre radius: only their product is told",
        "ratios = [",
    ]
    for gear, ratio in enumerate(found.driveline.gearbox.ratios):
        one = told.get(f"gearbox.ratios[{gear}]")
        words = _interval(one) if one else "not identified"
        lines.append(f"  {ratio:.6g},  # gear {gear + 1}: {words}")
    return [*lines, "]"]


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def _quoted(text: str) -> str:
    escaped = _plain(text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
