"""A log of a sample a second or two, taken apart into steps that begin where the car decided.

Samples so far apart are means of what the car did before and after each decision, or fall on either
side of it. Starts and stops of the engine show to some hundredths of a second in its speed; steps
begin there, evenly in between. Speed is the polyline over them whose means are nearest to the
samples of speed and shaft, gears those whose shaft is nearest, and torques, fuel and powers what
gives the samples as means: nothing of the engine's while it is off, and of the motor what speed and
engine leave to it, as far as its samples agree.
"""

import dataclasses
from typing import NamedTuple

import numpy as np
from scipy import sparse

from ..base.units import RPM
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..measurements.log import Samples
from ..measurements.recording import Recording
from ..physics.codes import EngineClass
from ..physics.demand import drive_demand
from ..physics.entries import S_TOTAL
from ..physics.plant import pack
from .channel_noise import COARSE
from .electric_fit import losses_at
from .engine_moments import Moments, borders_between, engine_moments
from .fine_speed import MOVING, NEAR_RATIO
from .regression import regress
from .step_phase import HELD
from .step_samples import held
from .told_torques import fill_shafts
from .unmixing import polyline_windows, solved, unmixed, windows

NEEDED = ("speed", "engine_speed", "motor_speed", "gear")
ENGINE = ("engine_torque", "fuel_rate")
ELECTRIC = ("motor_torque", "motor_power", "battery_current", "battery_voltage")
"""Channels that change together; what of the torque does is its power at the motor's speed."""
SHORT = 0.03  # s, shorter delays are not listed
LAGS = np.arange(-0.4, 0.41, 0.05)  # s, that channels may be behind the shaft
LEAST_ROWS = 30  # samples, that a delay is told by
ERROR, CHANGE, LITTLE = 0.012, 0.3, 0.1
"""Of a channel's span: its error, and how much it usually changes from step to step, by itself and
beside what is expected of it (by trial)."""
SPEED_ERROR, SHAFT_ERROR, BEND = 0.1, 4.0 * RPM, 0.6
"""m/s, rad/s, and m/s by which steps are off a straight line through their neighbours (by trial)"""
AWAY = 0.3  # m/s, by which speed and shaft may differ in a gear
WILD = 6.0  # errors of the shaft, beyond which a sample is not of the gear
TURNS = 600.0 * RPM  # of a shaft that may be locked
REST = 0.05  # m/s


class _Log(NamedTuple):
    """What all parts of the reading need: samples, the steps' borders, middles and states."""

    recording: Recording
    driveline: Driveline
    time: np.ndarray
    half: float
    border: np.ndarray
    middle: np.ndarray
    on: np.ndarray
    joined: np.ndarray
    late: dict[str, float]

    def channel(self, name: str) -> np.ndarray:
        """Return a channel without gaps."""
        return held(self.recording.channels[name])

    def windows(self, late: float) -> sparse.csr_matrix:
        """Return the share of samples in steps, of a channel that comes late, s."""
        return windows(self.time - late, self.half, self.border)

    def polyline(self, name: str, factor: np.ndarray | None = None) -> sparse.csr_matrix:
        """Return how samples of a channel depend on a polyline over the borders."""
        at = self.time - self.late.get(name, 0.0)
        return polyline_windows(at, self.half, self.border, factor)


def in_own_steps(
    recording: Recording, driveline: Driveline
) -> tuple[Recording, dict[str, float]] | None:
    """Return a slow recording with one value for each step of its car, and the delays taken off.

    Parameters
    ----------
    recording
        Of samples at most a step of its cycle apart.
    driveline
        Its model.

    Returns
    -------
    recording, delays
        Its time is the middle of the steps, which are those of its cycle; s behind vehicle speed.
        None where :func:`has_own_steps` says no.
    """
    if not has_own_steps(recording, driveline):
        return None
    late = _shaft_delays(recording, driveline)
    log = _prepare(recording, driveline, late)
    speed, gear = _speed_and_gear(log)
    cycle = _on_borders(recording.cycle, log.border, speed)
    channels = {name: _as_sampled(log, name) for name in recording.channels}
    channels["gear"] = gear + 1.0
    channels["speed"] = cycle.mean_speed
    if driveline.clutches.separating_clutch:
        idle = driveline.engine.idle_speed
        channels["engine_speed"] = np.where(log.on, np.maximum(channels["engine_speed"], idle), 0.0)
    for name in ENGINE:
        if recording.has(name):
            channels[name] = _of_engine(log, name)
    _add_electric(log, cycle, gear, channels)
    near = np.clip(np.searchsorted(log.time - log.half, log.middle) - 1, 0, log.time.size - 1)
    for name, values in recording.channels.items():
        channels[name] = np.where(np.isfinite(values[near]), channels[name], np.nan)
    points = Samples(cycle.time, cycle.speed)
    drive = dataclasses.replace(recording.drive, cycle=cycle, raw=points, cleaned=points)
    clock = late.get("speed", 0.0)
    names = [name for name in recording.channels if name in late or name == "motor_speed"]
    delays = {name: late.get(name, 0.0) - clock for name in names}
    delays = {name: behind for name, behind in delays.items() if abs(behind) >= SHORT}
    made = dataclasses.replace(recording, time=log.middle, channels=channels, drive=drive)
    return made, delays


def has_own_steps(recording: Recording, driveline: Driveline) -> bool:
    """Return whether the samples of a slow recording tell where steps of its car begin.

    They are at most a step of its cycle apart, speeds of car, engine and motor and the gear are
    among them, and an engine that is dragged along, whose speed tells no starts, has two a step.
    """
    step = float(np.median(recording.cycle.dt))
    if not recording.has(*NEEDED) or not COARSE < recording.step <= step + 1e-9:
        return False
    if not all(np.isfinite(recording.channels[name]).any() for name in NEEDED):
        return False
    parted = driveline.clutches.separating_clutch or recording.step <= 0.5 * step + 1e-9
    return bool(parted and np.nanmax(recording.channels["speed"]) > 2.0 * MOVING)


def _prepare(recording: Recording, driveline: Driveline, late: dict[str, float]) -> _Log:
    """Return samples and steps; an engine that is dragged along is told later when it is on."""
    time, step = recording.time, float(np.median(recording.cycle.dt))
    found = engine_moments(recording, driveline)
    moments = Moments(found.time - late.get("engine_speed", 0.0), found.starts, found.before)
    border = borders_between(float(time[0]), float(time[-1]), moments.time, step)
    middle = 0.5 * (border[1:] + border[:-1])
    on = moments.running(middle)
    if not driveline.clutches.separating_clutch:
        on = np.ones(middle.size, dtype=bool)
    half, joined = 0.5 * recording.step, on[1:] == on[:-1]
    return _Log(recording, driveline, time, half, border, middle, on, joined, late)


def _as_sampled(log: _Log, name: str) -> np.ndarray:
    """Return a channel at the middle of steps, between or (where it jumps) at its samples."""
    values = log.channel(name)
    if name not in HELD:
        return np.asarray(np.interp(log.middle, log.time, values))
    at = np.rint(np.interp(log.middle, log.time, np.arange(log.time.size))).astype(int)
    return np.asarray(values[at])


def _on_borders(cycle: Cycle, border: np.ndarray, speed: np.ndarray) -> Cycle:
    names = ("grade", "oil_temperature", "heat_request", "ambient_temperature", "auxiliary_power")
    side = {name: np.interp(border, cycle.time, getattr(cycle, name)) for name in names}
    return dataclasses.replace(cycle, time=border, speed=speed, **side)


# --- delays of the shafts ---


def _shaft_delays(recording: Recording, driveline: Driveline) -> dict[str, float]:
    """Return how far speeds of engine and car come behind the motor's, s, where that is told.

    Where both turn together, their difference is the delay times the slope.
    """
    x, time = {name: held(recording.channels[name]) for name in NEEDED}, recording.time
    gear, ratio, found = np.rint(x["gear"]), pack(driveline).ratio, {}
    steady = np.concatenate(([False], (np.diff(gear, 2) == 0) & (np.diff(gear)[1:] == 0), [False]))
    shaft, slope = x["motor_speed"], np.gradient(x["motor_speed"], time)
    wheels = x["speed"] * ratio[np.clip(gear.astype(int) - 1, 0, ratio.size - 1)]
    wheels = wheels / driveline.vehicle.wheel_radius
    turns = np.convolve(x["engine_speed"] < TURNS, np.ones(3), mode="same") == 0
    for name, seen, where in (
        ("engine_speed", x["engine_speed"], turns),
        ("speed", wheels, x["speed"] > 2.0 * MOVING),
    ):
        near = np.abs(seen - shaft) < 2.0 * NEAR_RATIO * shaft
        rows = steady & where & near & (shaft > TURNS)
        if rows.sum() < LEAST_ROWS:
            continue
        scale = float(np.median(shaft[rows] / seen[rows]))
        columns = {"late": -slope[rows]}
        fit = regress(columns, (scale * seen - shaft)[rows], time[rows], {})
        if fit is not None:
            found[name] = float(np.clip(fit["late"], LAGS[0], LAGS[-1]))
    return found


# --- speed and gear ---


def _speed_and_gear(log: _Log) -> tuple[np.ndarray, np.ndarray]:
    """Return speeds at the borders, m/s, and gears of the steps, from 0."""
    time, border = log.time, log.border
    gears = np.rint(log.channel("gear")).astype(int) - 1
    gears = np.clip(gears, 0, log.driveline.gearbox.gears - 1)
    before = gears[np.clip(np.searchsorted(time, border[:-1] + 1e-6) - 1, 0, time.size - 1)]
    after = gears[np.clip(np.searchsorted(time, border[1:] - 1e-6), 0, time.size - 1)]
    at = np.interp(log.middle, time, np.arange(time.size))
    gear = gears[np.rint(at).astype(int)]
    ratio = pack(log.driveline).ratio / log.driveline.vehicle.wheel_radius
    shaft = log.channel("motor_speed")
    share = log.windows(log.late.get("motor_speed", 0.0))
    speed, scale = _speed(log, ratio[gear])
    for _ in range(2):
        mean = scale * 0.5 * (speed[1:] + speed[:-1])
        for k in np.flatnonzero(before != after):
            rows = np.flatnonzero(share[:, [k]].toarray().ravel())
            off = {}
            for one in {int(before[k]), int(after[k])}:
                gear[k] = one
                off[one] = float(np.sum((shaft[rows] - share[rows] @ (ratio[gear] * mean)) ** 2))
            gear[k] = min(off, key=lambda one: off[one])
        speed, scale = _speed(log, ratio[gear])
    return speed, gear.astype(np.int64)


def _speed(log: _Log, ratio: np.ndarray) -> tuple[np.ndarray, float]:
    """Return speeds at the borders, and what the shaft turns by more than ratios say.

    `ratio` is that of each step, rad/m.
    """
    raw, shaft = log.channel("speed"), log.channel("motor_speed")
    wheels, turned = log.polyline("speed"), log.polyline("motor_speed", ratio)
    steps = ratio.size
    late = log.time - log.late.get("speed", 0.0)
    free = np.flatnonzero(np.interp(log.border, late, raw) >= REST)
    ones = np.ones(steps - 1)
    size = (steps - 1, steps + 1)
    bends = sparse.diags([ones, -2.0 * ones, ones], [0, 1, 2], shape=size).tocsr()
    matrix = wheels.T @ wheels / SPEED_ERROR**2 + bends.T @ bends / BEND**2
    right = wheels.T @ raw / SPEED_ERROR**2
    rough = solved(matrix, right, free)
    expected, moving = turned @ rough, (shaft > TURNS) & (raw > MOVING + 1.0)
    near = moving & (np.abs(shaft - expected) < NEAR_RATIO * expected)
    scale = float(np.median(shaft[near] / expected[near])) if near.any() else 1.0
    per = expected / np.maximum(wheels @ rough, 0.5)
    near = moving & (np.abs(shaft - scale * expected) < per * AWAY)
    speed, where = rough, near
    for _ in range(3):
        rows = turned[np.flatnonzero(where)] * (scale / SHAFT_ERROR)
        pull = rows.T @ (shaft[where] / SHAFT_ERROR)
        speed = solved(matrix + rows.T @ rows, right + pull, free)
        where = near & (np.abs(shaft - scale * (turned @ speed)) < WILD * SHAFT_ERROR)
    return np.maximum(speed, 0.0), scale


# --- torques, fuel and powers ---


def _of_engine(log: _Log, name: str) -> np.ndarray:
    """Return torque or fuel of the engine in each step: none while it is off."""
    values, span = log.channel(name), _span(log, name)
    parted = log.driveline.clutches.separating_clutch
    free = log.on if parted else None

    def split(late: float) -> tuple[np.ndarray, float]:
        share = log.windows(late)
        return unmixed(share, values, ERROR * span, CHANGE * span, log.joined, free)

    if parted:
        log.late[name] = _best([split(lag)[1] for lag in LAGS])
    found = split(log.late.get(name, 0.0))[0]
    return np.maximum(found, 0.0) if name == "fuel_rate" else found


def _add_electric(
    log: _Log, cycle: Cycle, gear: np.ndarray, channels: dict[str, np.ndarray]
) -> None:
    """Set torque and powers of the motor in each step, beside what speed and engine leave to it."""
    driveline, plant = log.driveline, pack(log.driveline)
    demand = drive_demand(driveline, cycle)
    state = np.where(log.on, int(EngineClass.RUNNING), int(EngineClass.OFF)).astype(np.int64)
    shafts = fill_shafts(plant, demand, gear, state)
    total, peak = shafts.entries[:, S_TOTAL], float(plant.peak.max())
    left = np.clip(total - channels.get("engine_torque", np.zeros(total.size)), -peak, peak)
    told = (demand.wheel_torque > 0.0) & (shafts.reasons == 0) & (demand.speed > 1.0)
    told &= "engine_torque" in channels
    for name in ELECTRIC:
        if not log.recording.has(name):
            continue
        channels[name] = _beside(log, name, left, told)
        if name == "motor_torque":
            speed = demand.wheel_speed * plant.ratio[gear]
            loss = losses_at(driveline.motor, speed, channels[name])
            left, told = channels[name] * speed + loss, np.ones(total.size, dtype=bool)


def _beside(log: _Log, name: str, expected: np.ndarray, told: np.ndarray) -> np.ndarray:
    """Return a channel in each step, little besides what is expected where that is told."""
    values, span = log.channel(name), _span(log, name)
    alone = unmixed(log.windows(0.0), values, ERROR * span, CHANGE * span, log.joined)[0]
    if name not in ("motor_torque", "motor_power"):
        return alone
    base = np.where(told, expected, alone)

    def off(late: float) -> float:
        share = log.windows(late)
        whole = share @ told.astype(float) > 0.99
        away = (values - share @ base)[whole] / (2.0 * ERROR * span)
        return float(np.sum(np.minimum(away**2, 25.0)))

    log.late[name] = _best([off(lag) for lag in LAGS])
    share, everywhere = log.windows(log.late[name]), np.ones(log.joined.size, dtype=bool)
    more = unmixed(share, values - share @ base, ERROR * span, LITTLE * span, everywhere)[0]
    return np.asarray(base + more)


def _best(costs: list[float]) -> float:
    """Return the lag of the least cost, s; 0 where it is at an end, and so not told."""
    at = int(np.argmin(costs))
    return float(LAGS[at]) if 0 < at < len(costs) - 1 else 0.0


def _span(log: _Log, name: str) -> float:
    """Return how far a channel may go."""
    driveline = log.driveline
    if name == "engine_torque":
        return float(driveline.engine.full_load.max())
    if name == "fuel_rate":
        return float(driveline.engine.fuel_map.max())
    if name == "motor_torque":
        return float(driveline.motor.peak_torque.max())
    if name == "motor_power":
        return float(driveline.motor.peak_power)
    return float(np.ptp(log.channel(name))) or 1.0
