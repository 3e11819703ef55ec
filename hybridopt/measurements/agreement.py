"""Checks of channels against each other: speeds, powers, charge, fuel, air, altitude."""

import warnings
from collections.abc import Iterator

import numpy as np

from ..base.intervals import intervals
from ..base.units import AH, KW, PERCENT
from ..base.warning import InputWarning
from ..inputs.plausibility import USUAL_HEATING_VALUE
from .channel_checks import MOVING, found, long_stretches, places
from .delays import locked
from .log import Journal, Samples
from .recording import Finding, Recording
from .road_grade import along_road, grade_from_altitude
from .units import MILE

SAME = 0.05  # of a ratio, what counts as the same
STRAY_SHARE = 0.3  # of the samples off a gear's ratio, from which gear and speeds disagree
FACTOR_OFF = 0.15  # of 1, from which a factor between two powers is told
CORRELATED = 0.7  # least correlation of two channels that measure one thing
BEST_EFFICIENCY = 0.50
"""No engine of a road vehicle turns more of its fuel into work (see `inputs/plausibility.py`)."""
LEAST_EFFICIENCY = 0.15  # at more than a third of the highest power
STOICHIOMETRIC = (13.5, 15.5)  # kg/kg: petrol, diesel, ethanol blends up to 10 % (common practice)
STANDS, STANDS_FOR = 10.0, 1.5  # rad/s, s
ROAD = 200.0  # m, over which grade and altitude are compared
GRADE_APART = 1.5 * PERCENT
CHARGE_LEAST = 2.0 * PERCENT  # swing of SoC below which charge and SoC are not compared
CAPACITIES = (1e-3, 5.0)  # 1/Ah: from 1000 Ah down to 0.2 Ah
MEASURED = 0.98  # of the drive; an integral of less says nothing
FACTORS = {
    1e3: "1000, as between kW and W",
    1e-3: "0.001, as between W and kW",
    3.6: "3.6, as between g/s and kg/h or l/h and ml/s",
    1 / 3.6: "1/3.6, as between kg/h and g/s",
    1e3 / 3.6: "278, as between g/s and kg/h or l/h taken for each other without 1000",
    4.8: "about 4.8, as between l/h taken as g/s and what petrol weighs",
    9.549: "9.55, as between rad/s and rpm",
    1 / 9.549: "1/9.55, as between rpm and rad/s",
    MILE / 1e3: "1.609, as between mph and km/h",
    1e3 / MILE: "1/1.609, as between km/h and mph",
    100.0: "100, as between % and 1",
    0.01: "0.01, as between 1 and %",
}
"""What a factor between two channels that measure one thing may mean."""


def check_agreement(recording: Recording) -> Iterator[Finding]:
    """Yield where channels contradict each other, with figures."""
    yield from _gears(recording)
    yield from _shafts(recording)
    yield from _electric_power(recording)
    yield from _mechanical_power(recording)
    yield from _current_sign(recording)
    yield from _charge(recording)
    yield from _altitude(recording)
    yield from _air(recording)
    yield from _efficiency(recording)
    yield from _fuel_at_rest(recording)


def explain(factor: float, near: float = 0.12) -> str:
    """Return what a factor may mean, "" where nothing is known of it."""
    for known, text in FACTORS.items():
        if abs(abs(factor) / known - 1.0) < near:
            return f" ({text})"
    return ""


def _turn(recording: Recording, name: str) -> str:
    """Return how the user turns a channel's sign."""
    choice = recording.choices.get(name)
    if choice is None:
        return f"turn the sign of {name}"
    unit = choice.unit.sign if choice.unit else "1"
    turned = unit[1:] if unit.startswith("-") else f"-{unit}"
    return f"turn it with --channel {name}={choice.column.name}:{turned}"


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Return slope, offset and correlation of y over x by least squares, outliers left out once."""
    for _ in range(2):
        if x.size < 3 or np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
            return 0.0, 0.0, 0.0
        dx, dy = x - x.mean(), y - y.mean()
        slope = float(dx @ dy / (dx @ dx))
        offset = float(y.mean() - slope * x.mean())
        correlation = float(dx @ dy / np.sqrt((dx @ dx) * (dy @ dy)))
        rest = np.abs(y - offset - slope * x)
        kept = rest <= 4.0 * np.median(rest) + 1e-12 * np.abs(y).max()
        x, y = x[kept], y[kept]
    return slope, offset, correlation


def _known(*series: np.ndarray) -> np.ndarray:
    known: np.ndarray = np.all([np.isfinite(one) for one in series], axis=0)
    return known


def _gears(recording: Recording) -> Iterator[Finding]:
    """Yield gears whose ratio of speeds scatters, or does not fall from gear to gear."""
    x = recording.channels
    shaft = "motor_speed" if recording.has("motor_speed") else "engine_speed"
    if not recording.has("gear", shaft):
        return
    usable = locked(recording, shaft) & (x["speed"] > 5.0)
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


def _electric_power(recording: Recording) -> Iterator[Finding]:
    """Yield how far power of the motor is from voltage times current."""
    if not recording.has("motor_power", "battery_voltage", "battery_current"):
        return
    x = recording.channels
    battery, motor = x["battery_voltage"] * x["battery_current"], x["motor_power"]
    known = _known(battery, motor)
    slope, offset, fit = _line(motor[known], battery[known])
    names = ("motor_power", "battery_voltage", "battery_current")
    if known.sum() < 100 or slope == 0.0:
        return
    if abs(fit) < CORRELATED:
        text = (
            f"motor_power and battery_voltage x battery_current go apart (correlation {fit:.2f}): "
            f"root mean square {_rms(motor[known]) / KW:.3g} and {_rms(battery[known]) / KW:.3g} kW"
        )
        yield found(recording, "disagrees", names, text)
        return
    if slope < 0.0:
        text = (
            f"battery_voltage x battery_current is {slope:.3f} times motor_power: signs oppose, so "
            f"{_turn(recording, 'motor_power')} unless the current is the wrong one"
        )
        yield found(recording, "sign", names, text)
    if abs(abs(slope) - 1.0) > FACTOR_OFF:
        text = (
            f"battery_voltage x battery_current is {abs(slope):.4g} times motor_power"
            f"{explain(slope)}, and {offset / KW:+.3g} kW"
        )
        yield found(recording, "factor", names, text)


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _mechanical_power(recording: Recording) -> Iterator[Finding]:
    """Yield torque x speed of the motor against its electric power, or against the drive."""
    if not recording.has("motor_torque", "motor_speed"):
        return
    x = recording.channels
    power, names = x["motor_torque"] * x["motor_speed"], ("motor_torque", "motor_speed")
    turned = _against_drive(recording, power)
    if turned:
        text = f"motor_torque is negative where the car gains speed and positive where it {turned}"
        yield found(recording, "sign", ("motor_torque",), text + _turn(recording, "motor_torque"))
    if not recording.has("motor_power"):
        return
    known = _known(power, x["motor_power"])
    slope, _, fit = _line(power[known], x["motor_power"][known])
    if known.sum() < 100 or slope == 0.0:
        return
    if abs(fit) < CORRELATED:
        text = f"motor_power and motor_torque x motor_speed go apart (correlation {fit:.2f})"
        yield found(recording, "disagrees", (*names, "motor_power"), text)
    elif slope < 0.0:
        text = f"motor_power is {slope:.3f} times motor_torque x motor_speed: signs oppose"
        yield found(recording, "sign", (*names, "motor_power"), text)
    elif not 0.75 < slope < 1.4:
        text = f"motor_power is {slope:.4g} times motor_torque x motor_speed{explain(slope)}"
        yield found(recording, "factor", (*names, "motor_power"), text)


def _against_drive(recording: Recording, power: np.ndarray) -> str:
    """Return words where a power falls as the car gains speed and rises as it slows, else ""."""
    x, step = recording.channels, float(recording.time[1])
    gain = np.gradient(x["speed"], step)
    known = _known(power) & (x["speed"] > MOVING)
    fast, slow = known & (gain > 0.5), known & (gain < -0.5)
    if min(fast.sum(), slow.sum()) < 50:
        return ""
    up, down = float(power[fast].mean()), float(power[slow].mean())
    if up < 0.0 < down:
        return f"loses it (mean power {up / KW:.2f} and {down / KW:.2f} kW); "
    return ""


def _current_sign(recording: Recording) -> Iterator[Finding]:
    """Yield a current that is negative where the battery discharges: voltage rises with it."""
    if not recording.has("battery_voltage", "battery_current"):
        return
    current, voltage = recording.channels["battery_current"], recording.channels["battery_voltage"]
    known = _known(current, voltage)
    jump = max(int(round(1.0 / recording.time[1])), 1)
    rise, drop = current[jump:] - current[:-jump], voltage[jump:] - voltage[:-jump]
    both = known[jump:] & known[:-jump]
    slope, _, fit = _line(rise[both], drop[both])
    if both.sum() > 100 and slope > 0.0 and fit > 0.4:
        text = (
            f"battery_voltage rises by {slope:.3g} V for each A of battery_current, so the current "
            "is positive where the battery is charged; here it is positive where it discharges: "
        )
        text += _turn(recording, "battery_current")
        yield found(recording, "sign", ("battery_current", "battery_voltage"), text)


def _charge(recording: Recording) -> Iterator[Finding]:
    """Yield what SoC against the integral of the current implies: capacity, sign, offset."""
    if not recording.has("soc", "battery_current"):
        return
    soc, current = recording.channels["soc"], recording.channels["battery_current"]
    known = _known(soc, current)
    names = ("soc", "battery_current")
    if known.mean() < MEASURED or known.sum() < 100 or np.ptp(soc[known]) < CHARGE_LEAST:
        return
    step = float(recording.time[1])
    charge = np.cumsum(np.where(np.isfinite(current), current, 0.0)) * step
    basis = np.column_stack([np.ones(known.sum()), charge[known], recording.time[known]])
    size = np.maximum(np.abs(basis).max(axis=0), 1e-12)
    plain = np.linalg.lstsq(basis[:, :2] / size[:2], soc[known], rcond=None)[0] / size[:2]
    full = np.linalg.lstsq(basis / size, soc[known], rcond=None)[0] / size
    swing = float(soc[known].std())
    rest = _rms(soc[known] - basis[:, :2] @ plain)
    drifting = _rms(soc[known] - basis @ full)
    alike = plain[1] != 0.0 and 0.6 < full[1] / plain[1] < 1.6
    best = full if drifting < 0.5 * rest and alike else plain
    left = min(rest, drifting) if best is full else rest
    if left > 0.5 * swing or not CAPACITIES[0] < AH * abs(best[1]) < CAPACITIES[1]:
        text = (
            f"soc does not follow the integral of battery_current: {left / PERCENT:.2g} % of SoC "
            f"apart (root mean square), and soc moves by {swing / PERCENT:.2g} % (one deviation)"
        )
        yield found(recording, "disagrees", names, text)
        return
    capacity = 1.0 / abs(best[1])
    if best[1] > 0.0:
        text = "soc rises with the integral of battery_current, which so is positive where the "
        text += f"battery is charged: {_turn(recording, 'battery_current')}"
        yield found(recording, "sign", names, text)
    text = f"soc over the integral of battery_current implies a capacity of {capacity / AH:.3g} Ah"
    halves = [_capacity(basis[part], soc[known][part]) for part in _halves(known)]
    text += f" ({halves[0] / AH:.3g} and {halves[1] / AH:.3g} Ah in the halves of the drive)"
    text += f", {left / PERCENT:.2g} % of SoC apart (root mean square)"
    if best is full:
        text += (
            f", and a current that reads {full[2] / full[1]:+.3g} A too little, or is logged too "
            "seldom"
        )
    yield found(recording, "capacity", names, text)


def _halves(known: np.ndarray) -> tuple[slice, slice]:
    """Return the known samples before and behind the middle of the drive."""
    middle = int(known[: known.size // 2].sum())
    return slice(0, middle), slice(middle, None)


def _capacity(basis: np.ndarray, soc: np.ndarray) -> float:
    """Return the capacity that SoC over charge implies, A s; infinite where there is no swing."""
    if soc.size < 2 or np.ptp(basis[:, 1]) == 0.0:
        return np.inf
    slope = float(np.polyfit(basis[:, 1] - basis[0, 1], soc, 1)[0])
    return 1.0 / abs(slope) if slope else np.inf


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
    known = _known(work, heat) & (x["engine_speed"] > STANDS)
    if known.sum() < 100 or not (work[known] > 0.0).any():
        return
    loaded = known & (work > 0.35 * np.percentile(work[known], 99.0)) & (work > 0.0)
    if loaded.sum() < 50:
        return
    share = float(work[loaded].sum() / max(heat[loaded].sum(), 1e-9))
    names = ("fuel_rate", "engine_speed", "engine_torque")
    if not LEAST_EFFICIENCY < share < BEST_EFFICIENCY:
        text = (
            f"the engine turns {share:.0%} of the fuel's heat into work where it gives much power; "
            f"{LEAST_EFFICIENCY:.0%} to {BEST_EFFICIENCY:.0%} are possible, so fuel, torque or "
            f"speed is off by a factor of about {share / 0.34:.3g}{explain(share / 0.34, 0.25)}"
        )
        yield found(recording, "factor", names, text)


def _fuel_at_rest(recording: Recording) -> Iterator[Finding]:
    """Yield fuel that flows while the engine stands."""
    if not recording.has("fuel_rate", "engine_speed"):
        return
    x = recording.channels
    least = 0.01 * float(np.nanmax(x["fuel_rate"], initial=0.0))
    flows = (x["fuel_rate"] > least) & (x["engine_speed"] < STANDS)
    spans = long_stretches(recording, flows, STANDS_FOR)
    if spans and least > 0.0:
        step = recording.time[1]
        seconds = sum(b - a for a, b in spans) * step
        grams = sum(float(np.nansum(x["fuel_rate"][a:b])) for a, b in spans) * step
        text = (
            f"fuel_rate is not 0 while the engine stands: {grams:.3g} g in {seconds:.3g} s "
            f"({places(recording, spans)})"
        )
        yield found(recording, "disagrees", ("fuel_rate", "engine_speed"), text, spans)
