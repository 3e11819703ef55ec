"""Checks that the parts of a driveline fit each other: map coverage, list lengths, windows."""

import numpy as np
from xarray import DataArray

from ..base.errors import InputError
from ..base.units import KM_PER_H, PERCENT, RPM
from .driveline import Battery, Clutches, Driveline, Engine, Gearbox, Motor, Start, Vehicle


def check_driveline(driveline: Driveline) -> None:
    """Raise InputError at the first misfit between parts; the message has no file name."""
    _check_vehicle(driveline.vehicle)
    _check_gearbox(driveline.gearbox)
    _check_engine(driveline.engine)
    _check_motor(driveline.motor)
    _check_battery(driveline.battery)
    _check_clutches(driveline.clutches, driveline.engine, driveline.motor)
    _check_start(driveline.start, driveline.motor)


def _check_vehicle(vehicle: Vehicle) -> None:
    share = vehicle.front_brake_share
    if vehicle.driven_axles in ("front", "rear") and share is None:
        raise InputError(
            "[vehicle] front_brake_share: is missing; with one driven axle give the share of the "
            "braking torque that the front axle takes, 0 to 1"
        )
    if not vehicle.driven_axles and share is not None:
        raise InputError(
            "[vehicle] driven_axles: is missing; front_brake_share says nothing without it, "
            "write 'front', 'rear' or 'all'"
        )


def _check_gearbox(gearbox: Gearbox) -> None:
    for key, values in (
        ("efficiencies", gearbox.efficiencies),
        ("drag_torques_Nm", gearbox.drag_torques),
    ):
        if len(values) != gearbox.gears:
            raise InputError(
                f"[gearbox] {key}: has {len(values)} entries but ratios has {gearbox.gears}; "
                "give one entry per gear"
            )
    if not 1 <= gearbox.gears <= 20 or np.any(np.diff(gearbox.ratios) >= 0):
        raise InputError(
            f"[gearbox] ratios: is {list(gearbox.ratios)}; "
            "list 1 to 20 ratios from first gear on, each smaller than the one before"
        )


def _check_engine(engine: Engine) -> None:
    if engine.max_speed <= engine.idle_speed:
        raise InputError("[engine] max_speed_rpm: must be above idle_speed_rpm")
    if engine.warm_temperature <= engine.cold_temperature:
        raise InputError("[engine] warm_temperature_C: must be above cold_temperature_C")
    for name in ("fuel_map", "full_load", "overrun"):
        _need_speeds(getattr(engine, name), "engine", name, engine.idle_speed, engine.max_speed)
    torque = engine.fuel_map["torque"].values
    if torque[0] != 0.0:
        raise InputError(
            f"[engine] fuel_map: begins at {torque[0]:g} Nm; begin at 0 Nm, "
            "the overrun curve covers what lies below"
        )
    _need_torques(engine.full_load, engine.fuel_map, "engine", "fuel_map")
    _need_sign(engine.fuel_map, "engine", "fuel_map", "a fuel rate is 0 or more")
    _need_sign(engine.full_load, "engine", "full_load", "a full-load torque is 0 or more")
    _need_sign(-engine.overrun, "engine", "overrun", "an overrun torque is 0 or less")


def _check_motor(motor: Motor) -> None:
    for name in ("loss_map", "peak_torque", "drag_torque"):
        _need_speeds(getattr(motor, name), "motor", name, 0.0, motor.max_speed)
        _need_sign(getattr(motor, name), "motor", name, "its values are 0 or more")
    _need_torques(motor.peak_torque, motor.loss_map, "motor", "loss_map")
    _need_torques(motor.peak_torque, -motor.loss_map["torque"], "motor", "loss_map")
    if motor.continuous_torque is not None:
        _need_speeds(motor.continuous_torque, "motor", "continuous_torque", 0.0, motor.max_speed)
        _need_sign(
            motor.continuous_torque, "motor", "continuous_torque", "its values are 0 or more"
        )


def _check_start(start: Start, motor: Motor) -> None:
    if start.reserve_curve is not None:
        _need_speeds(start.reserve_curve, "start", "torque_reserve", 0.0, motor.max_speed)
        _need_sign(start.reserve_curve, "start", "torque_reserve", "a reserve is 0 or more")


def _check_battery(battery: Battery) -> None:
    if not battery.soc_min < battery.soc_max:
        raise InputError(
            f"[battery] soc_min_percent: the SoC window {battery.soc_min / PERCENT:g} to "
            f"{battery.soc_max / PERCENT:g} % is empty; soc_max_percent must be larger"
        )
    if not battery.soc_min <= battery.soc_start <= battery.soc_max:
        raise InputError(
            f"[battery] soc_start_percent: {battery.soc_start / PERCENT:g} lies outside the window"
            f" {battery.soc_min / PERCENT:g} to {battery.soc_max / PERCENT:g} %"
        )
    soc = battery.table["soc"].values
    if soc[0] > battery.soc_min + 1e-12 or soc[-1] < battery.soc_max - 1e-12:
        raise InputError(
            f"[battery] table: covers {soc[0] / PERCENT:g} to {soc[-1] / PERCENT:g} % SoC, "
            f"not the window {battery.soc_min / PERCENT:g} to {battery.soc_max / PERCENT:g} %; "
            "extend it"
        )
    _need_sign(battery.table, "battery", "table", "its values are 0 or more")
    if (battery.table.sel(quantity="open_circuit_voltage") <= 0).any():
        raise InputError("[battery] table: an open-circuit voltage is above 0 V; mend that row")


def _check_clutches(clutches: Clutches, engine: Engine, motor: Motor) -> None:
    if clutches.launch_speed < engine.idle_speed:
        raise InputError(
            "[clutches] launch_speed_rpm: must not be below the engine's idle_speed_rpm"
        )
    if clutches.launch_speed > min(engine.max_speed, motor.max_speed):
        raise InputError(
            "[clutches] launch_speed_rpm: must not be above max_speed_rpm of engine or motor"
        )
    if not clutches.electric_oil_pump and clutches.pump_speed <= 0.0:
        raise InputError(
            "[clutches] pump_speed_rpm: is 0; without an electric oil pump give the input speed "
            "from which the engine-driven pump holds the clutches"
        )
    full = clutches.full_pressure_speed
    if full is not None and full < clutches.pump_speed:
        raise InputError(
            f"[clutches] full_pressure_speed_rpm: {full / RPM:g} is below pump_speed_rpm "
            f"{clutches.pump_speed / RPM:g}; the pump's pressure rises from there on"
        )
    if clutches.fade_speed_high < clutches.fade_speed_low:
        raise InputError(
            f"[clutches] fade_speed_high_km_per_h: {clutches.fade_speed_high / KM_PER_H:g} is "
            f"below fade_speed_low_km_per_h {clutches.fade_speed_low / KM_PER_H:g}; swap them"
        )
    if clutches.max_temperature <= clutches.oil_temperature:
        raise InputError(
            f"[clutches] max_temperature_C: {clutches.max_temperature:g} must be above "
            f"oil_temperature_C {clutches.oil_temperature:g}"
        )


def _need_speeds(data: DataArray, part: str, name: str, low: float, high: float) -> None:
    speed = data["speed"].values
    if speed[0] > low * (1 + 1e-9) + 1e-9 or speed[-1] < high * (1 - 1e-9):
        raise InputError(
            f"[{part}] {name}: covers {speed[0] / RPM:.0f} to {speed[-1] / RPM:.0f} rpm, but "
            f"{low / RPM:.0f} to {high / RPM:.0f} rpm are used; extend it or mend the speed limits"
        )


def _need_torques(limit: DataArray, data: DataArray, part: str, name: str) -> None:
    """Need the torque axis of `data` to reach the largest torque of `limit`."""
    axis = data["torque"].values if "torque" in data.coords and data.ndim == 2 else data.values
    if axis.max() < limit.max() * (1 - 1e-9):
        raise InputError(
            f"[{part}] {name}: reaches {axis.max():g} Nm but the torque limit is "
            f"{float(limit.max()):g} Nm; extend the map (both signs for a motor)"
        )


def _need_sign(data: DataArray, part: str, name: str, rule: str) -> None:
    worst = float(data.min())
    if not worst >= 0.0:
        raise InputError(f"[{part}] {name}: holds {abs(worst):g} of the wrong sign; {rule}")
