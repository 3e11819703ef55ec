"""The values that a study keeps of every task, by name, unit and meaning."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from ..base.cautions import CAUTION
from ..base.nomenclature import (
    BOUND_TOTALS,
    EMISSION_TOTALS,
    EQUAL_TOTALS,
    SPECIES,
    TOTALS,
    Quantity,
)
from ..evaluation.case import Case, score
from ..optimum.optimum import Optimum
from ..optimum.result import Result
from ..physics.modes import Mode

DONE, FAILED, WAITING = 1, 2, -1  # never 0, which damaged or empty files read as
STATUS_WORDS = {DONE: "done", FAILED: "failed", WAITING: "waiting"}

VALUES: dict[str, Quantity] = {
    "status": Quantity("1", "1 done, 2 failed; the reason of a failure stands beside it"),
    "fuel_l_per_100km": TOTALS["fuel_l_per_100km"],
    "fuel_equal_l_per_100km": Quantity("l/100 km", "fuel at equal SoC, per distance"),
    "co2_g_per_km": TOTALS["co2_g_per_km"],
    "fuel_g": TOTALS["fuel_g"],
    "cost_g": TOTALS["cost_g"],
    **EQUAL_TOTALS,
    "bound_g": BOUND_TOTALS["bound_g"],
    "gap_percent": BOUND_TOTALS["gap_percent"],
    "balance_percent": Quantity("%", "energy off balance at the end, of the fuel energy"),
    "soc_start": TOTALS["soc_start"],
    "soc_end": TOTALS["soc_end"],
    "starts": TOTALS["starts"],
    "shifts": TOTALS["shifts"],
    "clipped_steps": Quantity("1", "steps in which a controller's command was clipped"),
    "distance_km": TOTALS["distance_km"],
    "duration_s": TOTALS["duration_s"],
    "energy_residual": TOTALS["energy_residual"],
    **{
        f"share_{mode.name.lower()}": Quantity("1", f"share of time in {mode.text}")
        for mode in Mode
    },
    **{name: one for name, one in EMISSION_TOTALS.items() if name.startswith(tuple(SPECIES))},
    "seconds": Quantity("s", "time the task took; the one value that differs between runs"),
}
"""In the order in which stores keep them."""
GOALS = tuple(name for name in VALUES if name not in ("status", "seconds"))


def optimum_values(optimum: Optimum) -> tuple[dict[str, float], Result]:
    """Return values and result of the optimum itself."""
    result = optimum.result()
    attrs = result.dataset.attrs
    return _totals(result) | {
        "fuel_equal_g": attrs["fuel_g"],
        "fuel_equal_l_per_100km": attrs["fuel_l_per_100km"],
        "cost_equal_g": attrs["cost_g"],
        "fuel_above_optimum_percent": 0.0,
        "cost_above_optimum_percent": 0.0,
        "balance_percent": 0.0,
        "clipped_steps": 0.0,
    }, result


def controller_values(case: Case, name: str, controller: Any) -> tuple[dict[str, float], Result]:
    """Return values and result of a controller on a case."""
    measured = score(case, name, controller, moments=None)
    result = measured.result
    per_gram = result.fuel_l_per_100km / max(result.fuel_g, 1e-12)
    return _totals(result) | {
        "fuel_equal_l_per_100km": measured.fuel_equal_g * per_gram,
        "balance_percent": measured.balance_percent,
        "clipped_steps": float(measured.clipped_steps),
    }, result


def _totals(result: Result) -> dict[str, float]:
    attrs = result.dataset.attrs
    return {name: float(attrs[name]) for name in VALUES if name in attrs}


def value_row(values: Mapping[str, float]) -> np.ndarray:
    """Return values in the order of :data:`VALUES`, NaN where one is not known."""
    return np.array([values.get(name, np.nan) for name in VALUES])


def values_dataset(
    rows: np.ndarray, dims: Sequence[str], coordinates: Mapping[str, Any]
) -> xr.Dataset:
    """Return rows of values as a Dataset, each value a variable with unit and meaning.

    Parameters
    ----------
    rows
        Shape (..., values); NaN in all of a row where its task waits.
    dims
        Names of all axes of `rows` but the last.
    coordinates
        As :class:`xarray.Dataset` takes them.
    """
    data = xr.Dataset(coords=coordinates, attrs={"caution": CAUTION})
    for i, (name, quantity) in enumerate(VALUES.items()):
        attrs = {"units": quantity.unit, "long_name": quantity.meaning}
        data[name] = tuple(dims), rows[..., i], attrs
    data["status"] = data["status"].fillna(WAITING).astype(np.int64, keep_attrs=True)
    return data
