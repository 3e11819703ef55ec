"""Channels of a recording moved to the clock of its vehicle speed, by the delays that fits find."""

import dataclasses
from collections.abc import Mapping

import numpy as np
from scipy.ndimage import gaussian_filter1d

from ..inputs.driveline import Driveline
from ..measurements.delays import delay
from ..measurements.recording import Recording
from .channel_noise import COARSE
from .engine_fit import engine_delays
from .fine_speed import TURNING, shaft_gears
from .gear_fit import Gears, fit_gears
from .road_fit import fit_road
from .signals import Signals, make_signals, through_shifts
from .slow_log import ELECTRIC, in_own_steps
from .step_phase import STEPS, decision_phase, jump_phase, later, moved_channels

SHAFTS, TORQUES = ("engine_speed", "motor_speed"), ("engine_torque", "motor_torque")
LEAST = 0.03  # s, shorter delays are left
SHORT = 0.02  # s, of steps, whose beginning is told better
JUMPING = (*TORQUES, "fuel_rate", "motor_power", "battery_current", "battery_voltage")
LONGEST_JUMP = 0.4  # s, of a step of 1 s, beyond which before and behind are not told apart
SURE = 0.06  # s, standard error of a delay from which on it is not believed
LONGEST = 1.0  # s, of the gear's
SAME_GEAR = 0.8  # of the driving, in which shaft and gear channel have to agree
LEAST_STARTS = 5
AROUND = 1.0, 1.5  # s before and after a start's begin, in which the engine takes over
CALMER = 0.7  # of the changes at the longest delay, that those at the best have to be below
TOGETHER = 0.9  # correlation of changes, from which on a delay is exact (0.01 s on known logs)


def aligned(recording: Recording, driveline: Driveline) -> tuple[Recording, dict[str, float]]:
    """Return a recording whose channels fit its vehicle speed in time, and what they were moved by.

    The steps of its cycle then begin where the car decides, if it decides in steps.

    Parameters
    ----------
    recording
        The drive.
    driveline
        Its model, for what the delays are found by.

    Returns
    -------
    recording
        With the same time; channels that could not be told are as they were.
    delays : dict
        s, by channel, how far it came behind vehicle speed; negative where it came before. Under
        :data:`.step_phase.STEPS`, how much later steps begin than those of the cycle; half a step
        where each holds one sample.

    Notes
    -----
    Vehicle speed behind the shaft by their ratio in gear, the other shaft by their correlation, the
    engine's torque by its shifts, the motor's by the starts (:func:`takeover_delay`), else both by
    the force balance where that tells them, fuel behind the engine's torque by its map, electric
    channels behind the motor's torque by their correlation, the gear by the ratio it should have.
    Where nothing tells the motor's torque, it and the electric channels come to the mean clock of
    the others. Where the car decides in steps, so do what jumps with its decisions: torques, fuel
    and electric channels have their jumps there.
    """
    recording = through_shifts(recording)
    if (found := in_own_steps(recording, driveline)) is not None:
        return found
    if recording.step >= float(np.median(recording.cycle.dt)) - 1e-9:
        return _centred(recording), {STEPS: 0.5 * recording.step}
    if recording.step > COARSE:
        return recording, {}
    moved, delays = _on_one_clock(recording, driveline)
    phase = decision_phase(moved, driveline)
    if phase is None:
        return moved, delays
    jumps = _jump_delays(moved, phase)
    moved = moved_channels(moved, jumps)
    delays |= {name: delays.get(name, 0.0) + more for name, more in jumps.items()}
    if abs(phase) >= SHORT:
        moved, delays = later(moved, phase), {**delays, STEPS: phase}
    return moved, delays


def _centred(recording: Recording) -> Recording:
    """Return a recording whose steps have their one sample in the middle, not at their begin."""
    half = 0.5 * recording.step
    begun = later(recording, half)
    return dataclasses.replace(begun, time=recording.time - half, channels=recording.channels)


def _jump_delays(recording: Recording, phase: float) -> dict[str, float]:
    """Return how far channels jump behind the beginning of the car's steps, s."""
    step, found = float(np.median(recording.cycle.dt)), {}
    for name in JUMPING:
        if recording.has(name) and (own := jump_phase(recording, name)) is not None:
            behind = (own - phase + 0.5 * step) % step - 0.5 * step
            if SHORT <= abs(behind) <= LONGEST_JUMP:
                found[name] = behind
    return found


def _on_one_clock(recording: Recording, driveline: Driveline) -> tuple[Recording, dict[str, float]]:
    one = make_signals(recording)
    gears = fit_gears([one], driveline)
    if not gears.known:
        return recording, {}
    late = gears.delays.get(one.number, 0.0)
    delays = {
        "motor_speed": -late,
        "engine_speed": _engine_shaft_delay(recording, driveline) - late,
    }
    delays |= _torque_delays(one, gears, driveline, delays)
    delays |= _electric_delays(recording, delays)
    delays = {n: d for n, d in delays.items() if recording.has(n) and abs(d) >= LEAST}
    moved = moved_channels(recording, delays)
    if recording.has("gear") and recording.shaft:
        behind = _gear_delay(moved, driveline)
        if abs(behind) >= LEAST:
            delays["gear"] = behind
            moved = moved_channels(moved, {"gear": behind})
    return moved, delays


def _torque_delays(
    one: Signals, gears: Gears, driveline: Driveline, shafts: Mapping[str, float]
) -> dict[str, float]:
    """Return how far torques and fuel come behind the clock of vehicle speed, s."""
    found, late = {}, gears.delays.get(one.number, 0.0)
    road = fit_road([one], gears, driveline)
    torques = road.delays.get(one.number, (0.0, 0.0))
    unsure = road.unsure.get(one.number, (np.inf, np.inf))
    for name, behind, doubt in zip(TORQUES, torques, unsure, strict=True):
        if doubt < SURE:
            found[name] = behind - late
    engine = engine_delays(one, driveline)
    if 0.0 < engine.speed_unsure < SURE:
        found["engine_torque"] = shafts["engine_speed"] - engine.speed
    if "engine_torque" in found:
        if 0.0 < engine.unsure < SURE:
            found["fuel_rate"] = found["engine_torque"] + engine.fuel
        if (after := takeover_delay(one)) is not None:
            found["motor_torque"] = found["engine_torque"] + after
    return found


def takeover_delay(one: Signals) -> float | None:
    """Return how far the motor's torque shows behind the engine's, s; None if that is not told.

    Where the engine takes over at its start, the sum of both goes on smoothly: the delay is that at
    which the sum changes least.
    """
    if not one.has("engine_torque", "motor_torque") or one.starts.size < LEAST_STARTS:
        return None
    where = one.near(one.starts, *AROUND)
    engine, motor = (gaussian_filter1d(one[name], 1.0) for name in TORQUES)
    time, lags = one.recording.time, np.arange(-LONGEST_JUMP, LONGEST_JUMP + 0.01, 0.05)

    def change(lag: float) -> float:
        total = engine + np.interp(time + lag, time, motor)
        return float(np.mean(np.diff(total[where]) ** 2))

    sizes = np.array([change(lag) for lag in lags])
    best = int(np.argmin(sizes))
    if best in (0, lags.size - 1) or sizes[best] > CALMER * min(sizes[0], sizes[-1]):
        return None
    before, here, after = sizes[best - 1 : best + 2]
    return float(lags[best] + 0.5 * (before - after) / (before - 2.0 * here + after) * 0.05)


def _engine_shaft_delay(recording: Recording, driveline: Driveline) -> float:
    """Return how far engine speed comes behind motor speed, s; 0 where that is not told."""
    if not recording.has(*SHAFTS):
        return 0.0
    engine, motor = (recording.channels[name] for name in SHAFTS)
    turns = engine > TURNING * driveline.engine.idle_speed
    behind, alike = delay(motor, engine, turns, recording.step)
    return behind if alike >= TOGETHER else 0.0


def _electric_delays(recording: Recording, told: Mapping[str, float]) -> dict[str, float]:
    """Return how far electric channels come behind the clock of vehicle speed, s.

    `told` are the delays of other channels, and perhaps of the motor's torque.
    """
    x = recording.channels
    series = {name: x[name] for name in ELECTRIC if recording.has(name)}
    if "motor_torque" in series:
        if not recording.has("motor_speed"):
            return {}
        series["motor_torque"] = x["motor_torque"] * x["motor_speed"]
    if not series:
        return {}
    first, *others = series
    everywhere, found = np.ones(recording.time.size, dtype=bool), {first: 0.0}
    for name in others:
        behind, alike = delay(series[first], series[name], everywhere, recording.step)
        if abs(alike) >= TOGETHER:
            found[name] = behind
    begin = told.get(first)
    if begin is None:  # the mean clock is that of the others, of which vehicle speed is one
        others_late = [late for name, late in told.items() if recording.has(name)]
        begin = float(np.mean([0.0, *others_late]) - np.mean(list(found.values())))
    return {name: begin + behind for name, behind in found.items()}


def _gear_delay(recording: Recording, driveline: Driveline) -> float:
    """Return how far the gear channel comes behind the ratio of the speeds, s; 0 if unsure."""
    implied = shaft_gears(recording, driveline, recording.shaft)
    told = np.rint(recording.channels["gear"]) - 1.0
    step = recording.step
    reach = round(LONGEST / step)
    inside = slice(reach, told.size - reach)
    known = np.isfinite(implied[inside])
    if not known.any():
        return 0.0
    shares = [
        float(np.mean((np.roll(told, -lag)[inside] == implied[inside])[known]))
        for lag in range(-reach, reach + 1)
    ]
    best = np.flatnonzero(np.array(shares) >= max(shares) - 1e-12)
    return float((np.median(best) - reach) * step) if max(shares) >= SAME_GEAR else 0.0
