"""A base whose every figure is 10 to 30 % off a true car, and what is true in its terms."""

import dataclasses

import numpy as np

from hybridopt.measured_car.parameters import with_values
from hybridopt.physics.codes import RUNNING
from hybridopt.physics.rotors import rotor_inertia
from hybridopt.physics.starts import start_energies

IDLE_FUEL = 4.3  # mg per revolution of the demo engine at idle, about


class Off:
    """Draws factors of 0.7 to 0.9 or 1.1 to 1.3."""

    def __init__(self, seed):
        self.random = np.random.default_rng(seed)

    def __call__(self):
        side = self.random.choice([-1.0, 1.0])
        return 1.0 + side * self.random.uniform(0.1, 0.3)


def off_base(true, seed):
    """Return a base, every figure off by its own factor (that of all gearbox losses is one)."""
    off = Off(seed)
    v, box, engine, motor = true.vehicle, true.gearbox, true.engine, true.motor
    battery, start = true.battery, true.start
    loss = off()
    base = dataclasses.replace(
        true,
        vehicle=dataclasses.replace(
            v,
            mass=v.mass * off(),
            rolling_resistance=v.rolling_resistance * off(),
            drag_area=v.drag_area * off(),
            wheel_radius=v.wheel_radius * off(),
            wheel_inertia=v.wheel_inertia * off(),
            recuperation_share=min(1.0, v.recuperation_share * off()),
        ),
        gearbox=dataclasses.replace(
            box,
            ratios=tuple(x * off() for x in box.ratios),
            final_drive=box.final_drive * off(),
            efficiencies=tuple(1.0 - (1.0 - x) * loss for x in box.efficiencies),
            drag_torques=tuple(x * loss for x in box.drag_torques),
        ),
        clutches=dataclasses.replace(
            true.clutches, oil_pump_power=true.clutches.oil_pump_power * off()
        ),
        start=dataclasses.replace(
            start,
            fuel=start.fuel * off(),
            duration=start.duration * off(),
            efficiency=min(1.0, start.efficiency * off()),
        ),
        auxiliary=dataclasses.replace(true.auxiliary, power=true.auxiliary.power * off()),
    )
    scaled = with_values(
        base,
        {
            "engine.fuel_scale": off(),
            "engine.friction_fuel_mg_per_rev": (off() - 1.0) * IDLE_FUEL,
            "engine.overrun_scale": off(),
            "motor.loss_scale": off(),
            "battery.voltage_scale": off(),
            "battery.resistance_scale": off(),
            "battery.capacity_Ah": battery.capacity / 3600.0 * off(),
            "battery.coulombic_efficiency": 1.0 - (1.0 - battery.coulombic_efficiency) * off(),
        },
    )
    return dataclasses.replace(
        scaled,
        engine=dataclasses.replace(scaled.engine, inertia=engine.inertia * off()),
        motor=dataclasses.replace(scaled.motor, inertia=motor.inertia * off()),
    )


def true_values(true, base, fitted):
    """Return what the parameters of a fit truly are, by key, in terms of the base.

    Only the product of ratio and final drive over radius has a meaning; the efficiency of a start
    goes with the inertia and overrun torque of the fitted driveline, that of a shift with its
    inertia.
    """
    scale = true.gearbox.final_drive / true.vehicle.wheel_radius
    scale /= base.gearbox.final_drive / base.vehicle.wheel_radius
    speed = np.array([95.0])
    work = float(start_energies(fitted, speed).sum() / start_energies(true, speed).sum())
    turning = rotor_inertia(fitted)[RUNNING] / rotor_inertia(true)[RUNNING]
    values = {
        "gearbox.shift_efficiency": true.gearbox.shift_efficiency * turning,
        "vehicle.mass_kg": true.vehicle.mass,
        "vehicle.rolling_resistance": true.vehicle.rolling_resistance,
        "vehicle.drag_area_m2": true.vehicle.drag_area,
        "vehicle.recuperation_share": true.vehicle.recuperation_share,
        "engine.fuel_scale": 1.0,
        "engine.friction_fuel_mg_per_rev": 0.0,
        "engine.overrun_scale": 1.0,
        "motor.loss_scale": 1.0,
        "battery.voltage_scale": 1.0,
        "battery.resistance_scale": 1.0,
        "battery.capacity_Ah": true.battery.capacity / 3600.0,
        "battery.coulombic_efficiency": true.battery.coulombic_efficiency,
        "auxiliary.power_kW": true.auxiliary.power / 1e3,
        "clutches.oil_pump_power_W": true.clutches.oil_pump_power,
        "start.duration_s": true.start.duration,
        "start.fuel_g": true.start.fuel,
        "start.efficiency": true.start.efficiency * work,
    }
    return values | {
        f"gearbox.ratios[{gear}]": ratio * scale for gear, ratio in enumerate(true.gearbox.ratios)
    }
