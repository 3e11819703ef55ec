"""Data of the interactive charts, as JSON that is safe inside a page."""

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..base.units import KM_PER_H, PERCENT
from ..physics.modes import Mode
from ..plots.axes import edges
from ..plots.colours import (
    BRAKE_COLOUR,
    ENGINE_COLOUR,
    ENGINE_FILL,
    INK,
    MODE_COLOURS,
    MOTOR_COLOUR,
)

if TYPE_CHECKING:
    from ..optimum.result import Result

VALUES = [
    ["speed", "speed", "km/h"],
    ["mode", "mode", ""],
    ["gear", "gear", ""],
    ["engine", "engine", "N m"],
    ["motor", "motor", "N m"],
    ["brakes", "brakes", "N m"],
    ["SoC", "soc", "%"],
    ["worth of charge", "costate", "g per %"],
]
"""Label, name in the data and unit of the values shown at the cursor."""


def chart_data(result: "Result", name: str) -> dict[str, Any]:
    """Return all that the script of the page needs of one result.

    Parameters
    ----------
    result
        What is shown.
    name
        Identity of its place in the page: a letter, then letters and digits.
    """
    dataset, attrs = result.dataset, result.dataset.attrs
    ends = edges(dataset)
    columns = {
        "speed": (dataset["speed"].values / KM_PER_H, 2),
        "gear": (dataset["gear"].values, 0),
        "mode": (dataset["mode"].values, 0),
        "engine": (dataset["engine_torque"].values, 1),
        "motor": (dataset["motor_torque"].values, 1),
        "brakes": (dataset["brake_torque"].values, 0),
        "soc": (np.append(dataset["soc"].values, attrs["soc_end"]) / PERCENT, 3),
        "costate": (dataset["costate"].values * PERCENT, 3),
    }
    data = {key: _rounded(values, digits) for key, (values, digits) in columns.items()}
    return {
        "id": name,
        "cycle": str(attrs.get("cycle_sha256", attrs["cycle"])),
        "label": f"Charts over time of {attrs['cycle']}, driveline {attrs['driveline']}; the "
        "values at the cursor stand above, all values are in the result's file",
        "time": _rounded(ends, 3),
        "data": data,
        "values": VALUES,
        "modes": [mode.text for mode in Mode],
        "panels": _panels(dataset, json.loads(attrs["settings"])),
    }


def share_ranges(runs: Sequence[dict[str, Any]]) -> None:
    """Give the charts of several results the same scales."""
    limits: dict[str, list[float]] = {}
    for panel in (panel for run in runs for panel in run["panels"]):
        low, high = limits.setdefault(panel["name"], list(panel["range"]))
        limits[panel["name"]] = [min(low, panel["range"][0]), max(high, panel["range"][1])]
    for panel in (panel for run in runs for panel in run["panels"]):
        panel["range"] = limits[panel["name"]]


def safe_json(value: Any) -> str:
    """Return JSON that ends no script element and opens no comment in a page."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _panels(dataset: Any, settings: dict[str, Any]) -> list[dict[str, Any]]:
    torques = [dataset[f"{name}_torque"].values for name in ("engine", "motor")]
    low, high = min(float(t.min()) for t in torques), max(float(t.max()) for t in torques)
    gears = max(int(dataset["gear"].values.max()), 2)
    top = max(float(dataset["speed"].values.max()) / KM_PER_H, 1.0)
    window = [settings["soc_min"] / PERCENT, settings["soc_max"] / PERCENT]
    braking = min(1.05 * float(dataset["brake_torque"].values.min()), -1.0)
    torque = "torque of engine (filled) and motor (N m)"
    shafts = [("engine", ENGINE_FILL, True), ("motor", MOTOR_COLOUR, False)]
    charge = f"state of charge (%), window {window[0]:g} to {window[1]:g} %"
    panels = [
        _panel("speed", "speed (km/h)", 95, [0.0, 1.05 * top], [("speed", INK, False)]),
        _panel("gear", "gear (-)", 60, [0.4, gears + 0.6], [("gear", ENGINE_COLOUR, False)])
        | {"marks": list(range(gears, 0, -2 if gears > 4 else -1))},
        {
            "name": "mode",
            "title": "mode, lanes in the order of the key",
            "height": 96,
            "range": [0.0, 1.0],
            "lanes": [{"text": m.text, "colour": MODE_COLOURS[m]} for m in Mode],
        },
        _panel("torque", torque, 130, [1.06 * min(low, -1.0), 1.06 * max(high, 1.0)], shafts),
        _panel(
            "brakes",
            "friction brakes at the wheels (N m)",
            56,
            [braking, 0.0],
            [("brakes", BRAKE_COLOUR, True)],
        ),
        _panel("soc", charge, 110, window, [("soc", MOTOR_COLOUR, False)]),
    ]
    worth = dataset["costate"].values * PERCENT
    if np.isfinite(worth).any():
        low, high = (float(x) for x in np.nanpercentile(worth, [2.0, 98.0]))
        room = max(0.15 * (high - low), 0.02 * abs(high), 1e-3)
        limits = [low - room, high + room]
        line = [("costate", INK, False)]
        panels.append(_panel("costate", "fuel worth of charge (g per % SoC)", 80, limits, line))
    return panels


def _panel(
    name: str, title: str, height: int, limits: list[float], series: list[tuple[str, str, bool]]
) -> dict[str, Any]:
    rows = [{"name": key, "colour": colour, "fill": fill} for key, colour, fill in series]
    return {"name": name, "title": title, "height": height, "range": limits, "series": rows}


def _rounded(values: Any, digits: int) -> list[float | int | None]:
    """Return rounded values, None for what is no number."""
    values = np.asarray(values, dtype=float)
    if digits == 0:
        return [int(round(x)) if np.isfinite(x) else None for x in values.tolist()]
    return [round(x, digits) + 0.0 if np.isfinite(x) else None for x in values.tolist()]
