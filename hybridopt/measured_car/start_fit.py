"""Duration, fuel and energy of engine starts, and the share of braking that is recuperated.

A start lasts while the engine's speed rises to that of the shaft it joins. Its fuel is what is
burnt from its beginning on beyond what the fitted engine takes once it runs. Its energy is read at
standstill, where nothing else draws power but the auxiliary load; it becomes the efficiency at
which the base's rotor, slip and friction work (`physics/starts.py`) gives it.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from ..inputs.driveline import Driveline
from ..inputs.maps import curve_values
from ..physics.battery import pack_battery
from ..physics.starts import start_energies
from .channel_noise import COARSE
from .electric_fit import battery_power, load_beside, motor_power
from .engine_fit import EngineDelays
from .engine_runs import Seen, seen_starts, working_fuel
from .gear_fit import Gears
from .parameters import Estimate, value_of
from .regression import NORMAL, student_quantile
from .road_fit import DOUBT
from .signals import Signals

LEAST = 4  # starts below which nothing is told
BLOCK, NEAR, DRAWS = 10.0, 0.06, 200  # s, share, and repetitions of the search for the mode
LIMITED = 0.9  # of what motor or battery can take, from which the share is theirs


def fit_starts(
    signals: Sequence[Signals],
    fitted: Driveline,
    base: Driveline,
    delays: Mapping[int, EngineDelays],
) -> tuple[Estimate, ...]:
    """Fit duration, fuel and efficiency of starts.

    Parameters
    ----------
    signals
        The recordings.
    fitted
        The base with the engine as fitted so far.
    base
        For the figures to compare with.
    delays
        Of the engine's channels, by recording.
    """
    every = [(one, seen) for one in signals for seen in seen_starts(one, fitted)]
    if len(every) < LEAST:
        return ()
    estimates = []
    fine = [(one, seen) for one, seen in every if one.dt <= COARSE]
    if len(fine) >= LEAST:
        doubt = 0.1 * max(one.dt for one, _ in fine)  # of the shape of the rise
        lengths = [(seen.end - seen.begin) * one.dt for one, seen in fine]
        estimates.append(_mean("start.duration_s", lengths, base, "rise of engine speed", doubt))
    if any(one.has("fuel_rate", "engine_torque") for one, _ in every):
        fuels = [
            _fuel(one, seen, fitted, delays.get(one.number, EngineDelays())) for one, seen in every
        ]
        told = [x for x, _ in fuels if np.isfinite(x)]
        if len(told) >= LEAST:
            unsure = float(np.mean([y for x, y in fuels if np.isfinite(x)]))
            what = "fuel before the engine runs"
            estimates.append(_mean("start.fuel_g", told, base, what, unsure))
    estimates += _efficiency(every, fitted, base)
    return tuple(estimates)


def _mean(
    key: str, values: Sequence[float], base: Driveline, what: str, doubt: float = 0.0
) -> Estimate:
    """Return the mean of single starts, trimmed of the wildest, with its interval.

    `doubt` is a standard error that all of them share.
    """
    kept = np.sort(np.asarray(values, dtype=float))
    cut = int(0.1 * kept.size)
    kept = kept[cut : kept.size - cut] if cut else kept
    spread = np.hypot(float(np.std(values, ddof=1)) / np.sqrt(len(values)), doubt)
    half = student_quantile(len(values) - 1) * spread
    mean = float(kept.mean())
    note = f"{len(values)} starts: {what}"
    return Estimate.around(key, value_of(base, key), mean, half, float(len(values)), note)


def _fuel(one: Signals, seen: Seen, fitted: Driveline, delays: EngineDelays) -> tuple[float, float]:
    """Return the fuel of a start, g, and what the doubt about the delay makes of it.

    NaN where its surroundings do not let it be told.
    """
    if not one.has("fuel_rate", "engine_torque"):
        return np.nan, np.nan
    first = int(seen.begin - 1.0 / one.dt)
    last = int(seen.end + 1.5 / one.dt)
    if first < 0 or last >= one.recording.time.size - 1:
        return np.nan, np.nan
    span = np.arange(first, last)
    if np.any(~one.on[int(seen.end) + 1 : last]) or np.any(np.isin(one.shifts, span)):
        return np.nan, np.nan
    time = one.recording.time
    burnt = np.interp(time[span] + delays.fuel, time, one["fuel_rate"])
    model = working_fuel(one, [seen], fitted.engine, delays.speed)[span]
    unsure = np.hypot(delays.unsure, 0.1 * one.dt)  # no better than a tenth of a sample
    return float(np.sum(burnt - model) * one.dt), float(unsure * model[-1])


def _efficiency(
    every: Sequence[tuple[Signals, Seen]], fitted: Driveline, base: Driveline
) -> list[Estimate]:
    """Return the efficiency of starts at standstill, from the energy they draw."""
    drawn, needed = [], []
    for one, seen in every:
        power, beside = battery_power(one), load_beside(one)
        if fitted.start.starter or power is None or beside is None:
            power = one["motor_power"] if one.has("motor_power") else None
            if fitted.start.starter or power is None:
                continue
            load = 0.0
        else:
            load = float(np.median(beside[0][beside[1]]))
        first, last = int(seen.begin - 0.5 / one.dt), int(seen.end + 0.6 / one.dt)
        if first < 0 or one.moving[first : last + 1].any():
            continue
        spent = float(np.sum(power[first:last] - load) * one.dt)
        after = float(np.mean(power[min(int(seen.end) + 4, last - 1) : last] - load))
        if abs(after) * (seen.end - seen.begin) * one.dt > 0.1 * spent:
            continue  # the motor charges or launches at once
        drawn.append(spent)
        needed.append(float(start_energies(fitted, np.array([seen.speed])).sum()))
    if len(drawn) < LEAST or np.mean(drawn) <= 0.0:
        return []
    share = np.mean(needed) / np.mean(drawn)
    off = (np.asarray(needed) - share * np.asarray(drawn)) / np.mean(drawn)
    half = float(np.std(off, ddof=1) / np.sqrt(len(drawn)))
    half *= student_quantile(len(drawn) - 1)
    note = f"{len(drawn)} starts at standstill: energy drawn, {np.mean(drawn) / 1e3:.2f} kJ a start"
    value, was = float(share), base.start.efficiency
    return [Estimate.around("start.efficiency", was, value, half, float(len(drawn)), note)]


def fit_recuperation(
    signals: Sequence[Signals],
    gears: Gears,
    fitted: Driveline,
    base: Driveline,
    doubt: float,
    delays: Mapping[int, tuple[float, float]],
) -> tuple[Estimate, ...]:
    """Fit the share of braking that the motor takes, where it takes all that it may.

    `doubt` is half the relative width of the interval of the mass, which the braking force is as
    badly known as; `delays` are those of the torques, s, by number of the recording.
    """
    if not gears.known:
        return ()
    shares = [
        _braking_shares(one, gears, fitted, delays.get(one.number, (0.0, 0.0))[1])
        for one in signals
    ]
    pooled = np.concatenate([x for x, _ in shares]) if shares else np.zeros(0)
    clock = np.concatenate([c for _, c in shares]) if shares else np.zeros(0)
    if pooled.size * signals[0].dt < 10.0:
        return ()
    value, half = _mode(pooled, clock)
    half = float(np.sqrt(half**2 + (doubt * value) ** 2 + (_loss_doubt(fitted) * value) ** 2))
    note = "share of the braking force at the motor, most frequent"
    was = base.vehicle.recuperation_share
    factor = fitted.vehicle.recuperated_share / fitted.vehicle.recuperation_share
    value, half = value / factor, half / factor
    seconds = pooled.size * signals[0].dt
    key = "vehicle.recuperation_share"
    return (Estimate.around(key, was, value, half, seconds, note),)


def _loss_doubt(fitted: Driveline) -> float:
    """Return half the relative interval that the gearbox's loss adds, which no channel tells."""
    loss = 1.0 - float(np.mean(fitted.gearbox.total_efficiencies))
    return NORMAL * DOUBT["gearbox loss"][1] * loss


def _braking_shares(
    one: Signals, gears: Gears, fitted: Driveline, delay: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the motor's share of the braking force and when, the engine off."""
    nothing = np.zeros(0), np.zeros(0)
    if not one.has("motor_torque", "gear", "engine_speed"):
        return nothing
    force = road_force(one, gears, fitted)
    box, ratio = fitted.gearbox, gears.at(one.gear)
    gear = np.clip(one.gear, 1, box.gears) - 1
    whole = np.ones(force.size, dtype=bool)  # smoothed as the speed behind the force is
    shaft = one.smooth(one.timely("motor_torque", delay), whole)
    shaft = shaft - np.array(box.drag_torques)[gear]
    shaft = shaft - fitted.motor.inertia * ratio * one.slope(gears.fine_speed(one))
    kept = shaft * ratio / np.array(box.total_efficiencies)[gear]
    where = ~one.on & one.quiet & one.locked & np.isfinite(ratio) & (force < -800.0)
    where &= ~_limited(one, fitted)
    where &= one["speed"] > 5.0
    if not where.any():
        return nothing
    kept, force = one.smooth(kept, where), np.minimum(one.smooth(force, where), -1.0)
    where &= kept < 0.3 * force
    return (kept / force)[where], one.clock[where]


def _limited(one: Signals, fitted: Driveline) -> np.ndarray:
    """Return where the motor's torque, or what the battery takes, is at its limit."""
    motor, torque = fitted.motor, one["motor_torque"]
    speed = one["motor_speed"] if one.has("motor_speed") else one.input_speed
    limit = torque < -LIMITED * curve_values(motor.peak_torque, np.nan_to_num(speed))
    cell, power = pack_battery(fitted.battery), motor_power(one)
    if power is not None and one.has("soc"):
        limit |= power < LIMITED * np.interp(one["soc"], cell.soc, cell.power_min)
    return np.asarray(limit)


def _mode(values: np.ndarray, clock: np.ndarray) -> tuple[float, float]:
    """Return the upper mode of shares and half the width of its interval, by blocks of time.

    The interval is that of the whole search, repeated on blocks drawn anew (B. Efron, *Annals of
    Statistics* 7, 1979, from memory): single brakings scatter more than their samples do.
    """
    block = np.unique(np.floor(clock / BLOCK), return_inverse=True)[1]
    sizes = np.bincount(block)
    middles = np.array([np.median(values[block == b]) for b in range(sizes.size)])
    random = np.random.default_rng(0)
    drawn = random.integers(0, sizes.size, (DRAWS, sizes.size))
    found = [_upper_mode(middles[one], sizes[one]) for one in drawn]
    spread = float(np.std(found, ddof=1)) if sizes.size > 1 else NEAR
    half = spread * student_quantile(max(sizes.size - 1, 1))
    return _upper_mode(middles, sizes), half + 0.002


def _upper_mode(values: np.ndarray, weights: np.ndarray) -> float:
    """Return the local mean of weighted values nearest to where seven tenths lie below."""
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    centre = float(values[order][np.searchsorted(sums, 0.7 * sums[-1])])
    for _ in range(50):
        near = weights * np.exp(-0.5 * ((values - centre) / NEAR) ** 2)
        was, centre = centre, float(near @ values / near.sum())
        if abs(centre - was) < 1e-6:
            break
    return centre


def road_force(one: Signals, gears: Gears, fitted: Driveline) -> np.ndarray:
    """Return the force at the wheels that road and acceleration take, N, smoothed."""
    from ..physics.demand import mean_demand

    speed = gears.fine_speed(one)
    whole = np.ones(speed.size, dtype=bool)
    grade = one.smooth(one.grade, whole)
    wanted = mean_demand(fitted.vehicle, one.smooth(speed, whole), one.slope(speed), grade)
    return np.asarray(wanted.wheel_torque / fitted.vehicle.wheel_radius)
