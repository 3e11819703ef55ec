"""Checks of channels against each other: speeds, powers, charge, fuel, air, altitude."""

import warnings
from collections.abc import Iterator

import numpy as np

from ..base.intervals import intervals
from ..base.units import PERCENT
from ..base.warning import InputWarning
from ..inputs.plausibility import ENGINE_BEST, USUAL_HEATING_VALUE
from .channel_checks import STANDS, found, long_stretches, places
from .delays import locked
from .electric_agreement import check_electric
from .factors import all_known, explain
from .log import Journal, Samples
from .recording import Finding, Recording
from .road_grade import along_road, grade_from_altitude

SAME = 0.05  # of a ratio, what counts as the same
STRAY_SHARE = 0.3  # of the samples off a gear's ratio, from which gear and speeds disagree
NEUTRAL_FOR = 10.0  # s
LEAST_EFFICIENCY = 0.15  # at more than a third of the highest power
STOICHIOMETRIC = (
    13.5,
    15.5,
)  # kg/kg: petrol, diesel, ethanol blends up to 10 % (common practice, no source)
STANDS_FOR = 1.5  # s
PULLS, UNFED_FOR = 0.2, 3.0  # of the largest torque; s for which it needs fuel (assumed)
LEAK = 0.01  # of a drive's fuel while the engine stands, from which on any flow counts
ROAD = 200.0  # m, over which grade and altitude are compared
GRADE_APART = 1.5 * PERCENT


def check_agreement(recording: Recording) -> Iterator[Finding]:
    """Yield where channels contradict each other, with figures."""
    yield from _gears(recording)
    yield from _shafts(recording)
    yield from check_electric(recording)
    yield from _altitude(recording)
    yield from _air(recording)
    yield from _efficiency(recording)
    yield from _fuel_at_rest(recording)
    yield from _no_fuel(recording)


def _gears(recording: Recording) -> Iterator[Finding]:
    """Yield gears whose ratio of speeds scatters, or does not fall from gear to gear."""
    x = recording.channels
    shaft = recording.shaft
    if not recording.has("gear", shaft):
        return
    usable = locked(recording, shaft) & (x["speed"] > 5.0)
    yield from _neutral(recording, shaft)
    medians: dict[int, float] = {}
    for gear in range(1, 21):
        of_gear = usable & (x["gear"] == gear)
        if of_gear.sum() < 50:
            continue
        ratio = x[shaft][of_gear] / x["speed"][of_gear]
        medians[gear] = float(np.median(ratio))
        stray = np.abs(ratio / medians[gear] - 1.0) > 2.0 * SAME
        if stray.mean() > STRAY_SHARE:
            low, high = np.percentile(ratio, [10.0, 90.0])
            text = (
                f"in gear {gear} {shaft} over speed is {low:.2f} to {high:.2f} rad/m (a tenth "
                f"beyond either), not one ratio: {stray.mean():.0%} of the time it is more than "
                f"{2 * SAME:.0%} off {medians[gear]:.2f}"
            )
            where = intervals(of_gear)
            yield found(recording, "disagrees", ("gear", shaft, "speed"), text, where)
    order = sorted(medians)
    for low, high in zip(order, order[1:], strict=False):
        if medians[high] > medians[low] * (1.0 - 0.3 * SAME):
            text = (
                f"{shaft} over speed is {medians[low]:.2f} rad/m in gear {low} and "
                f"{medians[high]:.2f} in gear {high}; a higher gear turns slower, so gear or its "
                "count is wrong"
            )
            yield found(recording, "disagrees", ("gear", shaft, "speed"), text)


def _neutral(recording: Recording, shaft: str) -> Iterator[Finding]:
    """Yield driving in gear 0 at one ratio: gears that are counted from 0, or a gear not told."""
    x = recording.channels
    where = (x["gear"] == 0) & (x["speed"] > 3.0) & (x[shaft] > STANDS)
    if where.sum() * recording.step < NEUTRAL_FOR:
        return
    ratio = x[shaft][where] / x["speed"][where]
    middle = float(np.median(ratio))
    if np.mean(np.abs(ratio / middle - 1.0) < 2.0 * SAME) > 1.0 - STRAY_SHARE:
        text = (
            f"gear is 0 for {where.sum() * recording.step:.0f} s in which {shaft} over speed is "
            f"{middle:.2f} rad/m, as in a gear: are gears counted from 0?"
        )
        yield found(recording, "disagrees", ("gear", shaft, "speed"), text, intervals(where))


def _shafts(recording: Recording) -> Iterator[Finding]:
    """Yield a constant ratio other than 1 between motor and engine."""
    if not recording.has("engine_speed", "motor_speed"):
        return
    engine, motor = recording.channels["engine_speed"], recording.channels["motor_speed"]
    both = locked(recording, "engine_speed") & (motor > STANDS)
    if both.sum() < 100:
        return
    ratio = motor[both] / engine[both]
    middle = float(np.median(ratio))
    together = np.abs(ratio / middle - 1.0) < SAME
    if together.mean() > 0.7 and abs(middle - 1.0) > SAME:
        text = f"the motor turns {middle:.3f} times as fast as the engine{explain(middle)}"
        yield found(recording, "ratio", ("motor_speed", "engine_speed"), text)


def _altitude(recording: Recording) -> Iterator[Finding]:
    """Yield a grade that is not the rise of the altitude."""
    if not recording.has("altitude", "grade"):
        return
    x, cycle = recording.channels, recording.cycle
    drive = Samples(cycle.time, cycle.speed)
    height, known = Samples(recording.time, x["altitude"]), np.isfinite(x["grade"])
    if known.sum() < 2 or np.isfinite(x["altitude"]).sum() < 2 or cycle.distance < 5 * ROAD:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", InputWarning)
        rise = grade_from_altitude(height, drive, ROAD, Journal())
    logged = np.interp(cycle.time, recording.time[known], x["grade"][known])
    smooth = along_road(logged, drive, ROAD)
    weight = cycle.speed / max(float(cycle.speed.sum()), 1e-9)
    apart = float(np.sqrt(weight @ (smooth - rise) ** 2))
    sizes = float(np.sqrt(weight @ smooth**2)), float(np.sqrt(weight @ rise**2))
    if apart <= max(0.6 * max(sizes), GRADE_APART) and apart <= GRADE_APART + 0.3 * max(sizes):
        return
    factor = float(weight @ (smooth * rise)) / max(float(weight @ smooth**2), 1e-12)
    text = (
        f"grade is {sizes[0] / PERCENT:.2g} % and the rise of altitude {sizes[1] / PERCENT:.2g} % "
        f"(root mean square), {apart / PERCENT:.2g} % apart; altitude rises {factor:.3g} times as "
        f"steep as grade says{explain(factor)}"
    )
    yield found(recording, "disagrees", ("grade", "altitude"), text)


def _air(recording: Recording) -> Iterator[Finding]:
    """Yield air over fuel and lambda that is no stoichiometric ratio."""
    if not recording.has("fuel_rate", "air_flow", "air_ratio"):
        return
    if any(one.kind == "derived" for one in recording.findings):
        return
    x = recording.channels
    with np.errstate(divide="ignore", invalid="ignore"):
        need = x["air_flow"] / (x["fuel_rate"] * x["air_ratio"])
    known = np.isfinite(need) & (x["fuel_rate"] > 0.1 * np.nanmax(x["fuel_rate"]))
    if known.sum() < 100:
        return
    middle = float(np.median(need[known]))
    if not STOICHIOMETRIC[0] <= middle <= STOICHIOMETRIC[1]:
        text = (
            f"air_flow is {middle:.4g} times fuel_rate x air_ratio; petrol and diesel need 14.5 to "
            f"14.7, so one of them is off by a factor of {middle / 14.6:.3g}"
            f"{explain(middle / 14.6)}"
        )
        yield found(recording, "factor", ("fuel_rate", "air_flow", "air_ratio"), text)


def _efficiency(recording: Recording) -> Iterator[Finding]:
    """Yield an efficiency of the engine that no engine has."""
    if not recording.has("fuel_rate", "engine_speed", "engine_torque"):
        return
    x = recording.channels
    work, heat = x["engine_speed"] * x["engine_torque"], x["fuel_rate"] * USUAL_HEATING_VALUE
    known = all_known(work, heat) & (x["engine_speed"] > STANDS)
    if known.sum() < 100 or not (work[known] > 0.0).any():
        return
    loaded = known & (work > 0.35 * np.percentile(work[known], 99.0)) & (work > 0.0)
    if loaded.sum() < 50:
        return
    share = float(work[loaded].sum() / max(heat[loaded].sum(), 1e-9))
    names = ("fuel_rate", "engine_speed", "engine_torque")
    if not LEAST_EFFICIENCY < share < ENGINE_BEST.high:
        text = (
            f"the engine turns {share:.0%} of the fuel's heat into work where it gives much power; "
            f"{LEAST_EFFICIENCY:.0%} to {ENGINE_BEST.high:.0%} are possible, so fuel, torque or "
            f"speed is off by a factor of about {share / 0.34:.3g}{explain(share / 0.34, 0.25)}"
        )
        yield found(recording, "factor", names, text)


def _fuel_at_rest(recording: Recording) -> Iterator[Finding]:
    """Yield fuel that flows while the engine stands."""
    if not recording.has("fuel_rate", "engine_speed"):
        return
    x = recording.channels
    rate, stands = x["fuel_rate"], x["engine_speed"] < STANDS
    leaks = float(np.nansum(rate[stands])) > LEAK * float(np.nansum(rate))
    least = 0.0 if leaks else 0.01 * float(np.nanmax(rate, initial=0.0))
    spans = long_stretches(recording, (rate > least) & stands, STANDS_FOR)
    if spans:
        step = recording.step
        seconds = sum(b - a for a, b in spans) * step
        grams = sum(float(np.nansum(x["fuel_rate"][a:b])) for a, b in spans) * step
        text = (
            f"fuel_rate is not 0 while the engine stands: {grams:.3g} g in {seconds:.3g} s "
            f"({places(recording, spans)})"
        )
        yield found(recording, "disagrees", ("fuel_rate", "engine_speed"), text, spans)


def _no_fuel(recording: Recording) -> Iterator[Finding]:
    """Yield torque of an engine that gets no fuel."""
    if not recording.has("fuel_rate", "engine_speed", "engine_torque"):
        return
    x = recording.channels
    pulls = x["engine_torque"] > PULLS * float(np.nanpercentile(x["engine_torque"], 99.5))
    unfed = (x["fuel_rate"] == 0.0) & pulls & (x["engine_torque"] > 0.0)
    spans = long_stretches(recording, unfed & (x["engine_speed"] > STANDS), UNFED_FOR)
    if spans:
        text = f"fuel_rate is 0 while the engine gives torque: {places(recording, spans)}"
        names = ("fuel_rate", "engine_torque", "engine_speed")
        yield found(recording, "disagrees", names, text, spans)
