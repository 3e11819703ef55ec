"""The driveline as frozen dataclasses, one per component, in SI units.

Chain of components: engine, separating clutch, motor on the gearbox input shaft, launch
clutch, stepped gearbox with final drive, wheels. Micro, mild and full hybrids are the same
classes with other data; `dataclasses.replace` makes variants.

Signs: torque and power are positive when they propel, battery power when it discharges.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from xarray import DataArray

from ..base.units import AH, BAR, G_PER_KWH, G_PER_L, KM_PER_H, L_PER_MIN, MJ_PER_KG, PERCENT, RPM
from .auxiliary import Auxiliary
from .catalyst import Catalyst, EmissionPrice
from .comfort import Comfort
from .fields import choice, quantity, switch
from .shifts import Shifts
from .start import Start
from .warm_up import WarmUp


@dataclass(frozen=True, eq=False, kw_only=True)
class Vehicle:
    """Body and wheels: mass, road load, a trailer, and what the axles may recuperate.

    Recuperation may take the share `recuperation_share` of the braking torque; where
    `driven_axles` is given, that share of what the driven axles brake. The front axle brakes
    `front_brake_share` of the whole. The trailer has no brakes of its own.

    Tyres hold `tyre_grip` times the load of the driven axles. At rest on the level the front axle
    carries `front_load_share` of the weight; the centre of gravity lies `centre_height` (m) above
    the road. The default of the grip is that of dry asphalt (Wong, from memory), the others are
    common practice, no source. With `grip_limits` cycles are held to it too, and recuperation takes
    no more friction of the driven tyres than `recuperation_grip`, `tyre_grip` unless given.
    """

    mass: float = quantity("mass_kg", low=50, high=100_000)
    rolling_resistance: float = quantity("rolling_resistance", low=0, high=0.1)
    drag_area: float = quantity("drag_area_m2", low=0, high=20)
    wheel_radius: float = quantity("wheel_radius_m", low=0.1, high=1.0)
    wheel_inertia: float = quantity("wheel_inertia_kg_m2", low=0, high=500, default=0.0)
    air_density: float = quantity("air_density_kg_per_m3", low=0, high=2, default=1.2)
    recuperation_share: float = quantity("recuperation_share", low=0, high=1, default=1.0)
    headwind: float = quantity("headwind_m_per_s", low=-30, high=30, default=0.0)
    driven_axles: str = choice("driven_axles", ("front", "rear", "all"), "")
    front_brake_share: float | None = quantity("front_brake_share", low=0, high=1, default=None)
    tyre_grip: float = quantity("tyre_grip", low=0.05, high=2, default=0.9)
    front_load_share: float = quantity("front_load_share", low=0, high=1, default=0.55)
    wheelbase: float = quantity("wheelbase_m", low=0.5, high=20, default=2.7)
    centre_height: float = quantity("centre_height_m", low=0, high=5, default=0.55)
    recuperation_grip: float | None = quantity("recuperation_grip", low=0, high=2, default=None)
    grip_limits: bool = switch("grip_limits", False)
    trailer_mass: float = quantity("trailer_mass_kg", low=0, high=100_000, default=0.0)
    trailer_rolling_resistance: float = quantity(
        "trailer_rolling_resistance", low=0, high=0.1, default=0.0
    )
    trailer_drag_area: float = quantity("trailer_drag_area_m2", low=0, high=20, default=0.0)

    @property
    def total_mass(self) -> float:
        """Mass with the trailer's, kg."""
        return self.mass + self.trailer_mass

    @property
    def driven_wheels(self) -> str:
        """The driven wheels in words; all of them where the axles are not given."""
        words = {"front": "the front wheels", "rear": "the rear wheels", "all": "all wheels"}
        return words.get(self.driven_axles, "all wheels (driven_axles is not given)")

    @property
    def recuperated_share(self) -> float:
        """Share of the whole braking torque that recuperation may take."""
        front = 1.0 if self.front_brake_share is None else self.front_brake_share
        driven = {"front": front, "rear": 1.0 - front}.get(self.driven_axles, 1.0)
        return self.recuperation_share * driven


@dataclass(frozen=True, eq=False, kw_only=True)
class Gearbox:
    """Stepped gearbox with final drive; the lists have one entry per gear, first gear first.

    `shift_efficiency` is the fuel efficiency at which the energy that speeds the input shaft up
    at a shift, and what :class:`.Shifts` lose, is paid. `recuperation_torques` (N m at the gearbox
    input) limit what the motor brakes in each gear while the wheels brake; empty, nothing but the
    motor does. `transfer_efficiency` is that of the transfer case of an all-wheel drive;
    it multiplies the efficiency of every gear.
    """

    ratios: tuple[float, ...] = quantity("ratios", low=0.05, high=100)
    efficiencies: tuple[float, ...] = quantity("efficiencies", low=0.5, high=1)
    drag_torques: tuple[float, ...] = quantity("drag_torques_Nm", low=0, high=1000)
    final_drive: float = quantity("final_drive", low=0.1, high=50)
    shift_efficiency: float = quantity("shift_efficiency", low=0.05, high=1, default=0.35)
    transfer_efficiency: float = quantity("transfer_efficiency", low=0.5, high=1, default=1.0)
    recuperation_torques: tuple[float, ...] = quantity(
        "recuperation_torques_Nm", low=0, high=10_000, default=()
    )

    @property
    def total_efficiencies(self) -> tuple[float, ...]:
        """Efficiency of each gear down to the wheels, transfer case included."""
        return tuple(self.transfer_efficiency * efficiency for efficiency in self.efficiencies)

    @property
    def gears(self) -> int:
        """Number of gears."""
        return len(self.ratios)


@dataclass(frozen=True, eq=False, kw_only=True)
class Engine:
    """Combustion engine.

    `fuel_map` has dims (speed, torque), rad/s and N m from 0 N m, in g/s. `full_load` and
    `overrun` have dim speed, in N m; at the overrun torque (negative) the fuel is cut, and
    between it and the map's first torque the fuel rate is linear. A cold engine takes
    `cold_fuel_factor` times the map's fuel at `cold_temperature` (degC, of its oil) and below,
    falling to 1 at `warm_temperature`.

    `emissions` are such maps of what it emits, by name, in g/s; a cold engine emits by the same
    factor more. For `emission_prices` see :mod:`.emissions`.

    `fuel_map` and `overrun` hold their factors already: the map of the file times `fuel_scale`
    with `friction_fuel` (g per revolution, at any torque) added, the curve times `overrun_scale`.
    """

    fuel_map: DataArray
    full_load: DataArray
    overrun: DataArray
    inertia: float = quantity("inertia_kg_m2", low=0, high=50)
    idle_speed: float = quantity("idle_speed_rpm", RPM, low=100, high=3000)
    max_speed: float = quantity("max_speed_rpm", RPM, low=500, high=20_000)
    cold_fuel_factor: float = quantity("cold_fuel_factor", low=1, high=3, default=1.0)
    cold_temperature: float = quantity("cold_temperature_C", low=-60, high=100, default=20.0)
    warm_temperature: float = quantity("warm_temperature_C", low=0, high=150, default=80.0)
    fuel_scale: float = quantity("fuel_scale", low=0.2, high=5, default=1.0)
    friction_fuel: float = quantity(
        "friction_fuel_mg_per_rev", 1e-3, low=-1000, high=1000, default=0.0
    )
    overrun_scale: float = quantity("overrun_scale", low=0.1, high=10, default=1.0)
    emissions: Mapping[str, DataArray] = field(default_factory=dict)
    emission_prices: Mapping[str, EmissionPrice] = field(default_factory=dict)

    def fuel_factor(self, oil_temperature: np.ndarray) -> np.ndarray:
        """Factor on the fuel rate at oil temperatures, degC; 1 where it is not known (NaN)."""
        span = [self.cold_temperature, self.warm_temperature]
        factor = np.interp(oil_temperature, span, [self.cold_fuel_factor, 1.0])
        return np.where(np.isnan(oil_temperature), 1.0, factor)


@dataclass(frozen=True, eq=False, kw_only=True)
class Motor:
    """Electric motor with inverter.

    `loss_map` has dims (speed, torque) in W and covers both signs of torque; `peak_torque` has
    dim speed in N m and limits driving and braking alike; `drag_torque` has dim speed in N m
    (positive) and acts while the motor is unpowered. `continuous_torque` (dim speed) and
    `continuous_limit` (N m at any speed) are what the motor can give continuously; see
    :attr:`sustained_torque`.
    `thermal_time` (s) is the time constant of its overload budget; the default is invented.
    `loss_map` holds `loss_scale` already.
    """

    loss_map: DataArray
    peak_torque: DataArray
    drag_torque: DataArray
    continuous_torque: DataArray | None = None
    inertia: float = quantity("inertia_kg_m2", low=0, high=50)
    max_speed: float = quantity("max_speed_rpm", RPM, low=500, high=30_000)
    continuous_limit: float | None = quantity(
        "continuous_torque_Nm", low=0, high=10_000, default=None
    )
    thermal_time: float = quantity("thermal_time_s", low=1, high=100_000, default=60.0)
    loss_scale: float = quantity("loss_scale", low=0.05, high=20, default=1.0)

    @property
    def peak_power(self) -> float:
        """Highest mechanical power, W."""
        return float((self.peak_torque * self.peak_torque["speed"]).max())

    @property
    def has_continuous_torque(self) -> bool:
        """Whether the continuous torque of the motor is known."""
        return self.continuous_torque is not None or self.continuous_limit is not None

    @property
    def sustained_torque(self) -> DataArray:
        """Continuous torque of the motor, N m over speed; the peak torque where none is given.

        Kernels take no more of it than the peak torque at the same speed.
        """
        if self.continuous_torque is not None:
            return self.continuous_torque
        if self.continuous_limit is not None:
            speed = np.array([0.0, self.max_speed])
            return DataArray(np.full(2, self.continuous_limit), {"speed": speed}, ("speed",))
        return self.peak_torque


@dataclass(frozen=True, eq=False, kw_only=True)
class Battery:
    """Battery as an open-circuit voltage behind a resistance, both over state of charge.

    `table` has dim soc (increasing, 0 to 1) and variables by their name on dim `quantity`:
    open_circuit_voltage (V), resistance_discharge and resistance_charge (ohm),
    power_discharge_max and power_charge_max (W, both positive). `derating` is a factor on both
    limits, for a hot or cold battery; `continuous_share` is continuous power over that of a moment.
    `current_time` (s) is the time constant of the overload budget; the default is invented.
    `throughput_cost` (g/J) is charged for the energy that goes in or out at the terminals, as a
    price of wear; it counts in the cost that is minimised, not in the fuel. The voltages of the
    table hold `voltage_scale` already, its resistances `resistance_scale`.
    """

    table: DataArray
    capacity: float = quantity("capacity_Ah", AH, low=0.01, high=10_000)
    coulombic_efficiency: float = quantity("coulombic_efficiency", low=0.5, high=1, default=1.0)
    soc_min: float = quantity("soc_min_percent", PERCENT, low=0, high=100)
    soc_max: float = quantity("soc_max_percent", PERCENT, low=0, high=100)
    soc_start: float = quantity("soc_start_percent", PERCENT, low=0, high=100)
    derating: float = quantity("derating", low=0, high=1, default=1.0)
    continuous_share: float = quantity("continuous_share", low=0, high=1, default=1.0)
    current_time: float = quantity("current_time_s", low=1, high=100_000, default=30.0)
    throughput_cost: float = quantity(
        "throughput_cost_g_per_kWh", G_PER_KWH, low=0, high=10_000, default=0.0
    )
    voltage_scale: float = quantity("voltage_scale", low=0.1, high=10, default=1.0)
    resistance_scale: float = quantity("resistance_scale", low=0.05, high=20, default=1.0)

    @property
    def columns(self) -> dict[str, np.ndarray]:
        """Values of the table over its SoC, by their name."""
        rows = self.table.transpose("quantity", "soc").values
        return dict(zip(self.table["quantity"].values.tolist(), rows, strict=True))

    def voltage(self, soc: np.ndarray | float) -> np.ndarray:
        """Open-circuit voltage, V, at the given states of charge."""
        table = self.table["soc"].values, self.columns["open_circuit_voltage"]
        return np.asarray(np.interp(soc, *table))

    @property
    def energy(self) -> float:
        """Stored energy of the whole capacity, J, at the mean voltage of the usable window."""
        window = np.linspace(self.soc_min, self.soc_max, 101)
        return float(self.capacity * np.mean(self.voltage(window)))

    @property
    def power_limits(self) -> tuple[float, float]:
        """Widest charge (negative) and discharge power of the table, derated, W."""
        charge = self.columns["power_charge_max"]
        discharge = self.columns["power_discharge_max"]
        return -self.derating * float(charge.max()), self.derating * float(discharge.max())


@dataclass(frozen=True, eq=False, kw_only=True)
class Clutches:
    """Separating clutch, launch clutch and what low speed allows them.

    Without `electric_oil_pump` the clutches cannot be held closed with the engine off below
    `pump_speed` (rad/s at the gearbox input), and recuperation fades out between
    `fade_speed_low` and `fade_speed_high` (vehicle speed, m/s). From `pump_speed` to
    `full_pressure_speed` the torque that the launch clutch holds then rises linearly from 0 to
    `launch_capacity`; without the latter speed it does so in a step. The electric pump draws
    `oil_pump_power` (W, DC side) while the engine is off and the vehicle moves; with `oil_flow`
    (m3/s), by pressure and flow instead, see :attr:`pump_powers`. A mechanical pump at the gearbox
    input gives a share of that flow in proportion to speed, all of it from `pump_takeover_speed` on
    (rad/s), without which there is none.

    With `opens_when_coasting` the launch clutch opens where the engine is off, the motor
    unpowered and the wheels need no drive, so that nothing is dragged along; if not said, it
    does so in drivelines without a separating clutch.

    The launch clutch is a lumped heat capacity (J/K) in a flow of oil (W/K); temperatures are in
    deg C. Without `heat_capacity` its temperature is not looked at; the defaults of the others
    are invented.
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
    full_pressure_speed: float | None = quantity(
        "full_pressure_speed_rpm", RPM, low=0, high=6000, default=None
    )
    oil_pump_power: float = quantity("oil_pump_power_W", low=0, high=2000, default=0.0)
    pump_takeover_speed: float | None = quantity(
        "pump_takeover_speed_rpm", RPM, low=100, high=6000, default=None
    )
    oil_flow: float | None = quantity(
        "oil_flow_l_per_min", L_PER_MIN, low=0, high=200, default=None
    )
    oil_pressure_low: float = quantity(
        "oil_pressure_low_bar", BAR, low=0, high=100, default=3 * BAR
    )
    oil_pressure_high: float = quantity(
        "oil_pressure_high_bar", BAR, low=0, high=100, default=15 * BAR
    )
    oil_pump_efficiency: float = quantity("oil_pump_efficiency", low=0.05, high=1, default=0.5)
    heat_capacity: float | None = quantity(
        "heat_capacity_kJ_per_K", 1e3, low=0.01, high=1000, default=None
    )
    oil_cooling: float = quantity("oil_cooling_W_per_K", low=0, high=100_000, default=40.0)
    oil_temperature: float = quantity("oil_temperature_C", low=-50, high=200, default=90.0)
    max_temperature: float = quantity("max_temperature_C", low=0, high=1500, default=200.0)
    separating_clutch: bool = switch("separating_clutch", True)
    electric_oil_pump: bool = switch("electric_oil_pump", True)
    opens_when_coasting: bool | None = switch("opens_when_coasting", None)

    @property
    def pump_powers(self) -> tuple[float, float]:
        """Power of the electric pump alone, W, at no torque and at the launch clutch's capacity.

        Pressure times flow over the pump's efficiency; the pressure rises with the torque held,
        from low to high. The defaults are common practice, no source.
        """
        if self.oil_flow is None:
            return self.oil_pump_power, self.oil_pump_power
        per_pressure = self.oil_flow / self.oil_pump_efficiency
        return self.oil_pressure_low * per_pressure, self.oil_pressure_high * per_pressure

    @property
    def opens(self) -> bool:
        """Whether the launch clutch opens when coasting with the engine off."""
        if self.opens_when_coasting is None:
            return not self.separating_clutch
        return self.opens_when_coasting


@dataclass(frozen=True, eq=False, kw_only=True)
class Functions:
    """What the driveline may do; switching one off only takes choices away.

    Attributes
    ----------
    can_drive_electric : motor torque above 0 with the engine off
    can_boost : motor torque above 0 with the engine running
    can_shift_load_point : motor torque below 0 while the engine drives and the wheels do not brake
    can_recuperate : motor torque below 0 while the wheels brake
    can_coast : engine off in motion with the motor neither driving nor recuperating
    can_stop_engine : engine off at all
    """

    can_drive_electric: bool = switch("can_drive_electric", True)
    can_boost: bool = switch("can_boost", True)
    can_shift_load_point: bool = switch("can_shift_load_point", True)
    can_recuperate: bool = switch("can_recuperate", True)
    can_coast: bool = switch("can_coast", True)
    can_stop_engine: bool = switch("can_stop_engine", True)


@dataclass(frozen=True, eq=False, kw_only=True)
class Fuel:
    """Fuel properties: lower heating value in J/g, density in g/l, and g CO2 per litre."""

    heating_value: float = quantity("heating_value_MJ_per_kg", MJ_PER_KG, low=5, high=150)
    density: float = quantity("density_g_per_l", G_PER_L, low=1, high=1500)
    co2: float = quantity("co2_g_per_l", low=0, high=5000)


@dataclass(frozen=True, eq=False, kw_only=True)
class Driveline:
    """A complete vehicle, as :func:`hybridopt.read_driveline` reads it.

    Attributes
    ----------
    name, title : of the file, and for people
    vehicle, gearbox, engine, motor, battery, clutches, start, fuel, auxiliary : parts of it, one
        per table of the file, in SI
    functions, comfort, shifts : what it may do, limits of comfort, and how long shifts take
    warm_up : how it warms up, and the heat that the cabin wants
    catalyst : when it lights and what it converts
    sha256 : hex digest over the files it was read from
    """

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
    functions: Functions = field(default_factory=Functions)
    comfort: Comfort = field(default_factory=Comfort)
    shifts: Shifts = field(default_factory=Shifts)
    warm_up: WarmUp = field(default_factory=WarmUp)
    catalyst: Catalyst = field(default_factory=Catalyst)
    title: str = ""
    sha256: str = field(default="", compare=False)
