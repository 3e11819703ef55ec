"""Checks that the parts of a driveline fit each other: map coverage, list lengths, windows."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from xarray import DataArray

from ..base.faults import Faults
from ..base.units import BAR, KM_PER_H, PERCENT, RPM
from .comfort import Comfort
from .driveline import Battery, Clutches, Driveline, Engine, Gearbox, Motor, Vehicle
from .shifts import Shifts
from .start import Start

Rules = tuple[tuple[Any, ...], ...]
"""Rules that yield sentences, each with the tables whose parts it takes."""


def check_driveline(driveline: Driveline) -> None:
    """Raise InputError with all misfits between parts; the sentences have no file name."""
    faults = Faults()
    faults.add(misfits(vars(driveline)))
    faults.raise_found()


def misfits(parts: Mapping[str, Any]) -> Iterator[str]:
    """Yield the misfits between parts of a driveline, by table, in one sentence each."""
    yield from judged(parts, CHECKS)


def judged(parts: Mapping[str, Any], rules: Rules) -> Iterator[str]:
    """Yield what rules say of parts of a driveline, by table.

    What needs a part that is not there is not looked at.
    """
    for rule, *names in rules:
        if all(name in parts for name in names):
            yield from rule(*(parts[name] for name in names))


def _check_vehicle(vehicle: Vehicle) -> Iterator[str]:
    share = vehicle.front_brake_share
    if vehicle.driven_axles in ("front", "rear") and share is None:
        yield (
            "[vehicle] front_brake_share: is missing; with one driven axle give the share of the "
            "braking torque that the front axle takes, 0 to 1"
        )
    if not vehicle.driven_axles and share is not None:
        yield (
            "[vehicle] driven_axles: is missing; front_brake_share says nothing without it, "
            "write 'front', 'rear' or 'all'"
        )


def _check_gearbox(gearbox: Gearbox) -> Iterator[str]:
    for key, values, needed in (
        ("efficiencies", gearbox.efficiencies, True),
        ("drag_torques_Nm", gearbox.drag_torques, True),
        ("recuperation_torques_Nm", gearbox.recuperation_torques, False),
    ):
        if (values or needed) and len(values) != gearbox.gears:
            yield (
                f"[gearbox] {key}: has {len(values)} entries but ratios has {gearbox.gears}; "
                "give one entry per gear"
            )
    if not 1 <= gearbox.gears <= 20 or np.any(np.diff(gearbox.ratios) >= 0):
        yield (
            f"[gearbox] ratios: is {list(gearbox.ratios)}; "
            "list 1 to 20 ratios from first gear on, each smaller than the one before"
        )


def _check_engine(engine: Engine) -> Iterator[str]:
    if engine.max_speed <= engine.idle_speed:
        yield (
            f"[engine] max_speed_rpm: is {engine.max_speed / RPM:g}; it must be above "
            f"idle_speed_rpm, {engine.idle_speed / RPM:g}"
        )
    if engine.warm_temperature <= engine.cold_temperature:
        yield (
            f"[engine] warm_temperature_C: is {engine.warm_temperature:g}; it must be above "
            f"cold_temperature_C, {engine.cold_temperature:g}"
        )
    for name in ("fuel_map", "full_load", "overrun"):
        yield from _need_speeds(
            getattr(engine, name), "engine", name, engine.idle_speed, engine.max_speed
        )
    torque = engine.fuel_map["torque"].values
    if torque[0] != 0.0:
        yield (
            f"[engine] fuel_map: begins at {torque[0]:g} Nm; begin at 0 Nm, "
            "the overrun curve covers what lies below"
        )
    for name, emission in engine.emissions.items():
        yield from _need_speeds(emission, "engine", name, engine.idle_speed, engine.max_speed)
        if emission["torque"].values[0] != 0.0:
            yield (
                f"[engine] {name}: begins at {emission['torque'].values[0]:g} Nm; begin at 0 Nm, "
                "below it falls to nothing at the overrun curve"
            )
        yield from _need_torques(engine.full_load, emission, "engine", name)
    yield from _need_torques(engine.full_load, engine.fuel_map, "engine", "fuel_map")
    yield from _need_sign(engine.fuel_map, "engine", "fuel_map", "a fuel rate is 0 or more")
    yield from _need_sign(
        engine.full_load, "engine", "full_load", "a full-load torque is 0 or more"
    )
    yield from _need_sign(-engine.overrun, "engine", "overrun", "an overrun torque is 0 or less")


def _check_motor(motor: Motor) -> Iterator[str]:
    for name in ("loss_map", "peak_torque", "drag_torque"):
        yield from _need_speeds(getattr(motor, name), "motor", name, 0.0, motor.max_speed)
        yield from _need_sign(getattr(motor, name), "motor", name, "its values are 0 or more")
    yield from _need_torques(motor.peak_torque, motor.loss_map, "motor", "loss_map")
    yield from _need_torques(motor.peak_torque, -motor.loss_map["torque"], "motor", "loss_map")
    if motor.continuous_torque is not None:
        yield from _need_speeds(
            motor.continuous_torque, "motor", "continuous_torque", 0.0, motor.max_speed
        )
        yield from _need_sign(
            motor.continuous_torque, "motor", "continuous_torque", "its values are 0 or more"
        )


def _check_start(start: Start, motor: Motor, clutches: Clutches) -> Iterator[str]:
    if start.closed_at_rest and (start.starter or not clutches.separating_clutch):
        yield (
            "[start] closed_at_rest: says nothing without a separating clutch that the motor "
            "starts through; leave it out"
        )
    if start.reserve_curve is not None:
        yield from _need_speeds(
            start.reserve_curve, "start", "torque_reserve", 0.0, motor.max_speed
        )
        yield from _need_sign(
            start.reserve_curve, "start", "torque_reserve", "a reserve is 0 or more"
        )


def _check_battery(battery: Battery) -> Iterator[str]:
    if not battery.soc_min < battery.soc_max:
        yield (
            f"[battery] soc_min_percent: the SoC window {battery.soc_min / PERCENT:g} to "
            f"{battery.soc_max / PERCENT:g} % is empty; soc_max_percent must be larger"
        )
    elif not battery.soc_min <= battery.soc_start <= battery.soc_max:
        yield (
            f"[battery] soc_start_percent: {battery.soc_start / PERCENT:g} lies outside the window"
            f" {battery.soc_min / PERCENT:g} to {battery.soc_max / PERCENT:g} %"
        )
    soc = battery.table["soc"].values
    if soc[0] > battery.soc_min + 1e-12 or soc[-1] < battery.soc_max - 1e-12:
        yield (
            f"[battery] table: covers {soc[0] / PERCENT:g} to {soc[-1] / PERCENT:g} % SoC, "
            f"not the window {battery.soc_min / PERCENT:g} to {battery.soc_max / PERCENT:g} %; "
            "extend it"
        )
    yield from _need_sign(battery.table, "battery", "table", "its values are 0 or more")
    voltage = battery.columns["open_circuit_voltage"]
    if (voltage <= 0).any():
        at = soc[int(np.argmin(voltage))] / PERCENT
        yield (
            f"[battery] table: the open-circuit voltage at {at:g} % SoC is {voltage.min():g} V; "
            "an open-circuit voltage is above 0 V; mend that row"
        )


def _check_clutches(clutches: Clutches, engine: Engine, motor: Motor) -> Iterator[str]:
    if clutches.launch_speed < engine.idle_speed:
        yield (
            f"[clutches] launch_speed_rpm: is {clutches.launch_speed / RPM:g}; it must not be "
            f"below the engine's idle_speed_rpm, {engine.idle_speed / RPM:g}"
        )
    top = min(engine.max_speed, motor.max_speed)
    if clutches.launch_speed > top:
        yield (
            f"[clutches] launch_speed_rpm: is {clutches.launch_speed / RPM:g}; it must not be "
            f"above max_speed_rpm of engine or motor, {top / RPM:g}"
        )
    if not clutches.electric_oil_pump and clutches.pump_speed <= 0.0:
        yield (
            "[clutches] pump_speed_rpm: is 0; without an electric oil pump give the input speed "
            "from which the engine-driven pump holds the clutches"
        )
    full = clutches.full_pressure_speed
    if full is not None and full < clutches.pump_speed:
        yield (
            f"[clutches] full_pressure_speed_rpm: {full / RPM:g} is below pump_speed_rpm "
            f"{clutches.pump_speed / RPM:g}; the pump's pressure rises from there on"
        )
    if clutches.oil_pressure_high < clutches.oil_pressure_low:
        yield (
            f"[clutches] oil_pressure_high_bar: {clutches.oil_pressure_high / BAR:g} is below "
            f"oil_pressure_low_bar {clutches.oil_pressure_low / BAR:g}; swap them"
        )
    if clutches.fade_speed_high < clutches.fade_speed_low:
        yield (
            f"[clutches] fade_speed_high_km_per_h: {clutches.fade_speed_high / KM_PER_H:g} is "
            f"below fade_speed_low_km_per_h {clutches.fade_speed_low / KM_PER_H:g}; swap them"
        )
    if clutches.max_temperature <= clutches.oil_temperature:
        yield (
            f"[clutches] max_temperature_C: {clutches.max_temperature:g} must be above "
            f"oil_temperature_C {clutches.oil_temperature:g}"
        )


def _check_comfort(comfort: Comfort) -> Iterator[str]:
    line = comfort.lugging_torque
    if line is not None:
        yield from _need_sign(line, "comfort", "lugging_torque", "a lugging torque is 0 or more")


def _check_shifts(shifts: Shifts) -> Iterator[str]:
    longest = max(shifts.gaps[:2])
    if longest >= shifts.make_up_time:
        yield (
            f"[shifts] make_up_time_s: is {shifts.make_up_time:g}; torque is missing for up to "
            f"{longest:g} s, so give a longer time to make it up, or shorter shifts"
        )


def _need_speeds(data: DataArray, part: str, name: str, low: float, high: float) -> Iterator[str]:
    speed = data["speed"].values
    if speed[0] > low * (1 + 1e-9) + 1e-9 or speed[-1] < high * (1 - 1e-9):
        yield (
            f"[{part}] {name}: covers {speed[0] / RPM:.0f} to {speed[-1] / RPM:.0f} rpm, but "
            f"{low / RPM:.0f} to {high / RPM:.0f} rpm are used; extend it or mend the speed limits"
        )


def _need_torques(limit: DataArray, data: DataArray, part: str, name: str) -> Iterator[str]:
    """Need the torque axis of `data` to reach the largest torque of `limit`."""
    axis = data["torque"].values if "torque" in data.coords and data.ndim == 2 else data.values
    if axis.max() < limit.max() * (1 - 1e-9):
        yield (
            f"[{part}] {name}: reaches {axis.max():g} Nm but the torque limit is "
            f"{float(limit.max()):g} Nm; extend the map (both signs for a motor)"
        )


def _need_sign(data: DataArray, part: str, name: str, rule: str) -> Iterator[str]:
    worst = float(data.min())
    if not worst >= 0.0:
        yield (f"[{part}] {name}: holds {abs(worst):g} of the wrong sign; {rule}")


CHECKS: Rules = (
    (_check_vehicle, "vehicle"),
    (_check_gearbox, "gearbox"),
    (_check_engine, "engine"),
    (_check_motor, "motor"),
    (_check_battery, "battery"),
    (_check_clutches, "clutches", "engine", "motor"),
    (_check_start, "start", "motor", "clutches"),
    (_check_comfort, "comfort"),
    (_check_shifts, "shifts"),
)
