"""Checks of motor and battery channels against each other: powers, signs, charge."""

from collections.abc import Iterator

import numpy as np

from ..base.units import AH, KW, PERCENT
from .channel_checks import MOVING, STANDS, found
from .factors import POWERS, all_known, explain, fitted_line, rms, turned
from .recording import Finding, Recording

FACTOR_OFF = 0.15  # of 1, from which a factor between two powers is told
CORRELATED = 0.7  # least correlation of two channels that measure one thing
CHARGE_LEAST = 2.0 * PERCENT  # swing of SoC below which charge and SoC are not compared
CAPACITIES = (1e-3, 5.0)  # 1/Ah: from 1000 Ah down to 0.2 Ah
MEASURED = 0.98  # of the drive; an integral of less says nothing


def check_electric(recording: Recording) -> Iterator[Finding]:
    """Yield where channels of motor and battery contradict each other, with figures."""
    yield from _electric_power(recording)
    yield from _mechanical_power(recording)
    yield from _current_sign(recording)
    yield from _charge(recording)


def _electric_power(recording: Recording) -> Iterator[Finding]:
    """Yield how far power of the motor is from voltage times current."""
    if not recording.has("motor_power", "battery_voltage", "battery_current"):
        return
    x = recording.channels
    battery, motor = x["battery_voltage"] * x["battery_current"], x["motor_power"]
    known = all_known(battery, motor)
    slope, offset, fit = fitted_line(motor[known], battery[known])
    names = ("motor_power", "battery_voltage", "battery_current")
    if known.sum() < 100 or slope == 0.0:
        return
    if abs(fit) < CORRELATED:
        text = (
            f"motor_power and battery_voltage x battery_current go apart (correlation {fit:.2f}): "
            f"root mean square {rms(motor[known]) / KW:.3g} and {rms(battery[known]) / KW:.3g} kW"
        )
        yield found(recording, "disagrees", names, text)
        return
    if slope < 0.0:
        text = (
            f"battery_voltage x battery_current is {slope:.3f} times motor_power: signs oppose, so "
            f"{turned(recording, 'motor_power')} unless the current is the wrong one"
        )
        yield found(recording, "sign", names, text)
    if abs(abs(slope) - 1.0) > FACTOR_OFF:
        text = (
            f"battery_voltage x battery_current is {abs(slope):.4g} times motor_power"
            f"{explain(slope, among=POWERS)}, and {offset / KW:+.3g} kW"
        )
        yield found(recording, "factor", names, text)


def _mechanical_power(recording: Recording) -> Iterator[Finding]:
    """Yield torque x speed of the motor against its electric power, or against the drive."""
    if not recording.has("motor_torque", "motor_speed"):
        return
    x = recording.channels
    speed, names = x["motor_speed"], ("motor_torque", "motor_speed")
    driving = (x["speed"] > MOVING) & (np.abs(speed) > STANDS)
    if driving.any() and np.mean(speed[driving] < 0.0) > 0.5:
        text = "motor_speed is negative where the car drives forward; "
        yield found(recording, "sign", ("motor_speed",), text + turned(recording, "motor_speed"))
        speed = -speed
    power = x["motor_torque"] * speed
    against = _against_drive(recording, power)
    if against:
        text = f"motor_torque is negative where the car gains speed and positive where it {against}"
        yield found(recording, "sign", ("motor_torque",), text + turned(recording, "motor_torque"))
    if not recording.has("motor_power"):
        return
    known = all_known(power, x["motor_power"])
    slope, _, fit = fitted_line(power[known], x["motor_power"][known])
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
    x, step = recording.channels, recording.step
    gain = np.gradient(x["speed"], step)
    known = all_known(power) & (x["speed"] > MOVING)
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
    known = all_known(current, voltage)
    jump = max(int(round(1.0 / recording.step)), 1)
    rise, drop = current[jump:] - current[:-jump], voltage[jump:] - voltage[:-jump]
    both = known[jump:] & known[:-jump]
    slope, _, fit = fitted_line(rise[both], drop[both])
    if both.sum() > 100 and slope > 0.0 and fit > 0.4:
        text = (
            f"battery_voltage rises by {slope:.3g} V for each A of battery_current, so the current "
            "is positive where the battery is charged; here it is positive where it discharges: "
        )
        text += turned(recording, "battery_current")
        yield found(recording, "sign", ("battery_current", "battery_voltage"), text)


def _charge(recording: Recording) -> Iterator[Finding]:
    """Yield what SoC against the integral of the current implies: capacity, sign, offset."""
    if not recording.has("soc", "battery_current"):
        return
    soc, current = recording.channels["soc"], recording.channels["battery_current"]
    known = all_known(soc, current)
    names = ("soc", "battery_current")
    if known.mean() < MEASURED or known.sum() < 100 or np.ptp(soc[known]) < CHARGE_LEAST:
        return
    step = recording.step
    charge = np.cumsum(np.where(np.isfinite(current), current, 0.0)) * step
    basis = np.column_stack([np.ones(known.sum()), charge[known], recording.time[known]])
    size = np.maximum(np.abs(basis).max(axis=0), 1e-12)
    plain = np.linalg.lstsq(basis[:, :2] / size[:2], soc[known], rcond=None)[0] / size[:2]
    full = np.linalg.lstsq(basis / size, soc[known], rcond=None)[0] / size
    swing = float(soc[known].std())
    rest = rms(soc[known] - basis[:, :2] @ plain)
    drifting = rms(soc[known] - basis @ full)
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
        text += f"battery is charged: {turned(recording, 'battery_current')}"
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
