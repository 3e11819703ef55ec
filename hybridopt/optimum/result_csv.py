"""The traces of a result as CSV in the units of the trade, for a spreadsheet."""

from io import TextIOBase
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..base.nomenclature import EMISSION_VARIABLES, STEP_VARIABLES, Quantity
from ..base.units import KM_PER_H, KW, PERCENT, RPM
from ..files.writing import comment_line
from ..physics.modes import Mode

if TYPE_CHECKING:
    from xarray import Dataset

DIGITS = 12
SHARES = ("soc_", "share_", "corridor_width")  # totals between 0 and 1 that begin so
SHOWN = {
    "1": (1.0, ""),
    "s": (1.0, "_s"),
    "m/s": (KM_PER_H, "_km_per_h"),
    "m/s2": (1.0, "_m_per_s2"),
    "rad/s": (RPM, "_rpm"),
    "N m": (1.0, "_Nm"),
    "g/s": (1.0, "_g_per_s"),
    "W": (KW, "_kW"),
    "A": (1.0, "_A"),
    "V": (1.0, "_V"),
}
"""By the unit of a variable: divisor, and end of the column's name."""
OWN = {"soc": (PERCENT, "_percent"), "costate": (1.0 / PERCENT, "_g_per_percent")}
MODES = np.array([mode.name.lower() for mode in Mode])


def columns(more: dict[str, Quantity] | None = None) -> dict[str, tuple[str, float]]:
    """Return variable and divisor by column name: rpm, km/h, kW and %, the rest as in the file."""
    found = {}
    for name, quantity in {"time": STEP_VARIABLES["dt"], **STEP_VARIABLES, **(more or {})}.items():
        divisor, unit = OWN.get(name) or SHOWN[quantity.unit]
        found[name + unit] = name, divisor
    return found


def write_result_csv(dataset: "Dataset", path: Path) -> None:
    """Write `#` lines with the totals, then a head line and a row per step.

    The mode is written by its name. The numbers have :data:`DIGITS` digits; the NetCDF file holds
    all of them.
    """
    shown = columns({n: one for n, one in EMISSION_VARIABLES.items() if n in dataset})
    cells = [_cells(dataset, *shown[name]) for name in shown]
    with path.open("w", encoding="utf-8", newline="") as file:
        _write_totals(dataset.attrs, file)
        file.write(",".join(shown) + "\n")
        file.writelines(",".join(row) + "\n" for row in zip(*cells, strict=True))


def _cells(dataset: "Dataset", name: str, divisor: float) -> list[str]:
    values = dataset[name].values
    if name == "mode":
        return list(MODES[values.astype(int)])
    return [f"{value:.{DIGITS}g}" for value in (values / divisor).tolist()]


def _write_totals(attrs: dict[str, Any], file: TextIOBase) -> None:
    for key, value in attrs.items():
        if key.startswith(SHARES):
            key, value = f"{key}_percent", value / PERCENT
        file.write(comment_line(f"{key}: {value}") + "\n")
    file.write("# " + ", ".join(f"{mode.name.lower()}: {mode.text}" for mode in Mode) + "\n")
