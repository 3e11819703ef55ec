"""Limits of comfort: the engine torques within reach, and for how long a drive meets each limit."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from collections.abc import Mapping

import numpy as np

from ..base.compiled import kernel
from ..inputs.comfort import Ranges
from ..inputs.driveline import Driveline
from .codes import SLIPPING
from .plant import pack

LOOKED_AT = ("dt", "speed", "engine_on", "engine_torque", "engine_speed", "launch_clutch")
"""Variables of a drive that limits of comfort bear on."""
NEAR = 1e-3  # N m, at a limit; above it by more is past it


@kernel(inline="always")
def _torque_span(rise, fall, before, dt):
    """Least and most torque of a running engine in a step after a torque, N m.

    NaN before is any. At 0 N m and below nothing is limited: the fuel may always be cut.
    """
    if before != before:
        return 0.0, np.inf
    return max(before - fall * dt, 0.0), before + rise * dt


def in_ranges(speed: np.ndarray, ranges: Ranges) -> np.ndarray:
    """Return whether each speed, m/s, lies in one of some ranges, ends included, (n,)."""
    inside = np.zeros(speed.size, dtype=bool)
    for low, high in ranges:
        inside |= (low <= speed) & (speed <= high)
    return inside


def comfort_totals(
    driveline: Driveline, rise: float | None, fall: float | None, trace: Mapping[str, np.ndarray]
) -> dict[str, float]:
    """Return for how long each limit of comfort bears on a drive, s.

    Parameters
    ----------
    driveline
        With its lugging line and speed ranges.
    rise, fall
        Rates of the engine's torque, N m/s; None is no limit.
    trace
        The replayed drive: of its variables those of :data:`LOOKED_AT`, (steps,).

    Returns
    -------
    dict
        By the names of `nomenclature.COMFORT_TOTALS`; those of limits that are not set are absent.
    """
    comfort = driveline.comfort
    dt, vehicle_speed, engine_on, engine_torque, speed, clutch = (trace[n] for n in LOOKED_AT)
    on = engine_on > 0
    torque = np.where(on, np.maximum(engine_torque, 0.0), 0.0)
    found = {}
    if comfort.lugging_torque is not None:
        plant = pack(driveline)
        line = np.interp(speed, plant.lugging_speed, plant.lugging)
        bound = on & (line < np.interp(speed, plant.full_speed, plant.full))
        bound &= clutch != SLIPPING
        found["lugging_limit_s"] = bound & (torque >= line - NEAR)
    goes_on = on[1:] & on[:-1]
    change, seconds = np.diff(torque), dt[1:]
    for name, rate, way, counts in (
        ("torque_rise", rise, 1.0, on[1:]),
        ("torque_fall", fall, -1.0, goes_on),
    ):
        if rate is not None:
            over = np.append(False, counts & (way * change > rate * seconds + NEAR))
            found[f"{name}_limit_s"] = np.append(
                False, counts & (way * change >= rate * seconds - NEAR)
            )
            found[f"{name}_passed_s"] = over
    for name, ranges, free in (
        ("no_start", comfort.no_start, ~on),
        ("no_stop", comfort.no_stop, on),
    ):
        if ranges:
            found[f"{name}_s"] = free & in_ranges(vehicle_speed, ranges)
    return {name: float(dt[where].sum()) for name, where in found.items()}
