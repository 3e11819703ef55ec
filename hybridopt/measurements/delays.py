"""Delays between channels of a recording, by correlation of their changes."""

from collections.abc import Iterator

import numpy as np
from scipy.ndimage import gaussian_filter1d, minimum_filter1d

from .channel_checks import STANDS, found
from .recording import Finding, Recording

LONGEST, FAR = 2.0, 6.0  # s, and where that tells nothing of channels that are compared throughout
SMOOTHED = 0.25  # s, standard deviation, against quanta
MAX_SAMPLES = 200_000
LEAST = 60.0  # s, less tells nothing
SHARP = 0.03  # by which the correlation has to fall within a second of its peak
SURE = 0.5  # correlation of changes from which a delay is believed
TOLD = 0.15  # s, shorter delays are not worth a word


def check_delays(recording: Recording) -> Iterator[Finding]:
    """Yield delays of `TOLD` or more between channels that should change together."""
    for names, others, first, second, usable in _pairs(recording):
        lag, strength = delay(first, second, usable, recording.step)
        if abs(strength) < SURE and usable.all():
            lag, strength = delay(first, second, usable, recording.step, FAR)
        if abs(strength) >= SURE and abs(lag) >= max(TOLD, 0.5 * recording.step):
            late, early = (others, names) if lag > 0.0 else (names, others)
            text = (
                f"{' x '.join(late)} comes {abs(lag):.2f} s behind {' x '.join(early)} "
                f"(correlation {strength:.2f})"
            )
            yield found(recording, "delay", (*late, *early), text)


def delay(
    first: np.ndarray, second: np.ndarray, usable: np.ndarray, step: float, longest: float = LONGEST
) -> tuple[float, float]:
    """Return by how much a series comes behind another, and how sure that is.

    Parameters
    ----------
    first, second
        Even series, shape (n,); NaN where unknown.
    usable
        Where to look, shape (n,).
    step, longest
        s.

    Returns
    -------
    lag : s, positive where `second` is late; 0 where nothing can be told
    strength : correlation of their changes at that lag, negative where they oppose, 0 to 1 in size

    Notes
    -----
    Changes over about a second of the smoothed series, correlated at every lag up to `longest`
    over the samples that can be used at all lags; a parabola through the largest and its
    neighbours gives the fraction of a step. A flat peak, as of two long ramps, tells nothing.
    """
    part = slice(0, MAX_SAMPLES)
    a, b = _changes(first[part], step), _changes(second[part], step)
    reach = _reach(longest, step)
    whole = usable[part] & np.isfinite(a) & np.isfinite(b)
    where = np.flatnonzero(_at_all_lags(whole, reach))
    if where.size * step < LEAST:
        return 0.0, 0.0
    lags = np.arange(-reach, reach + 1)
    found = np.array([_correlation(a[where], b[where + lag]) for lag in lags])
    size: np.ndarray = np.abs(found)
    away = max(int(round(1.0 / step)), 1)
    best = int(np.argmax(size))
    sides = size[[max(best - away, 0), min(best + away, lags.size - 1)]]
    if best in (0, lags.size - 1) or size[best] - sides.max() < SHARP:
        return 0.0, 0.0
    before, here, after = size[best - 1 : best + 2]
    bend = before - 2.0 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return float((lags[best] + shift) * step), float(found[best])


def _reach(longest: float, step: float) -> int:
    return max(int(round(longest / step)), 2)


def _at_all_lags(usable: np.ndarray, reach: int) -> np.ndarray:
    """Mark samples that can be used with all within `reach` of them."""
    marked: np.ndarray = minimum_filter1d(usable.astype(np.uint8), 2 * reach + 1, mode="constant")
    return marked > 0


def _changes(values: np.ndarray, step: float) -> np.ndarray:
    """Return the changes of a smoothed series over about a second, NaN near unknown values."""
    known = np.isfinite(values)
    if not known.any():
        return values
    filled = np.interp(np.arange(values.size), np.flatnonzero(known), values[known])
    smooth = gaussian_filter1d(filled, SMOOTHED / step) if step < 2 * SMOOTHED else filled
    half = max(int(round(0.5 / step)), 1)
    changes = np.full(values.size, np.nan)
    changes[half:-half] = smooth[2 * half :] - smooth[: -2 * half]
    sound = minimum_filter1d(known.astype(np.uint8), 2 * half + 1, mode="nearest") > 0
    return np.where(sound, changes, np.nan)


def _correlation(a: np.ndarray, b: np.ndarray) -> float:
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size > 0.0 else 0.0


Pair = tuple[tuple[str, ...], tuple[str, ...], np.ndarray, np.ndarray, np.ndarray]


def _pairs(recording: Recording) -> Iterator[Pair]:
    """Yield names, series and where to compare them, of channels that change together."""
    x, n = recording.channels, recording.time.size
    everywhere = np.ones(n, dtype=bool)
    if recording.has("engine_speed", "engine_torque", "fuel_rate"):
        power = x["engine_speed"] * x["engine_torque"]
        turning = x["engine_speed"] > STANDS
        if _at_all_lags(turning, _reach(LONGEST, recording.step)).sum() * recording.step < LEAST:
            turning = everywhere  # in short runs only; cranking brings the fuel some 0.05 s forward
        yield ("engine_speed", "engine_torque"), ("fuel_rate",), power, x["fuel_rate"], turning
    if recording.has("air_flow", "fuel_rate"):
        yield ("air_flow",), ("fuel_rate",), x["air_flow"], x["fuel_rate"], everywhere
    if recording.has("motor_speed", "motor_torque"):
        power = x["motor_speed"] * x["motor_torque"]
        for other in ("motor_power", "battery_current"):
            if recording.has(other):
                yield ("motor_speed", "motor_torque"), (other,), power, x[other], everywhere
    if recording.has("motor_power", "battery_current"):
        power, current = x["motor_power"], x["battery_current"]
        yield ("motor_power",), ("battery_current",), power, current, everywhere
    for name in ("engine_speed", "motor_speed"):
        if recording.has(name):
            first, second = (np.log(np.maximum(x[one], 1.0)) for one in ("speed", name))
            yield ("speed",), (name,), first, second, locked(recording, name)


def locked(recording: Recording, name: str) -> np.ndarray:
    """Mark where a shaft turns with the wheels in one gear, as far as the channels tell.

    Without a gear, where the shaft's speed over the vehicle's changes little within a second.
    """
    x = recording.channels
    usable: np.ndarray = (x["speed"] > 3.0) & (x[name] > STANDS)
    reach = max(int(round(1.0 / recording.step)), 1)
    if recording.has("gear"):
        kept = np.append(np.diff(x["gear"]) == 0.0, False)
        kept = minimum_filter1d(kept.astype(np.uint8), 2 * reach + 1, mode="nearest") > 0
        usable = usable & kept
    ratio = np.where(usable, x[name] / np.maximum(x["speed"], 0.1), np.nan)
    later = np.append(ratio[reach:], np.full(reach, np.nan))
    usable &= np.abs(later - ratio) < 0.15 * ratio
    return usable
