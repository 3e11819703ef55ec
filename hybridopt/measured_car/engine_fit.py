"""The engine's fuel as a factor on the base's map and fuel per revolution, and its overrun torque.

    fuel rate = s map(w, T) + f w / (2 π) - d d(fuel rate)/dt + d_w d(map)/dw dw/dt

A Willans line (Guzzella, Sciarretta, *Vehicle Propulsion Systems*, ch. 3, from memory) differs from
another by slope and friction, which are s and f; d is the delay of the fuel behind torque, d_w that
of the speed in each log. Only a warm engine that runs by itself counts, no
start or shift being near.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from ..inputs.driveline import Driveline, Engine
from ..inputs.maps import curve_values
from .engine_runs import Seen, fuel_at, seen_starts, working_fuel
from .parameters import Estimate
from .rows import Rows, fit_made, fit_rows
from .signals import SENSOR, Signals, rounding_error

DELAY_ROUNDS = 5
CUT = 0.15  # share of the fuel at 0 N m below which the fuel counts as cut
MOST_DELAY = 1.0  # s
QUICK = 0.2  # s, smoothing where the delay is looked for
NEAR_STOP = 1.5  # s, in which samples half of work and half of rest tell no delay


class EngineDelays(NamedTuple):
    """How far the fuel channel shows behind torque, s, its standard error, and the speed channel's.

    They are a recording's, not a car's.
    """

    fuel: float = 0.0
    unsure: float = 0.0
    speed: float = 0.0
    speed_unsure: float = 0.0


@dataclass(frozen=True, eq=False)
class EngineFuel:
    """What is told of the engine.

    Attributes
    ----------
    estimates : of the fuel
    overrun : of the overrun torque
    delays : by recording
    reason : why there is no estimate
    over_full : s above the base's full load by more than a tenth
    """

    estimates: tuple[Estimate, ...] = ()
    overrun: tuple[Estimate, ...] = ()
    delays: Mapping[int, EngineDelays] = field(default_factory=dict)
    reason: str = ""
    over_full: float = 0.0


def fit_engine(
    signals: Sequence[Signals], base: Driveline, delays: Mapping[int, EngineDelays] | None = None
) -> EngineFuel:
    """Fit factor and friction of the fuel map, and the overrun torque.

    `delays` by recording, if they are known, spare the work to find them.
    """
    over = sum(_over_full(one, base.engine) for one in signals)
    overrun = _fit_overrun(signals, base.engine)
    if not any(one.has("engine_speed", "engine_torque", "fuel_rate") for one in signals):
        why = "needs speed and torque of the engine and its fuel rate"
        return EngineFuel((), overrun, {}, why, over)
    found_delays = delays or {one.number: engine_delays(one, base) for one in signals}

    def make(one: Signals) -> Rows | None:
        return _rows(one, base.engine, found_delays[one.number])

    found = fit_rows(signals, make, least=30.0, needed=("slope", "friction"))
    if found is None:
        return EngineFuel((), overrun, {}, "needs half a minute with the engine driving", over)
    fit, seconds = found
    engine, note = base.engine, "engine driving, no start or shift near"
    slope, friction = fit["slope"], fit["friction"]
    blur, thick = _coarseness(signals, engine)
    level = SENSOR * _fuel_of_a_turn(signals)
    half = float(np.linalg.norm((fit.half_width("slope"), slope * blur, slope * SENSOR)))
    half *= engine.fuel_scale
    wide = float(np.linalg.norm((fit.half_width("friction"), slope * thick, level)))
    added = slope * engine.friction_fuel * 1e3 + friction
    value = slope * engine.fuel_scale
    estimates = (
        Estimate.around("engine.fuel_scale", engine.fuel_scale, value, half, seconds, note),
        Estimate.around(
            "engine.friction_fuel_mg_per_rev",
            engine.friction_fuel * 1e3,
            added,
            wide,
            seconds,
            note,
        ),
    )
    return EngineFuel(estimates, overrun, found_delays, "", over)


def _fuel_of_a_turn(signals: Sequence[Signals]) -> float:
    """Return the mean fuel of a revolution of the running engine, mg."""
    burnt = turned = 0.0
    for one in signals:
        if one.has("engine_speed", "fuel_rate"):
            burnt += float(one["fuel_rate"][one.on].sum())
            turned += float(one["engine_speed"][one.on].sum()) / (2.0 * np.pi)
    return 1e3 * burnt / turned if turned else 0.0


def _coarseness(signals: Sequence[Signals], engine: Engine) -> tuple[float, float]:
    """Return what the steps of the torque channel leave open: share of the slope, mg per turn."""
    shares, turns = [], []
    for one in signals:
        if not one.has("engine_speed", "engine_torque"):
            continue
        torque = one["engine_torque"][one.on & (one["engine_torque"] > 5.0)]
        speed = one["engine_speed"][one.on & (one["engine_torque"] > 5.0)]
        if torque.size < 10:
            continue
        error = 1.96 * rounding_error(torque)
        rise = fuel_at(engine, speed, torque + 1.0) - fuel_at(engine, speed, torque)
        shares.append(error / float(np.sqrt(np.mean(torque**2))))
        turns.append(error * float(np.median(rise / speed)) * 2.0 * np.pi * 1e3)
    if not shares:
        return 0.0, 0.0
    return float(np.mean(shares)), float(np.mean(turns))


def engine_delays(one: Signals, base: Driveline) -> EngineDelays:
    """Return the delays of fuel and engine speed behind the engine's torque.

    Shifts tell the speed's, all changes of torque the fuel's; stops are left out, since the mean of
    a sample that holds one is the fuel of no torque.
    """
    found = EngineDelays()
    starts = seen_starts(one, base)
    for _ in range(DELAY_ROUNDS):  # noise makes each step too short
        rows = _moving_rows(one, base.engine, starts, found)
        made = fit_made([(one, rows)] if rows else [], least=30.0, needed=("delay", "speed delay"))
        if made is None:
            break
        fuel, speed = (
            float(np.clip(was + made.fit[name], -MOST_DELAY, MOST_DELAY))
            for was, name in ((found.fuel, "delay"), (found.speed, "speed delay"))
        )
        fuel_error, speed_error = (made.fit.error(x) for x in ("delay", "speed delay"))
        found = EngineDelays(fuel, fuel_error, speed, speed_error)
    return found


def _moving_rows(
    one: Signals, engine: Engine, starts: Sequence[Seen], delays: EngineDelays
) -> Rows | None:
    """Return rows of which the delays are told: shifts and stops are among them."""
    if not one.has("engine_speed", "engine_torque", "fuel_rate"):
        return None
    stops = np.flatnonzero(one.on[:-1] & ~one.on[1:]) + 1
    where = one.on & one.measured("engine_speed", "engine_torque", "fuel_rate")
    where &= ~one.near(stops, NEAR_STOP, NEAR_STOP)
    downs = one.shifts[one.gear[one.shifts] < one.gear[one.shifts - 1]]  # which take fuel
    where &= ~one.near(one.starts, 1.5, 1.5) & ~one.near(downs, 1.0, 1.0) & _warm(one, engine)
    base, later = (
        working_fuel(one, starts, engine, delay) for delay in (delays.speed, delays.speed + one.dt)
    )
    turns = np.where(base > 0.0, 1e-3 * one["engine_speed"] / (2.0 * np.pi), 0.0)
    columns = {
        "slope": one.smooth(base, where, QUICK),
        "friction": one.smooth(turns, where, QUICK),
        "delay": -one.slope(one.smooth(base, where, QUICK), QUICK),
        "speed delay": one.smooth(later - base, where, QUICK) / one.dt,
    }
    rate = one.timely("fuel_rate", delays.fuel)
    return Rows(columns, one.smooth(rate, where, QUICK), where)


def _warm(one: Signals, engine: Engine) -> np.ndarray:
    """Return where the engine is warm, as far as that is measured."""
    if one.has("oil_temperature"):
        return np.asarray(one["oil_temperature"] >= engine.warm_temperature)
    return np.ones(one.on.size, dtype=bool)


def _rows(one: Signals, engine: Engine, delays: EngineDelays) -> Rows | None:
    if not one.has("engine_speed", "engine_torque", "fuel_rate"):
        return None
    torque, speed = one["engine_torque"], one.timely("engine_speed", delays.speed)
    rate = one.timely("fuel_rate", delays.fuel)
    where = one.on & one.measured("engine_speed", "engine_torque", "fuel_rate")
    where &= one.quiet & _warm(one, engine)
    where &= one.smooth(torque, where) > 5.0
    base = fuel_at(engine, speed, torque)
    columns = {
        "slope": one.smooth(base, where),
        "friction": one.smooth(1e-3 * speed / (2.0 * np.pi), where),
        "delay": -one.slope(one.smooth(base, where)),
    }
    return Rows(columns, one.smooth(rate, where), where)


def _fit_overrun(signals: Sequence[Signals], engine: Engine) -> tuple[Estimate, ...]:
    """Fit a factor on the overrun curve where the fuel is cut and the engine is dragged."""

    def make(one: Signals) -> Rows | None:
        if not one.has("engine_speed", "engine_torque", "fuel_rate"):
            return None
        dragged = one.on & one.quiet & (one["engine_torque"] < 0.0)
        idle = fuel_at(engine, one["engine_speed"], np.zeros(dragged.size))
        cut = one.smooth(one["fuel_rate"], one.on) < CUT * idle
        where = dragged & cut & one.measured("engine_speed", "engine_torque", "fuel_rate")
        curve = curve_values(engine.overrun, one["engine_speed"])
        return Rows({"scale": curve}, one["engine_torque"], where)

    found = fit_rows(signals, make, least=10.0, needed=("scale",))
    if found is None:
        return ()
    value, half = found.fit["scale"], found.fit.half_width("scale")
    value, half = value * engine.overrun_scale, half * engine.overrun_scale
    key, note = "engine.overrun_scale", "engine dragged along, fuel cut"
    return (Estimate.around(key, engine.overrun_scale, value, half, found.seconds, note),)


def _over_full(one: Signals, engine: Engine) -> float:
    """Return the seconds in which torque lies above the full load by more than a tenth."""
    if not one.has("engine_speed", "engine_torque"):
        return 0.0
    full = curve_values(engine.full_load, one["engine_speed"])
    above = one.smooth(one["engine_torque"], one.on) > 1.1 * full
    return float((above & one.on).sum()) * one.dt
