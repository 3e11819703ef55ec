"""Small drivelines, demands and schedules with round figures, for calculations by hand."""

import dataclasses

import numpy as np
from xarray import DataArray

from hybridopt.base.units import RPM
from hybridopt.inputs.driveline import (
    Auxiliary,
    Battery,
    Clutches,
    Driveline,
    Engine,
    Fuel,
    Gearbox,
    Motor,
    Start,
    Vehicle,
)
from hybridopt.inputs.maps import BATTERY_COLUMNS
from hybridopt.inputs.models import PolynomialMotor, WillansEngine, engine_maps, motor_maps
from hybridopt.physics.codes import EngineClass
from hybridopt.physics.demand import Demand
from hybridopt.physics.replay import replay_schedule
from hybridopt.physics.schedule import Schedule

OFF, RUNNING, STARTING = EngineClass
RADIUS = 0.3  # m
HEATING_VALUE = 42_000.0  # J/g
ENGINE = WillansEngine(
    marginal_efficiency=0.4,
    friction_torque=20.0,
    max_torque=200.0,
    max_power=1e6,
    idle_speed=800 * RPM,
    max_speed=6000 * RPM,
)
MOTOR = PolynomialMotor(
    loss_constant=100.0,
    loss_per_speed=1.0,
    loss_per_torque2=0.05,
    max_torque=160.0,
    max_power=1e6,
    max_speed=7000 * RPM,
    spin_drag=2.0,
)


def constant_battery(voltage=250.0, resistance=0.15, limit=1e6, **changes):
    """Return a battery whose voltage, resistance and power limits do not depend on SoC."""
    figures = np.array([voltage, resistance, resistance, limit, limit])
    soc = np.linspace(0.0, 1.0, 3)
    coords = {"quantity": list(BATTERY_COLUMNS.values()), "soc": soc}
    table = DataArray(np.repeat(figures[:, None], 3, axis=1), coords, ("quantity", "soc"))
    fields = {"capacity": 36_000.0, "soc_min": 0.2, "soc_max": 0.8, "soc_start": 0.5}
    return Battery(table=table, **(fields | changes))


def plain_driveline():
    """Return a driveline with total ratios 12, 6, 3, constant limits and round figures."""
    return Driveline(
        name="plain",
        vehicle=Vehicle(
            mass=1500.0, rolling_resistance=0.01, drag_area=0.66, wheel_radius=RADIUS, tyre_grip=2.0
        ),
        gearbox=Gearbox(
            ratios=(4.0, 2.0, 1.0),
            efficiencies=(0.95, 0.96, 0.98),
            drag_torques=(1.0, 2.0, 3.0),
            final_drive=3.0,
        ),
        engine=Engine(
            **engine_maps(ENGINE, HEATING_VALUE),
            inertia=0.15,
            idle_speed=800 * RPM,
            max_speed=6000 * RPM,
        ),
        motor=Motor(**motor_maps(MOTOR), inertia=0.05, max_speed=7000 * RPM),
        battery=constant_battery(),
        clutches=Clutches(launch_speed=1500 * RPM, launch_capacity=150.0),
        start=Start(fuel=0.2, duration=0.5, efficiency=0.8, torque_reserve=40.0),
        fuel=Fuel(heating_value=HEATING_VALUE, density=750.0, co2=2392.0),
        auxiliary=Auxiliary(power=300.0),
    )


def varied(driveline, **parts):
    """Return the driveline with fields of its parts changed: varied(d, start={"fuel": 1.0})."""
    changed = {
        name: dataclasses.replace(getattr(driveline, name), **fields)
        for name, fields in parts.items()
    }
    return dataclasses.replace(driveline, **changed)


def wanted(speed, wheel_torque, acceleration=0.0, dt=1.0):
    """Return the demand of steps with given mean speed (m/s) and wheel torque (N m)."""
    columns = np.broadcast_arrays(*np.atleast_1d(speed, wheel_torque, acceleration, dt))
    speed, wheel_torque, acceleration, dt = (np.array(c, dtype=float) for c in columns)
    zero = np.zeros(dt.size)
    return Demand(
        time=np.cumsum(dt) - dt,
        dt=dt,
        speed=speed,
        speed_start=np.maximum(speed - 0.5 * acceleration * dt, 0.0),
        acceleration=acceleration,
        wheel_speed=speed / RADIUS,
        wheel_acceleration=acceleration / RADIUS,
        wheel_torque=wheel_torque,
        rolling_power=wheel_torque * speed / RADIUS,
        drag_power=zero,
        grade_power=zero,
        inertia_power=zero,
    )


def schedule(gear, engine_class, motor_torque=None):
    """Return a schedule; no motor torque means the unpowered motor. Gears count from 1."""
    powered = motor_torque is not None
    columns = np.atleast_1d(gear, engine_class, motor_torque if powered else 0.0)
    gear, engine_class, motor_torque = np.broadcast_arrays(*columns)
    return Schedule(
        gear=gear.astype(np.int64) - 1,
        engine_class=engine_class.astype(np.int64),
        motor_torque=motor_torque.astype(np.float64),
        powered=np.full(gear.size, powered),
    )


def replayed(driveline, demand, gear, engine_class, motor_torque=None):
    """Replay a schedule from half charge."""
    plan = schedule(gear, engine_class, motor_torque)
    if plan.gear.size != demand.steps:
        repeated = {k: np.repeat(v, demand.steps) for k, v in vars(plan).items()}
        plan = Schedule(**repeated)
    return replay_schedule(driveline, demand, plan, 0.5)
