"""Auxiliary load, loss of motor and inverter, and the battery, from power, voltage, current, SoC.

    P_battery - P_motor = P_aux + P_pump [engine off, moving]
    P_motor - T w = s loss(w, T) - d dP/dt
    V = s_U U(SoC) - s_R R(SoC) I - d d(R I)/dt
    SoC = SoC_0 - C+ / Q + η C- / Q,   C+ and C- the charge that went out and in

A SoC in coarse steps is read where it changes: there it is known to a fraction of the step.
"""

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import binary_erosion

from ..base.units import AH, KW
from ..inputs.driveline import Battery, Driveline, Motor
from ..inputs.maps import map_values
from ..physics.battery import pack_battery, resistance_at, voltage_at
from .parameters import Estimate
from .rows import Rows, fit_rows
from .signals import SENSOR, Signals

IDLE_SHARE = 0.02  # of the peak power; below it an inverter may be off
EDGE = 0.4  # s left out where the inverter is switched on or off
DELAY_ROUNDS = 4
PIECE = 20.0  # s, at least, of a piece over which charge and SoC are compared
SLOW = 1.0  # s, smoothing of powers: the loss is a small difference of large ones


def battery_power(one: Signals) -> np.ndarray | None:
    """Return the power at the battery's terminals, W; None where it is not measured."""
    if one.has("battery_voltage", "battery_current"):
        return np.asarray(one["battery_voltage"] * one["battery_current"])
    return None


def motor_power(one: Signals) -> np.ndarray | None:
    """Return the electric power of the motor, W, also as battery less auxiliary power."""
    if one.has("motor_power"):
        return one["motor_power"]
    power = battery_power(one)
    if power is None or not one.has("auxiliary_power"):
        return None
    return np.asarray(power - one["auxiliary_power"])


def load_beside(one: Signals) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the electric load beside the motor, W, and where it can be read."""
    if one.has("auxiliary_power"):
        return one["auxiliary_power"], one.measured("auxiliary_power")
    power = battery_power(one)
    if power is None:
        return None
    where = one.measured("battery_voltage", "battery_current")
    where &= ~one.near(one.starts, 1.0, 1.5)
    if one.has("motor_power"):
        return power - one["motor_power"], where & one.measured("motor_power")
    if one.has("engine_speed"):
        rest = ~one.moving & (one["engine_speed"] < 1.0)
        return power, where & rest & ~one.near(np.flatnonzero(np.diff(rest)), 1.0, 1.0)
    return None


def fit_load(signals: Sequence[Signals], base: Driveline) -> tuple[Estimate, ...]:
    """Fit the auxiliary load and, with an electric oil pump, what that draws."""
    pumped = base.clutches.electric_oil_pump

    def make(one: Signals) -> Rows | None:
        if (found := load_beside(one)) is None:
            return None
        load, where = found
        columns = {"power": np.ones(load.size)}
        if pumped and one.has("engine_speed"):
            columns["pump"] = (~one.on & one.moving).astype(float)
        columns = {name: one.smooth(x, where, SLOW) for name, x in columns.items()}
        return Rows(columns, one.smooth(load, where, SLOW), where)

    found = fit_rows(signals, make, least=10.0)
    if found is None:
        return ()
    fit, seconds, estimates = *found, []
    for name, key, unit, was, factor in (
        ("power", "auxiliary.power_kW", "kW", base.auxiliary.power, KW),
        ("pump", "clutches.oil_pump_power_W", "W", base.clutches.oil_pump_power, 1.0),
    ):
        if name in fit.names:
            value, half = fit[name] / factor, fit.half_width(name) / factor
            note = "electric load beside the motor"
            low = max(value - half, 0.0)
            one = Estimate(key, unit, was / factor, value, low, value + half, seconds, note)
            estimates.append(one)
    return tuple(estimates)


def losses_at(motor: Motor, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
    """Return losses of motor and inverter, W; beyond their map those at its ends."""
    x, y = motor.loss_map["speed"].values, motor.loss_map["torque"].values
    return np.asarray(
        map_values(motor.loss_map, np.clip(speed, x[0], x[-1]), np.clip(torque, y[0], y[-1]))
    )


def fit_motor(signals: Sequence[Signals], base: Driveline) -> tuple[Estimate, ...]:
    """Fit the factor on the losses of motor and inverter."""
    motor = base.motor
    least = IDLE_SHARE * motor.peak_power

    delays = dict.fromkeys((one.number for one in signals), 0.0)

    def rows(one: Signals, chosen: bool) -> Rows | None:
        power = motor_power(one)
        if power is None or not one.has("motor_torque", "motor_speed"):
            return None
        speed, torque, time = one["motor_speed"], one["motor_torque"], one.recording.time
        power = np.interp(time + delays[one.number], time, power)
        where = one.measured("motor_torque", "motor_speed") & ~one.near(one.starts, 1.0, 1.5)
        if chosen:
            works = np.abs(one.smooth(power, np.ones(time.size, dtype=bool), 0.3)) > least
            where &= binary_erosion(works, iterations=max(round(EDGE / one.dt), 1))
        loss = losses_at(motor, speed, torque)

        def smooth(values: np.ndarray) -> np.ndarray:
            return one.smooth(values, where, SLOW)

        columns = {"loss": smooth(loss), f"delay {one.number}": -one.slope(smooth(power), SLOW)}
        return Rows(columns, smooth(power - torque * speed), where)

    for _ in range(DELAY_ROUNDS):
        found = fit_rows(signals, lambda one: rows(one, chosen=False), least=20.0)
        for number in delays:
            name = f"delay {number}"
            if found is not None and name in found.fit.names:
                delays[number] = float(np.clip(delays[number] + found.fit[name], -1.0, 1.0))
    found = fit_rows(signals, lambda one: rows(one, chosen=True), least=20.0, needed=("loss",))
    if found is None:
        return ()
    value = found.fit["loss"] * motor.loss_scale
    half = found.fit.half_width("loss") * motor.loss_scale
    note = "electric less shaft power while the inverter works"
    return (
        Estimate.around("motor.loss_scale", motor.loss_scale, value, half, found.seconds, note),
    )


def fit_battery(signals: Sequence[Signals], base: Driveline) -> tuple[Estimate, ...]:
    """Fit factors on voltage and resistance, the capacity and the coulombic efficiency."""
    return (*_fit_voltage(signals, base.battery), *_fit_charge(signals, base.battery))


def _fit_voltage(signals: Sequence[Signals], battery: Battery) -> list[Estimate]:
    cell, delays = pack_battery(battery), dict.fromkeys((one.number for one in signals), 0.0)

    def make(one: Signals) -> Rows | None:
        if not one.has("battery_voltage", "battery_current", "soc"):
            return None
        where = one.measured("battery_voltage", "battery_current", "soc")
        time, soc = one.recording.time, one["soc"]
        current = np.interp(time - delays[one.number], time, one["battery_current"])
        drop = resistance_at(cell, soc, current) * current
        columns = {
            "voltage": one.smooth(voltage_at(cell, soc), where),
            "resistance": -one.smooth(drop, where),
            f"delay {one.number}": one.slope(one.smooth(drop, where)),
        }
        return Rows(columns, one.smooth(one["battery_voltage"], where), where)

    found = None
    for _ in range(DELAY_ROUNDS):
        found = fit_rows(signals, make, least=20.0, needed=("voltage", "resistance"))
        if found is None:
            return []
        for number in delays:
            name = f"delay {number}"
            late = found.fit[name] / found.fit["resistance"] if name in found.fit.names else 0.0
            delays[number] = float(np.clip(delays[number] + late, -1.0, 1.0))
    estimates: list[Estimate] = []
    if found is None:
        return estimates
    for name in ("voltage", "resistance"):
        key, was = f"battery.{name}_scale", getattr(battery, f"{name}_scale")
        value, half = found.fit[name] * was, found.fit.half_width(name) * was
        half = float(np.hypot(half, SENSOR * value))
        note = "terminal voltage over current and SoC"
        estimates.append(Estimate.around(key, was, value, half, found.seconds, note))
    return estimates


def _fit_charge(signals: Sequence[Signals], battery: Battery) -> list[Estimate]:
    found = fit_rows(signals, _charge_rows, least=0.0, needed=("out",))
    if found is None:
        return []
    fit = found.fit
    slope, half = fit["out"], fit.half_width("out")
    if slope <= 3.0 * half:
        return []
    seconds = sum(one.dt * one.recording.time.size for one in signals if one.has("soc"))
    value = 1.0 / slope / AH
    spread = float(np.hypot(half / slope**2 / AH, SENSOR * value))
    note = f"SoC over charge, {fit.rows} pieces of {PIECE:g} s"
    was = battery.capacity / AH
    estimates = [Estimate.around("battery.capacity_Ah", was, value, spread, seconds, note)]
    share, wide = fit.ratio("into", "out")
    if wide < 0.05:
        key = "battery.coulombic_efficiency"
        was, top = battery.coulombic_efficiency, min(share, 1.0)
        low, high = share - wide, max(share + wide, top)
        estimates.append(Estimate(key, "1", was, top, min(low, top), high, seconds, note))
    return estimates


def _charge_rows(one: Signals) -> Rows | None:
    """Return rows from one change of SoC to another: noise of the current adds up over time."""
    if not one.has("battery_current", "soc"):
        return None
    level, told = changes(one["soc"])
    told &= one.measured("battery_current", "soc")
    places: list[int] = []
    last = -np.inf
    for at in np.flatnonzero(told).tolist():
        if at - last >= PIECE / one.dt:
            places.append(at)
            last = at
    ends = np.array(places[1:], dtype=int)
    current = one["battery_current"]
    out = np.cumsum(np.maximum(current, 0.0)) * one.dt
    into = np.cumsum(np.maximum(-current, 0.0)) * one.dt
    where = np.zeros(level.size, dtype=bool)
    where[ends] = True
    offset = one.recording.time.copy()  # what a current that reads too much or too little adds
    columns = {"out": -out, "into": into, f"offset {one.number}": offset}
    wanted = level.copy()
    for values in (*columns.values(), wanted):
        values[ends] = np.diff(values[places]) if ends.size else 0.0
    return Rows(columns, wanted, where)


def changes(soc: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the level that a SoC in steps passes where it changes, and where that is.

    Between two samples that differ by one step the SoC is halfway. A fine SoC is taken as it is.
    """
    moving = np.concatenate(([False], np.diff(soc) != 0.0, [False]))
    if moving.sum() > 0.5 * soc.size or not moving.any():
        return soc, np.ones(soc.size, dtype=bool)
    first = np.flatnonzero(~moving[:-1] & moving[1:])  # a change may be spread over samples
    last = np.flatnonzero(moving[:-1] & ~moving[1:])
    height = np.abs(soc[last] - soc[first])
    single = np.abs(height - np.median(height)) < 0.1 * np.median(height)
    single &= last - first <= 3
    level, where = soc.copy(), np.zeros(soc.size, dtype=bool)
    level[last[single]] = 0.5 * (soc[first[single]] + soc[last[single]])
    where[last[single]] = True
    return level, where
