"""What leaves engine and catalyst over a drive."""

import numpy as np
import xarray as xr

from ..inputs.catalyst import Catalyst
from ..inputs.driveline import Driveline

EARLY = 1e-9  # s, what rounding may take of a time


def lit_steps(catalyst: Catalyst, engine_on: np.ndarray, dt: np.ndarray) -> np.ndarray:
    """Return the steps in which a catalyst is lit, bool, (steps,).

    Parameters
    ----------
    catalyst
        With a heating time.
    engine_on
        Whether the engine runs in each step, (steps,).
    dt
        s, (steps,).
    """
    assert catalyst.heating_time is not None  # asked for before
    ran = np.where(engine_on, dt, 0.0)
    return np.asarray(np.cumsum(ran) - ran >= catalyst.heating_time - EARLY)


def emission_totals(driveline: Driveline, trace: xr.Dataset) -> dict[str, float]:
    """Return a drive's :data:`hybridopt.base.nomenclature.EMISSION_TOTALS` as far as it has any.

    Prices count as the driveline's engine has them.
    """
    engine, catalyst, dt = driveline.engine, driveline.catalyst, trace.dt.values
    grams = {name: trace[f"{name}_rate"].values * dt for name in engine.emissions}
    found = {f"{name}_g": float(raw.sum()) for name, raw in grams.items()}
    lit = np.zeros(dt.size, dtype=bool)
    if grams and catalyst.heating_time is not None:
        lit = lit_steps(catalyst, trace.engine_on.values > 0, dt)
        for name, raw in grams.items():
            passed = np.where(lit, catalyst.passed[name], 1.0)
            found[f"{name}_tailpipe_g"] = float((raw * passed).sum())
        found["catalyst_lit_s"] = float(dt[~lit].sum())
    prices = engine.emission_prices.items()
    if prices:
        paid = sum(np.where(lit, price.lit, price.cold) @ grams[name] for name, price in prices)
        found["emission_cost_g"] = float(paid)
        found |= {f"{name}_price": price.cold for name, price in prices}
    return found
