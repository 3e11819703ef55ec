"""What comfort and noise forbid: limits of the engine as data of a driveline."""

from dataclasses import dataclass

from xarray import DataArray

from ..base.units import KM_PER_H
from .fields import quantity, ranges

Ranges = tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class Comfort:
    """Limits for comfort and noise; what is left out limits nothing.

    `lugging_torque` (N m, dim speed) is the most that the engine gives at a speed, so that the
    driveline does not boom: below its first speed as there, above its last one without limit. It
    does not hold while the launch clutch slips, which keeps the engine's pulses off the driveline.
    In the speed ranges `no_start` and `no_stop` (m/s, ends included) the engine is neither started
    nor stopped. `torque_rise` and `torque_fall` (N m/s) limit how fast its torque changes from step
    to step; they give way where nothing else drives a step. The minimum times are those of the
    settings (s): the longer one counts.
    """

    lugging_torque: DataArray | None = None
    torque_rise: float | None = quantity("torque_rise_Nm_per_s", low=1, high=100_000, default=None)
    torque_fall: float | None = quantity("torque_fall_Nm_per_s", low=1, high=100_000, default=None)
    no_start: Ranges = ranges("no_start_km_per_h", KM_PER_H, low=0, high=500)
    no_stop: Ranges = ranges("no_stop_km_per_h", KM_PER_H, low=0, high=500)
    min_on_time: float = quantity("min_on_time_s", low=0, high=3600, default=0.0)
    min_off_time: float = quantity("min_off_time_s", low=0, high=3600, default=0.0)
    min_gear_time: float = quantity("min_gear_time_s", low=0, high=3600, default=0.0)
    min_reversal_time: float = quantity("min_reversal_time_s", low=0, high=3600, default=0.0)
