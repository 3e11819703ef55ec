"""Overall ratios of the gears from speeds, the delay of the speed channel, and shift times.

Vehicle speed, often in whole km/h, is explained by the speed of the gearbox input, which is finer:

    v = w / k_g + c - d dv/dt

with k_g = gear ratio x final drive / tyre radius, an offset c (a speed that is cut off rather than
rounded has one) and a delay d of vehicle speed behind shaft speed. Of k_g only the product can be
told from speeds.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..base.units import KM_PER_H
from ..inputs.driveline import Driveline
from .parameters import Estimate
from .rows import Rows, fit_rows
from .signals import Signals, rounding_error

FLOOR = 0.001
"""No ratio is claimed to better than this share: load, heat and wear change a tyre's radius by more
(common practice, no source)."""
DELAY_ROUNDS = 3
LEAST = 8.0  # s of a gear below which its ratio is not told


@dataclass(frozen=True, eq=False)
class Gears:
    """What speeds tell.

    Attributes
    ----------
    ratios : overall ratio by gear from 1 on, rad/m; the base's, in step with the others, where a
        gear was not driven
    estimates : of the ratios of the file
    offset : of the speed channel, m/s
    delays : s, of the speed channel behind the shaft, by number of the recording
    shift_time : s, median; NaN where it cannot be told
    known : whether any ratio was told
    """

    ratios: np.ndarray
    estimates: tuple[Estimate, ...]
    offset: float
    delays: Mapping[int, float]
    shift_time: float
    known: bool

    def at(self, gear: np.ndarray) -> np.ndarray:
        """Return the overall ratio of gears, NaN for none."""
        inside = (gear >= 1) & (gear <= self.ratios.size)
        return np.where(inside, self.ratios[np.clip(gear, 1, self.ratios.size) - 1], np.nan)

    def with_delays(self, delays: Mapping[int, float]) -> "Gears":
        """Return the same with other delays."""
        return replace(self, delays=delays)

    def logged_speed(self, one: Signals) -> np.ndarray:
        """Return vehicle speed, m/s, of the channel less its delay and offset."""
        ahead = one.recording.time + self.delays.get(one.number, 0.0)
        logged = np.interp(ahead, one.recording.time, one["speed"])
        return np.where(one.moving, logged - self.offset, 0.0)

    def fine_speed(self, one: Signals) -> np.ndarray:
        """Return vehicle speed, m/s, from the shaft where the clutch is closed."""
        logged = self.logged_speed(one)
        if not self.known:
            return logged
        shaft = one.input_speed / self.at(one.gear)
        settled = one.locked & ~one.near(one.shifts, 0.6, 0.6) & ~one.near(one.starts, 0.5, 1.0)
        near = np.abs(shaft - logged) < np.maximum(2.0 * KM_PER_H, 0.05 * logged)
        return np.where(settled & near & (logged > 1.0), shaft, logged)


def fit_gears(signals: Sequence[Signals], base: Driveline) -> Gears:
    """Fit the overall ratios that the base's gears have in the logs."""
    radius, final = base.vehicle.wheel_radius, base.gearbox.final_drive
    ratios = np.array(base.gearbox.ratios) * final / radius
    count = base.gearbox.gears
    delays = dict.fromkeys((one.number for one in signals), 0.0)

    def make(one: Signals) -> Rows | None:
        if not one.has("gear", "speed") or not np.isfinite(one.input_speed).any():
            return None
        shaft = np.nan_to_num(one.input_speed)
        where = one.locked & np.isfinite(one.input_speed) & (shaft > 40.0) & one.measured("speed")
        where &= (one["speed"] > 2.0) & one.quiet & (one.gear >= 1) & (one.gear <= count)
        columns = {
            f"gear {g + 1}": one.smooth(shaft * (one.gear == g + 1), where) for g in range(count)
        }
        enough = np.zeros_like(where)
        for g in range(count):
            mine = where & (one.gear == g + 1)
            enough |= mine & (mine.sum() * one.dt > LEAST)
        where &= enough
        columns["offset"] = np.where(where, 1.0, 0.0)
        speed = one.timely("speed", delays[one.number])
        columns[f"delay {one.number}"] = -one.slope(speed)
        return Rows(columns, one.smooth(speed, where), where)

    found = None
    for _ in range(DELAY_ROUNDS):  # moved until no delay is left
        if (found := fit_rows(signals, make, {"offset": (0.0, 0.3 * KM_PER_H)})) is None:
            break
        for number in delays:
            name = f"delay {number}"
            more = found.fit[name] if name in found.fit.names else 0.0
            delays[number] = float(np.clip(delays[number] + more, -1.0, 1.0))
    if found is None:
        return Gears(ratios, (), 0.0, {}, np.nan, False)
    fit, estimates = found.fit, []
    told = [g for g in range(count) if f"gear {g + 1}" in fit.names]
    for g in told:
        slope, half = fit[f"gear {g + 1}"], fit.half_width(f"gear {g + 1}")
        scale = radius / final
        value = scale / slope
        rounded = 1.96 * _rounded(signals, g + 1) * value
        spread = float(np.linalg.norm((scale * half / slope**2, FLOOR * value, rounded)))
        seconds = sum(float((one.gear == g + 1).sum()) * one.dt for one in signals)
        estimates.append(
            Estimate.around(
                f"gearbox.ratios[{g}]",
                base.gearbox.ratios[g],
                value,
                spread,
                seconds,
                f"shaft speed over vehicle speed in gear {g + 1}, clutch closed",
            )
        )
        ratios[g] = 1.0 / slope
    step = np.median([ratios[g] * radius / final / base.gearbox.ratios[g] for g in told])
    for g in set(range(count)) - set(told):
        ratios[g] *= step
    made = Gears(ratios, tuple(estimates), fit["offset"], delays, np.nan, True)
    return replace(made, shift_time=_shift_time(signals, made))


def _rounded(signals: Sequence[Signals], gear: int) -> float:
    """Return the share of the speeds in a gear that the steps of the speed channel leave open."""
    parts = [one["speed"][one.moving & (one.gear == gear)] for one in signals if one.has("speed")]
    mine = np.concatenate(parts)
    moving = np.concatenate([one["speed"][one.moving] for one in signals])
    return rounding_error(moving) / max(float(mine.mean()), 1.0) if mine.size else 0.0


def _shift_time(signals: Sequence[Signals], gears: Gears) -> float:
    """Return the median time, s, that shaft speed takes from one gear to the next."""
    times = []
    for one in signals:
        if not one.has("gear"):
            continue
        ratio = one.input_speed / np.maximum(one["speed"], 1e-3)
        reach = round(1.5 / one.dt)
        for at in one.shifts:
            span = slice(max(at - reach, 0), at + reach)
            old, new = gears.at(one.gear[[at - 1, at]])
            if np.nanmin(one["speed"][span]) < 5.0 or not np.isfinite(ratio[span]).all():
                continue
            share = np.clip((ratio[span] - old) / (new - old), 0.0, 1.0)
            if share[:3].mean() < 0.1 and share[-3:].mean() > 0.9:
                times.append(float(np.sum((share > 0.15) & (share < 0.85))) * one.dt / 0.7)
    return float(np.median(times)) if len(times) >= 5 else float("nan")
