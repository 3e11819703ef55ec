"""The engine's fuel as a factor on the base's map and fuel per revolution, and its overrun torque.

    fuel rate = s map(w, T) + f w / (2 π) - d d(fuel rate)/dt + d_w d(map)/dw dw/dt

A Willans line (Guzzella, Sciarretta, *Vehicle Propulsion Systems*, ch. 3, from memory) differs from
another by slope and friction, which are s and f; d is the delay of the fuel behind torque, d_w that
of the speed in each log. Only a warm engine that runs by itself counts, no
start or shift being near.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..inputs.driveline import Driveline, Engine
from ..inputs.maps import curve_values, map_values
from .parameters import Estimate
from .rows import Rows, fit_made, fit_rows
from .signals import SENSOR, SMOOTH, Signals, rounding_error

DELAY_ROUNDS = 5
CUT = 0.15  # share of the fuel at 0 N m below which the fuel counts as cut
MOST_DELAY = 1.0  # s
QUICK = 0.2  # s, smoothing where the delay is looked for


@dataclass(frozen=True, eq=False)
class EngineFuel:
    """What is told of the engine.

    Attributes
    ----------
    estimates : of the fuel
    overrun : of the overrun torque
    delays : s, of the fuel channel behind torque and its standard error, by recording
    reason : why there is no estimate
    over_full : s above the base's full load by more than a tenth
    """

    estimates: tuple[Estimate, ...] = ()
    overrun: tuple[Estimate, ...] = ()
    delays: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    reason: str = ""
    over_full: float = 0.0


def fuel_at(engine: Engine, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
    """Return the fuel rate of a running engine, g/s, beyond the map that of its edge.

    Between 0 N m and overrun it is linear, as in `physics/step.py`.
    """
    x, y = engine.fuel_map["speed"].values, engine.fuel_map["torque"].values
    inside = np.clip(speed, x[0], x[-1])
    rate = map_values(engine.fuel_map, inside, np.clip(torque, 0.0, y[-1]))
    overrun = np.minimum(curve_values(engine.overrun, speed), -1e-9)
    return np.asarray(rate * np.clip(1.0 - np.minimum(torque, 0.0) / overrun, 0.0, 1.0))


def fit_engine(signals: Sequence[Signals], base: Driveline) -> EngineFuel:
    """Fit factor and friction of the fuel map, and the overrun torque."""
    over = sum(_over_full(one, base.engine) for one in signals)
    overrun = _fit_overrun(signals, base.engine)
    if not any(one.has("engine_speed", "engine_torque", "fuel_rate") for one in signals):
        why = "needs speed and torque of the engine and its fuel rate"
        return EngineFuel((), overrun, {}, why, over)
    delays = {one.number: _delay(one, base.engine) for one in signals}

    def make(one: Signals) -> Rows | None:
        return _rows(one, base.engine, delays[one.number][0], steady=True)

    found = fit_rows(signals, make, least=30.0)
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
    return EngineFuel(estimates, overrun, delays, "", over)


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


def _delay(one: Signals, engine: Engine) -> tuple[float, float]:
    """Return the delay of the fuel channel behind the torque, s, and its standard error."""
    delay = unsure = 0.0
    for _ in range(DELAY_ROUNDS):  # noise makes each step too short
        rows = _rows(one, engine, delay, steady=False)
        if (found := fit_made([(one, rows)] if rows else [], least=30.0)) is None:
            break
        delay = float(np.clip(delay + found.fit["delay"], -MOST_DELAY, MOST_DELAY))
        unsure = found.fit.error("delay")
    return delay, unsure


def _rows(one: Signals, engine: Engine, delay: float, steady: bool) -> Rows | None:
    if not one.has("engine_speed", "engine_torque", "fuel_rate"):
        return None
    speed, torque = one["engine_speed"], one["engine_torque"]
    rate = one.timely("fuel_rate", delay)
    where = one.on & one.measured("engine_speed", "engine_torque", "fuel_rate")
    if steady:
        where &= one.quiet
        where &= one.smooth(torque, where) > 5.0
    else:
        where &= ~one.near(one.starts, 1.5, 1.5)
    if one.has("oil_temperature"):
        where &= one["oil_temperature"] >= engine.warm_temperature
    base = fuel_at(engine, speed, torque)
    width = SMOOTH if steady else QUICK
    columns = {
        "slope": one.smooth(base, where, width),
        "friction": one.smooth(1e-3 * speed / (2.0 * np.pi), where, width),
        "delay": -one.slope(one.smooth(base, where, width), width),
    }
    if steady:
        later = fuel_at(engine, one.timely("engine_speed", one.dt), torque)
        columns[f"speed delay {one.number}"] = one.smooth(later - base, where, width) / one.dt
    return Rows(columns, one.smooth(rate, where, width), where)


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

    found = fit_rows(signals, make, least=10.0)
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
