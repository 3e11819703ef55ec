"""The rules of a measured car as text and JSON: how well they are known."""

from typing import TYPE_CHECKING, Any

import numpy as np

from ..base.cautions import CAUTION_LINE
from ..base.units import KM_PER_H, KW
from ..base.words import fixed
from .assessment import points, wrapped
from .table import table

if TYPE_CHECKING:
    from ..measured_car.strategy import CarStrategy

SCATTER_UNITS = {
    "engine_start": (KW, "kW"),
    "engine_stop": (KW, "kW"),
    "motor_torque": (1.0, "Nm"),
    "shift_up": (KM_PER_H, "km/h"),
    "shift_down": (KM_PER_H, "km/h"),
}
"""Factor and unit of the scatter around each table."""


def strategy_text(found: "CarStrategy") -> str:
    """Describe a car's rules in at most 80 columns of plain text.

    Parameters
    ----------
    found
        From :func:`hybridopt.strategy`.

    Returns
    -------
    str
        Lines without a final newline.
    """
    rows = []
    for name, coverage in found.rules.coverage.items():
        factor, unit = SCATTER_UNITS[name]
        reached = int(np.count_nonzero(~coverage.filled))
        rows.append(
            [
                name,
                fixed(found.scatter[name] / factor, 2),
                unit,
                f"{reached} of {coverage.filled.size}",
            ]
        )
    agree = ", ".join(f"{name} {100.0 * share:.1f} %" for name, share in found.agreement.items())
    head = f"In the car's own states the tables decide as it did in these shares of steps: {agree}."
    lines = [
        *wrapped(head),
        "",
        *table(("table", "scatter", "", "entries with data"), rows).splitlines(),
        "",
        *points([*found.notes, "entries without data follow their neighbours"]),
    ]
    return "\n".join([*lines, "", CAUTION_LINE])


def strategy_record(found: "CarStrategy") -> dict[str, Any]:
    """Return a car's rules as plain objects for JSON: how well they are known."""
    return {
        "title": found.rules.origin.title,
        "driveline": found.rules.origin.driveline,
        "logs": list(found.rules.origin.cycles),
        "agreement": dict(found.agreement),
        "tables": {
            name: {
                f"scatter_{SCATTER_UNITS[name][1].replace('/', '_per_')}": found.scatter[name]
                / SCATTER_UNITS[name][0],
                "entries": coverage.filled.size,
                "with_data": int(np.count_nonzero(~coverage.filled)),
            }
            for name, coverage in found.rules.coverage.items()
        },
        "notes": list(found.notes),
        "caution": CAUTION_LINE,
    }
