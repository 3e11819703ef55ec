"""A driveline flattened to bare arrays, for the kernels."""

from typing import Any, NamedTuple

import numpy as np

from .inputs.driveline import Driveline


class Plant(NamedTuple):
    """A driveline as bare contiguous float64 arrays and floats, for the kernels."""

    ratio: Any
    efficiency: Any
    gear_drag: Any
    fuel_speed: Any
    fuel_torque: Any
    fuel: Any
    full_speed: Any
    full: Any
    overrun_speed: Any
    overrun: Any
    loss_speed: Any
    loss_torque: Any
    loss: Any
    peak_speed: Any
    peak: Any
    drag_speed: Any
    drag: Any
    engine_inertia: float
    motor_inertia: float
    idle_speed: float
    engine_max_speed: float
    motor_max_speed: float
    launch_speed: float
    launch_capacity: float
    launch_gears: float
    pump_speed: float
    fade_low: float
    fade_high: float
    share: float
    separating: float
    electric: float
    start_fuel: float
    start_duration: float
    start_efficiency: float
    reserve: float
    auxiliary: float


def pack(driveline: Driveline) -> Plant:
    """Flatten a driveline for the kernels."""
    d, engine, motor, clutches = driveline, driveline.engine, driveline.motor, driveline.clutches
    pumped = clutches.electric_oil_pump
    plant = Plant(
        ratio=_array(d.gearbox.ratios) * d.gearbox.final_drive,
        efficiency=_array(d.gearbox.efficiencies),
        gear_drag=_array(d.gearbox.drag_torques),
        fuel_speed=_array(engine.fuel_map["speed"]),
        fuel_torque=_array(engine.fuel_map["torque"]),
        fuel=_array(engine.fuel_map),
        full_speed=_array(engine.full_load["speed"]),
        full=_array(engine.full_load),
        overrun_speed=_array(engine.overrun["speed"]),
        overrun=_array(engine.overrun),
        loss_speed=_array(motor.loss_map["speed"]),
        loss_torque=_array(motor.loss_map["torque"]),
        loss=_array(motor.loss_map),
        peak_speed=_array(motor.peak_torque["speed"]),
        peak=_array(motor.peak_torque),
        drag_speed=_array(motor.drag_torque["speed"]),
        drag=_array(motor.drag_torque),
        engine_inertia=engine.inertia,
        motor_inertia=motor.inertia,
        idle_speed=engine.idle_speed,
        engine_max_speed=engine.max_speed,
        motor_max_speed=motor.max_speed,
        launch_speed=clutches.launch_speed,
        launch_capacity=clutches.launch_capacity,
        launch_gears=clutches.launch_gears,
        pump_speed=0.0 if pumped else clutches.pump_speed,
        fade_low=0.0 if pumped else clutches.fade_speed_low,
        fade_high=0.0 if pumped else clutches.fade_speed_high,
        share=d.vehicle.recuperation_share,
        separating=float(clutches.separating_clutch),
        electric=float(clutches.can_drive_electric),
        start_fuel=d.start.fuel,
        start_duration=d.start.duration,
        start_efficiency=d.start.efficiency,
        reserve=d.start.torque_reserve,
        auxiliary=d.auxiliary.power,
    )
    return Plant(*[x if isinstance(x, np.ndarray) else float(x) for x in plant])  # type: ignore[arg-type]


def _array(values: Any) -> np.ndarray:
    return np.array(values, dtype=np.float64, order="C")
