"""What the model predicts for a measured drive, against what was measured."""

from typing import NamedTuple

import numpy as np
import xarray as xr

from ..base.percent import percent_above
from ..measurements.recording import Recording
from .as_driven import AsDriven
from .step_samples import one_a_step

TRUSTED = 5.0  # %, a fuel error above which a verdict is not to be trusted; common practice
ENOUGH = 0.9  # share of the drive in which the fuel must be known


class AgainstLog(NamedTuple):
    """Fuel and SoC of the replayed drive beside those measured; NaN where not measured.

    Attributes
    ----------
    fuel_g, fuel_measured_g : g
    fuel_error_percent : the model's above the measured one, % of that
    soc_end, soc_end_measured : state of charge at the end
    soc_error : root mean square over the drive
    fuel, fuel_measured : g up to each point of the cycle, (steps + 1,)
    """

    fuel_g: float
    fuel_measured_g: float
    fuel_error_percent: float
    soc_end: float
    soc_end_measured: float
    soc_error: float
    fuel: np.ndarray
    fuel_measured: np.ndarray

    @property
    def trusted(self) -> bool:
        """Whether the fuel was measured and the model is near enough to it."""
        return bool(abs(self.fuel_error_percent) <= TRUSTED)


def against_log(recording: Recording, driven: AsDriven, trace: xr.Dataset) -> AgainstLog:
    """Compare a replayed drive with what was measured.

    Parameters
    ----------
    recording, driven
        The drive, and the problem it poses.
    trace
        Of the replayed drive.
    """
    rate, dt = trace["fuel_rate"].values, trace["dt"].values
    fuel = np.concatenate(([0.0], np.cumsum(rate * dt)))
    measured = measured_fuel(recording)
    soc = np.append(trace["soc"].values, trace.attrs["soc_end"])
    off = soc - driven.soc
    return AgainstLog(
        fuel_g=float(fuel[-1]),
        fuel_measured_g=float(measured[-1]),
        fuel_error_percent=percent_above(float(fuel[-1]), float(measured[-1])),
        soc_end=float(soc[-1]),
        soc_end_measured=float(driven.soc[-1]),
        soc_error=float(np.sqrt(np.mean(off**2))),
        fuel=fuel,
        fuel_measured=measured,
    )


def measured_fuel(recording: Recording) -> np.ndarray:
    """Return the fuel measured up to each point of the cycle, g; NaN where not known.

    Gaps are closed by a straight line, up to a tenth of the drive.
    """
    points = recording.cycle.time
    rate = recording.channels.get("fuel_rate")
    known = np.zeros(0, dtype=bool) if rate is None else np.isfinite(rate)
    inside = (recording.time >= points[0]) & (recording.time <= points[-1])
    if rate is None or known[inside].mean() < ENOUGH:
        return np.full(points.size, np.nan)
    every = np.interp(recording.time, recording.time[known], rate[known])
    if one_a_step(recording):
        return np.concatenate(([0.0], np.cumsum(every * np.diff(points))))
    step = np.diff(recording.time)
    total = np.concatenate(([0.0], np.cumsum(0.5 * (every[1:] + every[:-1]) * step)))
    at = np.interp(points, recording.time, total)
    return np.asarray(at - at[0])
