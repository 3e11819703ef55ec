"""How engine, oil and gearbox warm up, and the heat that the cabin wants, in SI units."""

from dataclasses import dataclass

from ..base.units import KW
from .fields import quantity

KJ = 1e3


@dataclass(frozen=True, eq=False, kw_only=True)
class WarmUp:
    """Engine, coolant and oil as one heat capacity (J/K), with one temperature for all, degC.

    `heat_share` of the fuel's energy heats it, and what the heater core takes cools it, with the
    air: `cooling` (W/K) at rest and `cooling_by_speed` (J/(K m)) times the speed more. A thermostat
    keeps it at the engine's `warm_temperature`. Between the engine's `cold_temperature` and that,
    factors fall to 1 in a straight line: `cold_fuel_factor` of the engine on the fuel,
    `drag_factor` on the gearbox's drag, `friction_factor` on the engine's overrun torque.

    The cabin wants `cabin_heat` (W/K) for each kelvin that the air is colder than
    `cabin_temperature`. The coolant gives `heater_core` (W/K) times its own excess over the cabin,
    as far as wanted; the rest is electric, up to `heater_power` (W).

    Without `heat_capacity` a driveline cannot warm up; nothing else counts then.
    """

    heat_capacity: float | None = quantity(
        "heat_capacity_kJ_per_K", KJ, low=1, high=100_000, default=None
    )
    heat_share: float = quantity("heat_share", low=0, high=0.8, default=0.3)
    cooling: float = quantity("cooling_W_per_K", low=0, high=10_000, default=0.0)
    cooling_by_speed: float = quantity("cooling_J_per_K_m", low=0, high=1000, default=0.0)
    drag_factor: float = quantity("drag_factor", low=1, high=10, default=1.0)
    friction_factor: float = quantity("friction_factor", low=1, high=5, default=1.0)
    cabin_heat: float = quantity("cabin_heat_W_per_K", low=0, high=10_000, default=0.0)
    cabin_temperature: float = quantity("cabin_temperature_C", low=0, high=40, default=21.0)
    heater_core: float = quantity("heater_core_W_per_K", low=0, high=10_000, default=0.0)
    heater_power: float = quantity("heater_power_kW", KW, low=0, high=100, default=0.0)
