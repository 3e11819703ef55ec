"""What becomes of the oil's temperature over a drive, where it is a state."""

import numpy as np
import xarray as xr

from ..inputs.driveline import Driveline
from ..physics.demand import Demand
from ..physics.operating_points import demand_rows
from ..physics.warm_up import _warmed, cabin_missing, make_warming
from ..problem.settings import Settings


def oil_totals(
    driveline: Driveline, demand: Demand, settings: Settings, trace: xr.Dataset
) -> dict[str, float]:
    """Return :data:`hybridopt.base.nomenclature.OIL_TOTALS` where the oil's temperature counts."""
    if settings.ambient_temperature is None:
        return {}
    warming = make_warming(driveline, settings.ambient_temperature)
    fuel = float(
        ((trace.fuel_rate - trace.shift_power / driveline.fuel.heating_value) * trace.dt)[-1]
    )
    return {
        "oil_start_C": float(demand.oil_temperature[0]),
        "oil_end_C": float(
            _warmed(warming, demand.oil_temperature[-1], demand_rows(demand)[-1], fuel)
        ),
        "oil_warm_s": _seconds_until_warm(driveline, demand),
        "heater_kJ": float((demand.heater_power * demand.dt).sum()) / 1e3,
        "cabin_missing_kJ": cabin_missing(warming, demand) / 1e3,
    }


def _seconds_until_warm(driveline: Driveline, demand: Demand) -> float:
    """Return the time until the oil is within a tenth of its rise of the warm temperature, s."""
    start, warm = float(demand.oil_temperature[0]), driveline.engine.warm_temperature
    cold = demand.oil_temperature < warm - 0.1 * (warm - start)
    return float((demand.dt * np.logical_and.accumulate(cold)).sum())
