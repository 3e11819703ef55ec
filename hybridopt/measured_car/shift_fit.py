"""The fuel that downshifts take, which tells the efficiency at which rotors are sped up.

A downshift costs J (w2^2 - w1^2) / 2 at the gearbox's `shift_efficiency` (`physics/rotors.py`). The
fuel beyond that of the measured torque tells only J over the efficiency; J stays the base's.
"""

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np

from ..inputs.driveline import Driveline
from ..physics.codes import EngineClass
from ..physics.rotors import rotor_inertia
from .engine_fit import EngineDelays
from .engine_runs import seen_starts, working_fuel
from .gear_fit import Gears
from .parameters import Estimate
from .regression import NORMAL, regress
from .signals import Signals

WINDOW = 1.0  # s before and after a shift in which its fuel shows
LATE = 0.2  # s, by which the gear may show early or late, and the speed there be another (assumed)
UNSURE = 0.013  # s, standard error of the delays of fuel and engine speed (by trial at 10 Hz)
LEAST = 40  # downshifts below which nothing is told: of few, delays make too much


def shift_energies(
    one: Signals, gears: Gears, driveline: Driveline, late: float = 0.0
) -> np.ndarray:
    """Return the energy that each shift of a recording gives to shafts, J, (shifts,).

    Upshifts give none; nor do shifts whose gears are not known. `late` is how far, s, the gear
    shows behind the speed.
    """
    inertia, at = rotor_inertia(driveline), one.shifts
    speed = one["speed"][np.clip(at - round(late / one.dt), 0, one.on.size - 1)]
    old, new = (gears.at(one.gear[i]) * speed for i in (at - 1, at))
    turns = inertia[np.where(one.on[at], int(EngineClass.RUNNING), int(EngineClass.OFF))]
    return np.asarray(0.5 * turns * np.maximum(np.nan_to_num(new**2 - old**2), 0.0))


def fit_shifts(
    signals: Sequence[Signals],
    gears: Gears,
    fitted: Driveline,
    base: Driveline,
    delays: Mapping[int, EngineDelays],
) -> tuple[Estimate, ...]:
    """Fit the efficiency of shifts from the fuel of those with the engine running.

    Parameters are those of :func:`.start_fit.fit_starts`, and the gears as fitted.
    """
    parts = [
        _shift_rows(one, gears, fitted, delays.get(one.number, EngineDelays()))
        for one in signals
        if gears.known and one.has("gear", "engine_speed", "engine_torque", "fuel_rate")
    ]
    rows = np.concatenate([np.zeros((7, 0)), *parts], axis=1)
    paid, more, burnt, clock, moved, *late = rows
    downs = int((paid > 0.0).sum())
    if downs < LEAST:
        return ()
    fit = regress({"paid": paid, "more": more}, burnt, clock, {})
    if fit is None or "paid" not in fit.names or fit["paid"] <= 0.0:
        return ()
    doubt = [fit["paid"] * float(moved.sum() / paid.sum())]
    doubt += [NORMAL * UNSURE * float(paid @ x / (paid @ paid)) for x in late]
    half = float(np.linalg.norm((fit.half_width("paid"), *doubt)))
    key, note = "gearbox.shift_efficiency", f"{downs} downshifts: fuel beyond that of the torque"
    found = Estimate.around(
        key, base.gearbox.shift_efficiency, 1.0 / fit["paid"], 0.0, float(downs), note
    )
    high = 1.0 / max(fit["paid"] - half, 1e-9)
    return (dataclasses.replace(found, low=1.0 / (fit["paid"] + half), high=high),)


def _shift_rows(one: Signals, gears: Gears, fitted: Driveline, delays: EngineDelays) -> np.ndarray:
    """Return by shift, alone in its window and no start near, what a fit needs, (7, shifts).

    Fuel of its energy at an efficiency of 1, fuel of the model, fuel beyond that, g, the time,
    half of what a gear that shows early or late makes of the first, and what a second of delay of
    the engine's speed and of the fuel make of the third.
    """
    model, later = (
        working_fuel(one, seen_starts(one, fitted), fitted.engine, delay)
        for delay in (delays.speed, delays.speed + one.dt)
    )
    beyond = one.timely("fuel_rate", delays.fuel) - model
    reach = round(WINDOW / one.dt)
    runs = one.on & ~one.near(one.starts) & one.measured("fuel_rate", "engine_torque")
    known = np.concatenate(([0], np.cumsum(runs)))
    low = np.clip(one.shifts - reach, 0, one.on.size)
    high = np.clip(one.shifts + reach, 0, one.on.size)
    alone = np.diff(one.shifts, prepend=-reach) > reach
    alone &= np.diff(one.shifts, append=one.on.size + reach) > reach
    alone &= known[high] - known[low] == high - low
    sums = [
        np.concatenate(([0.0], np.cumsum(x))) * one.dt
        for x in (model, beyond, (later - model) / one.dt)
    ]
    whole, rest, slower = (x[high] - x[low] for x in sums)
    energy = [shift_energies(one, gears, fitted, late) for late in (0.0, -LATE, LATE)]
    paid, early, behind = np.array(energy) / fitted.fuel.heating_value
    at = one.clock[one.shifts] if one.shifts.size else np.zeros(0)
    ends = model[np.clip(high, 0, model.size - 1)] - model[low]
    return np.stack((paid, whole, rest, at, 0.5 * (behind - early), slower, ends))[:, alone]
