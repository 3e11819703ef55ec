"""Settings that a driveline or a cycle leaves without effect."""

from collections.abc import Iterator

import numpy as np

from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.thermal import limited_parts
from .settings import Settings


def idle_settings(settings: Settings, driveline: Driveline, cycle: Cycle) -> Iterator[str]:
    """Yield a sentence for each setting that was given and has no effect on a solve.

    Parameters
    ----------
    settings, driveline, cycle
        Of the solve.
    """
    warms, given = settings.warms, ~np.isnan(cycle.oil_temperature)
    if settings.stop_oil_temperature is not None and not (warms or given.any()):
        yield (
            f"setting stop_oil_temperature has no effect on cycle {cycle.name}, which has no "
            "column oil_temperature_C; add it or ambient_temperature, or leave the setting out"
        )
    if settings.oil_temperature_start is not None and not warms:
        yield (
            "setting oil_temperature_start has no effect without ambient_temperature; add it, or "
            "leave the setting out"
        )
    if warms and settings.thermal_limits:
        yield (
            "setting thermal_limits has no effect with ambient_temperature: no limits are kept "
            "where the oil warms up; leave one of the two out"
        )
    if settings.thermal_limits and not limited_parts(driveline):
        yield (
            f"setting thermal_limits has no effect on driveline {driveline.name}, which gives "
            "neither heat_capacity_kJ_per_K of the clutches nor a continuous torque of the motor "
            "nor a continuous_share of the battery; add one, or leave the setting out"
        )
