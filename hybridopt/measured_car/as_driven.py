"""The problem that a measured drive poses: its cycle, what surrounds it, and where it begins."""

import dataclasses
from dataclasses import dataclass

import numpy as np

from ..base.units import PERCENT
from ..inputs.cycle import Cycle
from ..inputs.cycle_checks import GRADE_MAX
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..measurements.refreshes import coarse_step
from ..problem.settings import Settings
from .balanced_speed import balanced_cycle
from .coasting import coasting_cycle
from .fine_speed import TURNING, finer_cycle
from .launches import with_launches
from .road import read_road

OIL_CHANNELS = ("oil_temperature",)
ROOM = 0.005  # of SoC, between a measured SoC and the end of a widened window


@dataclass(frozen=True, eq=False)
class AsDriven:
    """A measured drive as a problem.

    Attributes
    ----------
    cycle : speed and grade of the recording, with its oil temperature
    driveline : the model, with the auxiliary load of the recording
    settings : with the SoC at the start, in a window that holds the measured SoC
    soc : measured state of charge at the points of the cycle, NaN where not known, (steps + 1,)
    notes : what was taken from the recording, and what was assumed, one sentence each
    """

    cycle: Cycle
    driveline: Driveline
    settings: Settings
    soc: np.ndarray
    notes: tuple[str, ...]


def as_driven(
    recording: Recording, driveline: Driveline, settings: Settings | None = None
) -> AsDriven:
    """Return what a measured drive poses to the model.

    Parameters
    ----------
    recording, driveline
        The drive and its model.
    settings
        As for :func:`hybridopt.solve_cycle`; SoC at the start comes from the recording where it
        was measured, and the window is widened to hold the measured SoC.
    """
    notes: list[str] = []
    cycle = _with_oil(recording, _with_speed(recording, driveline, notes), notes)
    driveline = _with_load(recording, driveline, notes)
    if (road := read_road(recording, cycle)) is not None:
        cycle = dataclasses.replace(cycle, grade=np.clip(road.grade, -GRADE_MAX, GRADE_MAX))
        notes.append("grade by altitudes, as smooth as they say that the road is")
    if (balanced := balanced_cycle(recording, driveline, cycle, road)) is not None:
        cycle = balanced
        notes.append(
            "speed and grade within their noise where the torques of engine and motor say they were"
        )
    cycle = coasting_cycle(recording, driveline, cycle)
    settings = (settings or Settings()).resolved(driveline)
    soc = measured_soc(recording, driveline, settings.socs[2], notes)
    return AsDriven(cycle, driveline, _begins(settings, driveline, soc, notes), soc, tuple(notes))


def _with_speed(recording: Recording, driveline: Driveline, notes: list[str]) -> Cycle:
    finer = finer_cycle(recording, driveline)
    if finer is not None and coarse_step(recording.drive.raw.values):
        notes.append("speed between the coarse steps of its channel from the speed of the shaft")
    return with_launches(recording, driveline, finer or recording.cycle)


def _with_oil(recording: Recording, cycle: Cycle, notes: list[str]) -> Cycle:
    for name in OIL_CHANNELS:
        if not recording.has(name):
            continue
        values = recording.channels[name]
        known = np.isfinite(values)
        if known.any():
            at = np.interp(cycle.time, recording.time[known], values[known])
            notes.append(f"oil from {at.min():.0f} to {at.max():.0f} degC, as measured")
            return dataclasses.replace(cycle, oil_temperature=np.clip(at, -60.0, 200.0))
    return cycle


def _with_load(recording: Recording, driveline: Driveline, notes: list[str]) -> Driveline:
    load = recording.channels.get("auxiliary_power")
    if load is None or not np.isfinite(load).any():
        notes.append(f"auxiliary load of the model, {driveline.auxiliary.power:.0f} W")
        return driveline
    power = max(float(np.nanmean(load)), 0.0)
    power = max(power - _pump_power(recording, driveline), 0.0)
    notes.append(
        f"auxiliary load constant at the mean measured, {power:.0f} W (model: "
        f"{driveline.auxiliary.power:.0f} W)"
    )
    auxiliary = dataclasses.replace(driveline.auxiliary, power=power, table=None)
    return dataclasses.replace(driveline, auxiliary=auxiliary)


def _pump_power(recording: Recording, driveline: Driveline) -> float:
    """Return the mean power of the electric oil pump, which the model counts beside the load, W."""
    clutches = driveline.clutches
    if not clutches.electric_oil_pump or not recording.has("engine_speed"):
        return 0.0
    off = recording.channels["engine_speed"] < TURNING * driveline.engine.idle_speed
    moving = recording.channels["speed"] > 0.0
    return clutches.oil_pump_power * float(np.mean(off & moving))


def measured_soc(
    recording: Recording, driveline: Driveline, start: float, notes: list[str]
) -> np.ndarray:
    """Return the SoC at the points of the cycle, by its channel or by counting charge."""
    time = recording.cycle.time
    soc = recording.channels.get("soc")
    if soc is not None and np.isfinite(soc).any():
        return _at(time, recording.time, soc)
    current = recording.channels.get("battery_current")
    if current is not None and np.isfinite(current).any():
        known = np.isfinite(current)
        every = np.interp(recording.time, recording.time[known], current[known])
        battery = driveline.battery
        into = np.where(every < 0.0, battery.coulombic_efficiency, 1.0) * every
        step = np.diff(recording.time, prepend=recording.time[0])
        notes.append(
            f"SoC was not measured: counted from the current, from {start / PERCENT:.1f} % on"
        )
        return _at(time, recording.time, start - np.cumsum(into * step) / battery.capacity)
    notes.append(f"SoC was not measured: assumed {start / PERCENT:.1f} % at the start")
    return np.full(time.size, np.nan)


def _at(points: np.ndarray, time: np.ndarray, values: np.ndarray) -> np.ndarray:
    known = np.isfinite(values)
    return np.asarray(np.interp(points, time[known], values[known]))


def _begins(
    settings: Settings, driveline: Driveline, soc: np.ndarray, notes: list[str]
) -> Settings:
    """Return settings that begin at the measured SoC, in a window that holds all of it."""
    if np.isnan(soc).all():
        return settings
    low, high, _, _ = settings.socs
    table = driveline.battery.table["soc"].values
    least, most = float(soc.min()), float(soc.max())
    wider = (
        low if least >= low else max(least - ROOM, float(table[0])),
        high if most <= high else min(most + ROOM, float(table[-1])),
    )
    if wider != (low, high):
        notes.append(
            f"SoC window widened from {low / PERCENT:.1f} to {high / PERCENT:.1f} % to "
            f"{wider[0] / PERCENT:.1f} to {wider[1] / PERCENT:.1f} %, where the car was"
        )
    start = float(np.clip(soc[0], *wider))
    return dataclasses.replace(
        settings,
        soc_min=wider[0],
        soc_max=wider[1],
        soc_start=start,
        soc_target=start if settings.terminal == "sustain" else settings.soc_target,
    )
