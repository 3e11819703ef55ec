"""The figures that a study keeps of every task, by name, unit and meaning."""

from typing import Any

import numpy as np

from ..base.nomenclature import BOUND_TOTALS, TOTALS, Quantity
from ..evaluation.case import Case, Score, score
from ..optimum.optimum import Optimum
from ..optimum.result import Result
from ..physics.modes import Mode

DONE, FAILED, WAITING = 0, 1, -1
TEXTS = {DONE: "done", FAILED: "failed", WAITING: "waiting"}

FIGURES: dict[str, Quantity] = {
    "status": Quantity("1", "0 done, 1 failed; the reason of a failure stands beside it"),
    "fuel_l_per_100km": TOTALS["fuel_l_per_100km"],
    "fuel_equal_l_per_100km": Quantity(
        "l/100 km", "fuel at the optimum's final state of charge, per distance"
    ),
    "co2_g_per_km": TOTALS["co2_g_per_km"],
    "fuel_g": TOTALS["fuel_g"],
    "fuel_equal_g": Quantity("g", "fuel at the optimum's final state of charge"),
    "cost_g": TOTALS["cost_g"],
    "cost_equal_g": Quantity("g", "cost at the optimum's final state of charge"),
    "bound_g": BOUND_TOTALS["bound_g"],
    "gap_percent": BOUND_TOTALS["gap_percent"],
    "gap_optimum_percent": Quantity("%", "cost_equal_g above the cost of the optimum"),
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
    "seconds": Quantity("s", "time the task took; the one figure that differs between runs"),
}
GOALS = tuple(name for name in FIGURES if name not in ("status", "seconds"))


def optimum_outcome(optimum: Optimum) -> tuple[dict[str, float], Result]:
    """Return figures and result of the optimum itself."""
    result = optimum.result()
    attrs = result.dataset.attrs
    extra = {
        "fuel_equal_g": attrs["fuel_g"],
        "fuel_equal_l_per_100km": attrs["fuel_l_per_100km"],
        "cost_equal_g": attrs["cost_g"],
        "gap_optimum_percent": 0.0,
        "balance_percent": 0.0,
        "clipped_steps": 0.0,
    }
    return _known(attrs) | extra, result


def controller_outcome(case: Case, name: str, controller: Any) -> tuple[dict[str, float], Result]:
    """Return figures and result of a controller on a case."""
    measured = score(case, name, controller)
    result = measured.result
    return _known(result.dataset.attrs) | _scores(measured, result), result


def _scores(measured: Score, result: Result) -> dict[str, float]:
    per_gram = result.fuel_l_per_100km / max(result.fuel_g, 1e-12)
    return {
        "fuel_equal_g": measured.fuel_equal_g,
        "fuel_equal_l_per_100km": measured.fuel_equal_g * per_gram,
        "cost_equal_g": measured.cost_equal_g,
        "gap_percent": measured.gap_bound_percent,
        "gap_optimum_percent": measured.gap_optimum_percent,
        "balance_percent": measured.balance_percent,
        "clipped_steps": float(measured.clipped_steps),
    }


def _known(attrs: dict[str, Any]) -> dict[str, float]:
    return {name: float(attrs[name]) for name in FIGURES if name in attrs}


def figure_row(figures: dict[str, float]) -> np.ndarray:
    """Return figures in the order of :data:`FIGURES`, NaN where one is not known."""
    return np.array([figures.get(name, np.nan) for name in FIGURES])
