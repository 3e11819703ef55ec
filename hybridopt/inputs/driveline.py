"""The driveline as frozen dataclasses, one per component, in SI units.

Chain of components: engine, separating clutch, motor on the gearbox input shaft, launch
clutch, stepped gearbox with final drive, wheels. Micro, mild and full hybrids are the same
classes with other data; `dataclasses.replace` makes variants.

Signs: torque and power are positive when they propel, battery power when it discharges.
"""

from dataclasses import dataclass, field

import numpy as np
from xarray import DataArray

from ..units import AH, G_PER_L, KM_PER_H, KW, MJ_PER_KG, PERCENT, RPM
from .fields import quantity, switch


@dataclass(frozen=True, eq=False, kw_only=True)
class Vehicle:
    """Body and wheels: mass, road load, and what the axles may recuperate."""

    mass: float = quantity("mass_kg", low=50, high=100_000)
    rolling_resistance: float = quantity("rolling_resistance", low=0, high=0.1)
    drag_area: float = quantity("drag_area_m2", low=0, high=20)
    wheel_radius: float = quantity("wheel_radius_m", low=0.1, high=1.0)
    wheel_inertia: float = quantity("wheel_inertia_kg_m2", low=0, high=500, default=0.0)
    air_density: float = quantity("air_density_kg_per_m3", low=0, high=2, default=1.2)
    recuperation_share: float = quantity("recuperation_share", low=0, high=1, default=1.0)
    headwind: float = quantity("headwind_m_per_s", low=-30, high=30, default=0.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Gearbox:
    """Stepped gearbox with final drive; the lists have one entry per gear, first gear first.

    `shift_efficiency` is the fuel efficiency at which the energy that speeds the input shaft up
    at a shift is paid.
    """

    ratios: tuple[float, ...] = quantity("ratios", low=0.05, high=100)
    efficiencies: tuple[float, ...] = quantity("efficiencies", low=0.5, high=1)
    drag_torques: tuple[float, ...] = quantity("drag_torques_Nm", low=0, high=1000)
    final_drive: float = quantity("final_drive", low=0.1, high=50)
    shift_efficiency: float = quantity("shift_efficiency", low=0.05, high=1, default=0.35)

    @property
    def gears(self) -> int:
        """Number of gears."""
        return len(self.ratios)


@dataclass(frozen=True, eq=False, kw_only=True)
class Engine:
    """Combustion engine.

    `fuel_map` has dims (speed, torque), rad/s and N m from 0 N m, in g/s. `full_load` and
    `overrun` have dim speed, in N m; at the overrun torque (negative) the fuel is cut, and
    between it and the map's first torque the fuel rate is linear.
    """

    fuel_map: DataArray
    full_load: DataArray
    overrun: DataArray
    inertia: float = quantity("inertia_kg_m2", low=0, high=50)
    idle_speed: float = quantity("idle_speed_rpm", RPM, low=100, high=3000)
    max_speed: float = quantity("max_speed_rpm", RPM, low=500, high=20_000)


@dataclass(frozen=True, eq=False, kw_only=True)
class Motor:
    """Electric motor with inverter.

    `loss_map` has dims (speed, torque) in W and covers both signs of torque; `peak_torque` has
    dim speed in N m and limits driving and braking alike; `drag_torque` has dim speed in N m
    (positive) and acts while the motor is unpowered.
    """

    loss_map: DataArray
    peak_torque: DataArray
    drag_torque: DataArray
    inertia: float = quantity("inertia_kg_m2", low=0, high=50)
    max_speed: float = quantity("max_speed_rpm", RPM, low=500, high=30_000)


@dataclass(frozen=True, eq=False, kw_only=True)
class Battery:
    """Battery as an open-circuit voltage behind a resistance, both over state of charge.

    `table` has dim soc (increasing, 0 to 1) and variables by their name on dim `quantity`:
    open_circuit_voltage (V), resistance_discharge and resistance_charge (ohm),
    power_discharge_max and power_charge_max (W, both positive).
    """

    table: DataArray
    capacity: float = quantity("capacity_Ah", AH, low=0.01, high=10_000)
    coulombic_efficiency: float = quantity("coulombic_efficiency", low=0.5, high=1, default=1.0)
    soc_min: float = quantity("soc_min_percent", PERCENT, low=0, high=100)
    soc_max: float = quantity("soc_max_percent", PERCENT, low=0, high=100)
    soc_start: float = quantity("soc_start_percent", PERCENT, low=0, high=100)

    def voltage(self, soc: np.ndarray | float) -> np.ndarray:
        """Open-circuit voltage, V, at the given states of charge."""
        values = self.table.sel(quantity="open_circuit_voltage").values
        voltage: np.ndarray = np.interp(soc, self.table["soc"].values, values)
        return voltage

    @property
    def energy(self) -> float:
        """Stored energy of the whole capacity, J, at the mean voltage of the usable window."""
        window = np.linspace(self.soc_min, self.soc_max, 101)
        return float(self.capacity * np.mean(self.voltage(window)))


@dataclass(frozen=True, eq=False, kw_only=True)
class Clutches:
    """Separating clutch, launch clutch and what low speed allows them.

    Without `electric_oil_pump` the clutches cannot be held closed with the engine off below
    `pump_speed` (rad/s at the gearbox input), and recuperation fades out between
    `fade_speed_low` and `fade_speed_high` (vehicle speed, m/s).
    """

    launch_speed: float = quantity("launch_speed_rpm", RPM, low=100, high=4000)
    launch_capacity: float = quantity("launch_capacity_Nm", low=1, high=20_000)
    pump_speed: float = quantity("pump_speed_rpm", RPM, low=0, high=4000, default=0.0)
    fade_speed_low: float = quantity(
        "fade_speed_low_km_per_h", KM_PER_H, low=0, high=60, default=0.0
    )
    fade_speed_high: float = quantity(
        "fade_speed_high_km_per_h", KM_PER_H, low=0, high=60, default=0.0
    )
    launch_gears: float = quantity("launch_gears", low=1, high=20, default=1.0)
    separating_clutch: bool = switch("separating_clutch", True)
    electric_oil_pump: bool = switch("electric_oil_pump", True)
    can_drive_electric: bool = switch("can_drive_electric", True)


@dataclass(frozen=True, eq=False, kw_only=True)
class Start:
    """Engine-pull start: the motor spins the engine up through the closing separating clutch."""

    fuel: float = quantity("fuel_g", low=0, high=20)
    duration: float = quantity("duration_s", low=0.01, high=5)
    efficiency: float = quantity("efficiency", low=0.1, high=1)
    torque_reserve: float = quantity("torque_reserve_Nm", low=0, high=2000)


@dataclass(frozen=True, eq=False, kw_only=True)
class Fuel:
    """Fuel properties: lower heating value in J/g, density in g/l, and g CO2 per litre."""

    heating_value: float = quantity("heating_value_MJ_per_kg", MJ_PER_KG, low=5, high=150)
    density: float = quantity("density_g_per_l", G_PER_L, low=1, high=1500)
    co2: float = quantity("co2_g_per_l", low=0, high=5000)


@dataclass(frozen=True, eq=False, kw_only=True)
class Auxiliary:
    """Constant electric load on the DC side."""

    power: float = quantity("power_kW", KW, low=0, high=100)


@dataclass(frozen=True, eq=False, kw_only=True)
class Driveline:
    """A complete vehicle: all components, a name and the hash of its files."""

    name: str
    vehicle: Vehicle
    gearbox: Gearbox
    engine: Engine
    motor: Motor
    battery: Battery
    clutches: Clutches
    start: Start
    fuel: Fuel
    auxiliary: Auxiliary
    title: str = ""
    sha256: str = field(default="", compare=False)
