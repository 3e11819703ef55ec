"""Channels of a recording moved to the clock of its vehicle speed, by the delays that fits find."""

import numpy as np

from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from .engine_fit import engine_delays
from .fine_speed import shaft_gears
from .gear_fit import fit_gears
from .road_fit import fit_road
from .signals import make_signals
from .step_phase import STEPS, decision_phase, jump_phase, later, moved_channels

SHAFTS, TORQUES = ("engine_speed", "motor_speed"), ("engine_torque", "motor_torque")
LEAST = 0.03  # s, shorter delays are left
SHORT = 0.02  # s, of steps, whose beginning is told better
JUMPING = (*TORQUES, "fuel_rate", "motor_power", "battery_current", "battery_voltage")
LONGEST_JUMP = 0.4  # s, of a step of 1 s, beyond which before and behind are not told apart
SURE = 0.06  # s, standard error of a delay from which on it is not believed
COARSE = 0.25  # s, samples further apart tell no such delays
LONGEST = 1.0  # s, of the gear's
SAME_GEAR = 0.8  # of the driving, in which shaft and gear channel have to agree


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
        :data:`.step_phase.STEPS`, how much later steps begin than those of the cycle.

    Notes
    -----
    Vehicle speed behind the shaft by their ratio in gear, the torques behind the shaft by the force
    balance where that tells them, fuel behind the engine's torque by its map, the gear by the ratio
    it should have. Where the car decides in steps, so do what jumps with its decisions: torques,
    fuel and electric channels have their jumps there.
    """
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
    delays = {name: -late for name in SHAFTS}
    road = fit_road([one], gears, driveline)
    torques = road.delays.get(one.number, (0.0, 0.0))
    unsure = road.unsure.get(one.number, (np.inf, np.inf))
    for name, behind, doubt in zip(TORQUES, torques, unsure, strict=True):
        if doubt < SURE:
            delays[name] = behind - late
    if "engine_torque" in delays:
        found = engine_delays(one, driveline)
        if 0.0 < found.unsure < SURE:
            delays["fuel_rate"] = delays["engine_torque"] + found.fuel
    delays = {n: d for n, d in delays.items() if recording.has(n) and abs(d) >= LEAST}
    moved = moved_channels(recording, delays)
    if recording.has("gear") and recording.shaft:
        behind = _gear_delay(moved, driveline)
        if abs(behind) >= LEAST:
            delays["gear"] = behind
            moved = moved_channels(moved, {"gear": behind})
    return moved, delays


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
