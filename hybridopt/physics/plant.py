"""A driveline flattened to bare arrays, for the kernels."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from xarray import DataArray

from ..inputs.driveline import Driveline, Vehicle
from ..inputs.emissions import priced_maps
from .grip import driven_load

NO_TORQUE_LIMIT = 1e9  # N m


class Plant(NamedTuple):
    """A driveline as bare contiguous float64 arrays and floats, for the kernels."""

    ratio: Any
    efficiency: Any
    gear_drag: Any
    recuperation: Any
    fuel_speed: Any
    fuel_torque: Any
    fuel: Any
    full_speed: Any
    full: Any
    lugging_speed: Any
    lugging: Any
    overrun_speed: Any
    overrun: Any
    loss_speed: Any
    loss_torque: Any
    loss: Any
    peak_speed: Any
    peak: Any
    continuous_speed: Any
    continuous: Any
    reserve_speed: Any
    reserve: Any
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
    full_pressure_speed: float
    pump_power: float
    pump_rise: float
    pump_takeover: float
    fade_low: float
    fade_high: float
    share: float
    wheel_radius: float
    driven_rest: float
    driven_shift: float
    driven_rolling: float
    tyre_grip: float
    recuperation_grip: float
    separating: float
    opens: float
    electric: float
    boost: float
    shift_load: float
    coast: float
    stop: float
    start_fuel: float
    start_duration: float
    start_span: float
    ramp_time: float
    closed_at_rest: float
    start_efficiency: float
    starter: float
    auxiliary: float
    power_min: float
    power_max: float
    battery_share: float
    throughput: float


def pack(driveline: Driveline, priced: bool = True) -> Plant:
    """Flatten a driveline for the kernels.

    Its fuel map holds emissions at their prices, unless not `priced`. Where they are dearer with
    the catalyst cold, the map for that follows in further rows.
    """
    fuel_map, fuel = _fuel(driveline, priced)
    d, engine, motor, clutches = driveline, driveline.engine, driveline.motor, driveline.clutches
    functions, pumped = driveline.functions, driveline.clutches.electric_oil_pump
    full_pressure, takeover = clutches.full_pressure_speed, clutches.pump_takeover_speed
    pump_low, pump_high = clutches.pump_powers
    reserve_speed, reserve = _reserve(driveline)
    power_min, power_max = d.battery.power_limits
    lugging_speed, lugging = _lugging_line(driveline)
    plant = Plant(
        ratio=_array(d.gearbox.ratios) * d.gearbox.final_drive,
        efficiency=_array(d.gearbox.total_efficiencies),
        gear_drag=_array(d.gearbox.drag_torques),
        recuperation=_recuperation(driveline),
        fuel_speed=_array(fuel_map["speed"]),
        fuel_torque=_array(fuel_map["torque"]),
        fuel=fuel,
        full_speed=_array(engine.full_load["speed"]),
        full=_array(engine.full_load),
        lugging_speed=lugging_speed,
        lugging=lugging,
        overrun_speed=_array(engine.overrun["speed"]),
        overrun=_array(engine.overrun),
        loss_speed=_array(motor.loss_map["speed"]),
        loss_torque=_array(motor.loss_map["torque"]),
        loss=_array(motor.loss_map),
        peak_speed=_array(motor.peak_torque["speed"]),
        peak=_array(motor.peak_torque),
        continuous_speed=_array(motor.sustained_torque["speed"]),
        continuous=_array(motor.sustained_torque),
        reserve_speed=reserve_speed,
        reserve=reserve,
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
        full_pressure_speed=clutches.pump_speed if full_pressure is None else full_pressure,
        pump_power=pump_low if pumped else 0.0,
        pump_rise=pump_high - pump_low if pumped else 0.0,
        pump_takeover=np.inf if takeover is None else takeover,
        fade_low=0.0 if pumped else clutches.fade_speed_low,
        fade_high=0.0 if pumped else clutches.fade_speed_high,
        **vehicle_numbers(d.vehicle),
        separating=float(clutches.separating_clutch),
        opens=float(clutches.opens),
        electric=float(functions.can_drive_electric),
        boost=float(functions.can_boost),
        shift_load=float(functions.can_shift_load_point),
        coast=float(functions.can_coast),
        stop=float(functions.can_stop_engine),
        start_fuel=d.start.fuel,
        start_duration=d.start.duration,
        start_span=d.start.span,
        ramp_time=d.start.ramp_time,
        closed_at_rest=float(d.start.closed_at_rest),
        start_efficiency=d.start.efficiency,
        starter=float(d.start.starter),
        auxiliary=d.auxiliary.power,
        power_min=power_min,
        power_max=power_max,
        battery_share=d.battery.continuous_share,
        throughput=d.battery.throughput_cost,
    )
    return Plant(*[x if isinstance(x, np.ndarray) else float(x) for x in plant])  # type: ignore[arg-type]


def _fuel(driveline: Driveline, priced: bool) -> tuple[DataArray, np.ndarray]:
    """Return a map with the axes of the fuel, and the rows of fuel."""
    if not priced:
        return driveline.engine.fuel_map, _array(driveline.engine.fuel_map)
    lit, cold = priced_maps(driveline.engine)
    if cold is lit or np.array_equal(cold, lit):
        return lit, _array(lit)
    return lit, np.concatenate((_array(lit), _array(cold)))


def emission_plants(plant: Plant, emissions: Mapping[str, DataArray]) -> dict[str, Plant]:
    """Return plants like one whose fuel is an emission of its engine, g/s, by its name."""
    found = dict[str, Plant]()
    for name, emission in emissions.items():
        axes = _array(emission["speed"]), _array(emission["torque"])
        found[name] = plant._replace(fuel_speed=axes[0], fuel_torque=axes[1], fuel=_array(emission))
    return found


def vehicle_numbers(vehicle: Vehicle) -> dict[str, float]:
    """Return the fields of a plant that are of the vehicle itself."""
    load, (grip, recuperation_grip) = driven_load(vehicle), _grips(vehicle)
    return {
        "share": vehicle.recuperated_share,
        "wheel_radius": vehicle.wheel_radius,
        "driven_rest": load.rest,
        "driven_shift": load.shift,
        "driven_rolling": load.rolling,
        "tyre_grip": grip,
        "recuperation_grip": recuperation_grip,
    }


def _grips(vehicle: Vehicle) -> tuple[float, float]:
    """Friction that traction and recuperation may take of the driven tyres; infinite if free."""
    if not vehicle.grip_limits:
        return np.inf, np.inf
    own = vehicle.recuperation_grip
    return vehicle.tyre_grip, vehicle.tyre_grip if own is None else own


def _recuperation(driveline: Driveline) -> np.ndarray:
    """Torque up to which the motor may brake in each gear while the wheels brake, N m."""
    gearbox = driveline.gearbox
    if not driveline.functions.can_recuperate:
        return np.zeros(gearbox.gears)
    return _array(gearbox.recuperation_torques or np.full(gearbox.gears, np.inf))


def _reserve(driveline: Driveline) -> tuple[np.ndarray, np.ndarray]:
    """Torque kept in reserve for a start over motor speed; none with a starter."""
    start = driveline.start
    if start.reserve_curve is not None and not start.starter:
        return _array(start.reserve_curve["speed"]), _array(start.reserve_curve)
    constant = 0.0 if start.starter else start.torque_reserve
    return _array([0.0, driveline.motor.max_speed]), _array([constant, constant])


def engine_limit(plant: Plant) -> tuple[np.ndarray, np.ndarray]:
    """Return speeds, rad/s, and the lower of full load and lugging line there, N m, (n,) each.

    Between neighbours the limit is linear, but for the lugging line's end.
    """
    if plant.lugging[0] == NO_TORQUE_LIMIT:
        return plant.full_speed, plant.full
    speed = np.union1d(plant.full_speed, plant.lugging_speed)
    speed = speed[(speed >= plant.full_speed[0]) & (speed <= plant.full_speed[-1])]
    over = _over(plant, speed)
    meets = np.flatnonzero(over[:-1] * over[1:] < 0.0)
    share = over[meets] / (over[meets] - over[meets + 1])
    speed = np.union1d(speed, speed[meets] + share * np.diff(speed)[meets])
    full = np.interp(speed, plant.full_speed, plant.full)
    return speed, full - np.maximum(_over(plant, speed), 0.0)


def _over(plant: Plant, speed: np.ndarray) -> np.ndarray:
    """How far full load lies above the lugging line, N m."""
    full = np.interp(speed, plant.full_speed, plant.full)
    return np.asarray(full - np.interp(speed, plant.lugging_speed, plant.lugging))


def _lugging_line(driveline: Driveline) -> tuple[np.ndarray, np.ndarray]:
    """Most engine torque over speed for comfort; without limit behind the line's last speed."""
    line = driveline.comfort.lugging_torque
    if line is None:
        return _array([0.0, driveline.engine.max_speed]), _array([NO_TORQUE_LIMIT] * 2)
    speed, torque = line["speed"].values, line.values
    return _array([*speed, speed[-1] + 1e-6]), _array([*torque, NO_TORQUE_LIMIT])


def _array(values: Any) -> np.ndarray:
    return np.array(values, dtype=np.float64, order="C")
