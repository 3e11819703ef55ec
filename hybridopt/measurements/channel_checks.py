"""Checks of single channels: frozen, in steps, dropped out, of a size that no vehicle has."""

from collections.abc import Iterator

import numpy as np

from ..base.intervals import intervals
from ..base.units import PERCENT, RPM
from .recording import CHANNELS, Finding, Recording

LIVELY = (
    "engine_speed",
    "motor_speed",
    "engine_torque",
    "fuel_rate",
    "air_flow",
    "motor_torque",
    "motor_power",
    "battery_voltage",
    "battery_current",
)
"""Channels that never keep a value other than 0 for long while a vehicle drives."""
FROZEN, MUCH_LONGER = 30.0, 20.0  # s, and times the mean time that a value is kept
MOVING = 3.0  # m/s
STANDS = 10.0  # rad/s, that a speed channel may show of a shaft at rest
IDLE = 400.0 * RPM  # below it an engine does not run by itself (common practice, no source)
CHANGES = 0.4  # share by which the fuel of a turn at one torque does not change
BLINK = 1.5  # s, longest fall to 0 between two large values that is a fault of the logger
UNTOLD_GAP = 2.0  # s, shorter gaps are not worth a word
BOARD_NET, BOARD_POWER = 18.0, 8e3  # V, W that no motor takes at so little voltage
SOC_STEP = 0.8 * PERCENT
SHOWN = 3
LIMITS = {
    "engine_speed": (70.0, 1500.0, "rpm"),
    "motor_speed": (20.0, 4000.0, "rpm"),
    "engine_torque": (20.0, 6000.0, "Nm"),
    "motor_torque": (2.0, 6000.0, "Nm"),
    "fuel_rate": (0.1, 100.0, "g/s, kg/h and l/h"),
    "air_flow": (1.0, 2000.0, "g/s and kg/h"),
    "motor_power": (500.0, 2e6, "W and kW"),
    "battery_voltage": (9.0, 1500.0, "V and mV"),
    "battery_current": (5.0, 3000.0, "A"),
    "auxiliary_power": (30.0, 50e3, "W and kW"),
    "air_ratio": (0.6, 300.0, "1"),
    "coolant_temperature": (-40.0, 150.0, "degC and degF"),
    "oil_temperature": (-40.0, 180.0, "degC and degF"),
    "ambient_temperature": (-50.0, 60.0, "degC and degF"),
    "brake": (0.0, 2.5, "% and bar"),
}
"""Between what the largest magnitude of a channel lies in any car or truck that drives, SI, and
units that are mixed up (common practice, no source)."""


def check_channels(recording: Recording) -> Iterator[Finding]:
    """Yield what is wrong with single channels."""
    for name, values in recording.channels.items():
        if np.isfinite(values).sum() > 1:
            yield from _sizes(recording, name, values)
            yield from _frozen(recording, name, values)
            yield from _gaps(recording, name, values)
            yield from _blinks(recording, name, values)
    yield from _board_net(recording)
    yield from _sum_of_fuel(recording)
    yield from _soc_steps(recording)


def places(recording: Recording, spans: list[tuple[int, int]]) -> str:
    """Return where stretches of samples lie, the first few, in words."""
    step = recording.step
    shown = ", ".join(f"{a * step:.0f} to {b * step:.0f} s" for a, b in spans[:SHOWN])
    return shown + (f" and {len(spans) - SHOWN} more" if len(spans) > SHOWN else "")


def found(
    recording: Recording,
    kind: str,
    channels: tuple[str, ...],
    text: str,
    spans: list[tuple[int, int]] | None = None,
) -> Finding:
    """Return a finding on stretches of samples (first, behind the last), or on the whole."""
    time = recording.time
    if not spans:
        return Finding(kind, channels, text, 0.0, float(time[-1]))
    last = min(spans[-1][1], time.size - 1)
    return Finding(kind, channels, text, float(time[spans[0][0]]), float(time[last]))


def long_stretches(recording: Recording, marked: np.ndarray, least: float) -> list[tuple[int, int]]:
    """Return the stretches of marked samples that last `least` s or more."""
    step = recording.step
    return [(a, b) for a, b in intervals(marked) if (b - a) * step >= least]


def _sizes(recording: Recording, name: str, values: np.ndarray) -> Iterator[Finding]:
    """Yield a magnitude that no drive has: a wrong unit or another quantity."""
    largest = float(np.nanpercentile(np.abs(values), 99.5))
    if name == "soc":
        if largest > 1.02:
            text = f"soc reaches {largest:.4g}, more than 1; is its unit %, not 1?"
            yield found(recording, "unit", (name,), text)
        elif 0.0 < largest < 0.02:
            text = f"soc never exceeds {largest / PERCENT:.2g} %; is its unit 1, not %?"
            yield found(recording, "unit", (name,), text)
        return
    moving = float(recording.channels["speed"].max()) > MOVING
    if name not in LIMITS or not moving or largest == 0.0:
        return
    low, high, units = LIMITS[name]
    if "temperature" in name or name == "brake":
        wrong = float(np.nanmin(values)) < low or largest > high
    else:
        wrong = not low <= largest <= high
    if wrong:
        scale, sign = (RPM, "rpm") if units == "rpm" else (1.0, CHANNELS[name].unit)
        text = (
            f"{name} reaches {largest / scale:.4g} {sign} at most; a car has {low / scale:.3g} to "
            f"{high / scale:.4g} {sign}, so look at its unit ({units}) or column"
        )
        yield found(recording, "unit", (name,), text)


def _frozen(recording: Recording, name: str, values: np.ndarray) -> Iterator[Finding]:
    """Yield stretches of one value other than 0 while the vehicle moves.

    A value that is kept `MUCH_LONGER` than others usually are: coarse values stay for a while.
    """
    if name not in LIVELY:
        return
    moving = recording.channels["speed"] > MOVING
    same = np.append(np.diff(values) == 0.0, False)
    step, changes = recording.step, int(np.count_nonzero(moving & ~same))
    if np.count_nonzero(moving) * step < FROZEN:
        return
    least = max(FROZEN, MUCH_LONGER * step * np.count_nonzero(moving) / max(changes, 1))
    if name == "engine_torque":  # may stay at its limit, or at rest
        yield from _frozen_torque(recording, values, least)
        return
    spans = [
        (a, b)
        for a, b in long_stretches(recording, same & ~_at_rest(name, values), least)
        if np.count_nonzero(moving[a:b]) * step >= least  # stops between do not make it new
    ]
    if changes < 2:
        text = f"{name} keeps one value whenever the vehicle drives"
        yield found(recording, "frozen", (name,), text)
    elif spans:
        text = f"{name} keeps one value for {least:.0f} s or more while the vehicle drives: "
        yield found(recording, "frozen", (name,), text + places(recording, spans), spans)


def _at_rest(name: str, values: np.ndarray) -> np.ndarray:
    """Return where a channel may well keep its value: at 0, or a shaft that shows a few rpm."""
    return np.asarray(np.abs(values) < (STANDS if name.endswith("_speed") else 1e-12))


def _frozen_torque(recording: Recording, values: np.ndarray, least: float) -> Iterator[Finding]:
    """Yield stretches of one engine torque, in which the fuel of a turn says that it changed.

    Without fuel, only much longer ones: a torque may stay at its limit.
    """
    same = np.append(np.diff(values) == 0.0, False)
    if not recording.has("engine_speed", "fuel_rate"):
        same &= (values != 0.0) & (recording.channels["speed"] > MOVING)
        spans = long_stretches(recording, same, max(least, 4.0 * FROZEN))
        text = "engine_torque keeps one value for long while the vehicle drives: "
    else:
        speed, rate = (recording.channels[n] for n in ("engine_speed", "fuel_rate"))
        turn = np.where(speed > IDLE, rate / np.maximum(speed, IDLE), 0.0)
        enough = FROZEN / recording.step / 6.0
        spans = [
            (a, b)
            for a, b in long_stretches(recording, same, FROZEN)
            if (turn[a:b] > 0.0).sum() > enough and _spread(turn[a:b]) > CHANGES
        ]
        text = "engine_torque keeps one value while the fuel of a turn changes: "
    if spans:
        yield found(recording, "frozen", ("engine_torque",), text + places(recording, spans), spans)


def _spread(values: np.ndarray) -> float:
    """Return how far most of the values above 0 lie apart, as a share of the largest."""
    low, high = np.nanpercentile(values[values > 0.0], (10.0, 90.0))
    return float((high - low) / high)


def _gaps(recording: Recording, name: str, values: np.ndarray) -> Iterator[Finding]:
    spans = long_stretches(recording, np.isnan(values), UNTOLD_GAP)
    if spans and name != "gear":
        share = float(np.isnan(values).mean())
        text = f"{name} is missing for {share:.1%} of the drive: {places(recording, spans)}"
        yield found(recording, "dropout", (name,), text, spans)


def _blinks(recording: Recording, name: str, values: np.ndarray) -> Iterator[Finding]:
    """Yield falls to exactly 0 that return at once to a large value."""
    if name not in ("speed", "engine_speed", "motor_speed", "battery_voltage", "soc"):
        return
    large = np.abs(values) > 0.3 * np.nanpercentile(np.abs(values), 90.0)
    step = recording.step
    zero = [
        (a, b)
        for a, b in intervals(values == 0.0)
        if (b - a) * step <= BLINK and 0 < a and b < values.size and large[a - 1] and large[b]
    ]
    if zero:
        text = f"{name} falls to 0 and back {len(zero)} times: {places(recording, zero)}"
        yield found(recording, "dropout", (name,), text, zero)


def _board_net(recording: Recording) -> Iterator[Finding]:
    """Yield a voltage of some 12 V where no current goes with it, or the motor is too strong."""
    x = recording.channels
    if not recording.has("battery_voltage") or np.nanmax(x["battery_voltage"]) > BOARD_NET:
        return
    strong = recording.has("motor_power") and np.nanmax(np.abs(x["motor_power"])) > BOARD_POWER
    if strong or not recording.has("battery_current"):
        most = float(np.nanmax(x["battery_voltage"]))
        text = f"battery_voltage reaches {most:.3g} V, as the net of the board does, not the drive"
        yield found(recording, "unit", ("battery_voltage",), text)


def _sum_of_fuel(recording: Recording) -> Iterator[Finding]:
    """Yield a fuel rate that never falls: the fuel burnt so far."""
    if not recording.has("fuel_rate"):
        return
    rate = recording.channels["fuel_rate"]
    rate = rate[np.isfinite(rate)]
    if rate.size > 1 and rate[-1] > rate[0] and np.all(np.diff(rate) >= -1e-9 * rate[-1]):
        text = "fuel_rate never falls, so it is the fuel burnt so far and no rate"
        text += "; log the rate, or leave it out with --channel fuel_rate=none"
        yield found(recording, "unit", ("fuel_rate",), text)


def _soc_steps(recording: Recording) -> Iterator[Finding]:
    if not recording.has("soc"):
        return
    values = recording.channels["soc"]
    known = values[np.isfinite(values)]
    levels = np.unique(np.round(known, 6))
    moving = recording.channels["speed"].max() > MOVING
    if levels.size == 1 and moving and recording.time[-1] > 10 * FROZEN:
        text = f"soc is {levels[0] / PERCENT:.4g} % throughout"
        yield found(recording, "frozen", ("soc",), text)
    elif 1 < levels.size < known.size / 20:
        step = float(np.median(np.diff(levels)))
        if step >= SOC_STEP:
            text = f"soc comes in steps of {step / PERCENT:.3g} %, so it tells charge that roughly"
            yield found(recording, "steps", ("soc",), text)
