"""Settings of the optimiser, with defaults that are good without tuning."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..base.errors import InputError
from ..base.nomenclature import SPECIES
from ..base.units import KM_PER_H, PERCENT
from .declaring import NumberKind, declared, parameters, setting

if TYPE_CHECKING:  # commands need the declarations, and start fast without these
    from ..inputs.comfort import Comfort
    from ..inputs.cycle import Cycle
    from ..inputs.driveline import Driveline

USUAL_POINTS, FINE_POINTS, SHORT_STEP = 1001, 2001, 0.5  # SoC points, and s
LEAST_WINDOW = 1e-3  # a step passes so many cells of a narrower one that a solve does not end
WARM_UP_POINTS = 501  # where the oil's temperature is a state too: more change the cost by 1e-5
SHORT_DRIVE, SHORT_DRIVE_POINTS = 300, 4001  # steps: so few that many points take no longer
FEWER_POINTS = FINE_POINTS, USUAL_POINTS, WARM_UP_POINTS  # in turn, where the usual do not fit
ANYWHERE = ("deplete", "free")  # terminals that leave the final SoC to the optimum
TERMINALS = ("sustain", "target", *ANYWHERE)
MIN_TIMES = ("min_on_time", "min_off_time", "min_gear_time", "min_reversal_time")
SKIPPING = ("both", "up", "down", "none")

POINTS = NumberKind("", "", "", 1, 2, 1_000_001)
TORQUES = NumberKind("", "", "", 1, 3, 10_001)
FACTOR = NumberKind("", "", "", 1.0, 0.0, 1e6, above=True)
SHARE = NumberKind("percent", "%", "", PERCENT, 0.0, 1.0)
COST = NumberKind("g", "g", "g of fuel", 1.0, 0.0, 1e6)
TIME = NumberKind("s", "s", "s", 1.0, 0.0, 3600.0)
RATE = NumberKind("Nm_per_s", "Nm/s", "N m/s", 1.0, 1.0, 1e5)
SPEED = NumberKind("km_per_h", "km/h", "m/s", KM_PER_H, 0.0, 100.0)
OIL = NumberKind("C", "degC", "degC", 1.0, -60.0, 200.0)
AIR = NumberKind("C", "degC", "degC", 1.0, -60.0, 60.0)
NODES = NumberKind("", "", "", 1, 2, 64)
PRICE = NumberKind("g_per_g", "g/g", "g of fuel per g", 1.0, 0.0, 1e6)
PER_WAY = NumberKind("g_per_km", "g/km", "g/m", 1e-3, 0.0, 1.0, above=True)
MEMORY = NumberKind("GB", "GB", "bytes", 1e9, 0.0, 1e15, above=True)


def _price(name: str) -> Any:
    return setting(0.0, f"Price of {SPECIES[name]}, by the driveline's map.", PRICE)


def _limit(name: str) -> Any:
    text = (
        f"Most {SPECIES[name]} over the cycle; the price that keeps it is found, from the given on."
    )
    return setting(None, text, PER_WAY)


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What to solve for and how finely, SI; None is the driveline's own value, or no limit."""

    # moves below one cell spread the kinks of the cost-to-go, so short steps need more points, and
    # short drives, whose whole fuel is worth few cells
    soc_points: int | None = setting(
        None,
        "SoC grid points; by default 1001, 2001 where most steps are shorter than 0.5 s, and 4001 "
        "on drives of up to 300 steps; on longer ones 501 with ambient_temperature; fewer where "
        "they do not fit into memory_limit.",
        POINTS,
    )
    splits: int = setting(
        61, "Motor torques per step and gear; kinks of the maps are always included.", TORQUES
    )
    soc_min: float | None = setting(None, "Bottom of the SoC window.", SHARE)
    soc_max: float | None = setting(None, "Top of the SoC window.", SHARE)
    soc_start: float | None = setting(None, "SoC at the start.", SHARE)
    terminal: str = setting(
        "sustain",
        "Where the SoC must end: sustain, at or above its start; target, at or above the target "
        "SoC; deplete or free, anywhere in the window: charge may be used up but never must.",
        words=TERMINALS,
    )
    soc_target: float | None = setting(None, "Final SoC for terminal target.", SHARE)
    two_sided: bool = setting(False, "Penalise ending above the target as much as below it.")
    start_cost: float = setting(
        0.0, "Fuel cost of an engine start, beyond what the start physically takes.", COST
    )
    shift_cost: float = setting(0.05, "Fuel cost of a gear shift.", COST)
    min_on_time: float = setting(0.0, "Minimum time that the engine stays on.", TIME)
    min_off_time: float = setting(0.0, "Minimum time that the engine stays off.", TIME)
    min_gear_time: float = setting(0.0, "Minimum time that a gear stays engaged.", TIME)
    min_reversal_time: float = setting(
        0.0, "Minimum time from a gear shift to one in the opposite direction.", TIME
    )
    torque_rise: float | None = setting(
        None,
        "Most that the engine's torque rises, from 0 after a start; the bound leaves it out.",
        RATE,
    )
    torque_fall: float | None = setting(
        None, "Most that the engine's torque falls while it runs; the bound leaves it out.", RATE
    )
    stop_speed_max: float | None = setting(None, "No engine stop above this speed.", SPEED)
    stop_soc_min: float = setting(0.0, "No engine stop below this SoC.", SHARE)
    stop_oil_temperature: float | None = setting(
        None,
        "No engine stop while the oil is colder (cycle column oil_temperature_C, or "
        "ambient_temperature).",
        OIL,
    )
    ambient_temperature: float | None = setting(
        None,
        "Let the oil warm up in air of this temperature, as a state; it takes the place of what "
        "the cycle says of oil and air.",
        AIR,
    )
    oil_temperature_start: float | None = setting(
        None, "Oil temperature at the start; by default that of the air.", OIL
    )
    temperature_nodes: int = setting(
        8, "Oil temperatures of the optimiser's grid, ambient_temperature given.", NODES
    )
    nox_price: float = _price("nox")
    hc_price: float = _price("hc")
    co_price: float = _price("co")
    particulates_price: float = _price("particulates")
    nox_limit: float | None = _limit("nox")
    hc_limit: float | None = _limit("hc")
    co_limit: float | None = _limit("co")
    particulates_limit: float | None = _limit("particulates")
    heating_start: float | None = setting(
        None,
        "The engine first starts then and runs for the catalyst's heating time; prices and limits "
        "are of what leaves the catalyst, and of what leaves the engine without.",
        TIME,
    )
    brake_shift_speed: float = setting(0.0, "No shift while braking below this speed.", SPEED)
    skip_shifts: str = setting(
        "both", "Which shifts may leave gears out while the vehicle moves.", words=SKIPPING
    )
    gear_start: int = setting(
        1, "Gear before the first step.", words=("a gear of the driveline",), metavar="GEAR"
    )
    engine_on_start: bool | None = setting(
        None,
        "The engine runs before the first step; by default where the cycle begins moving.",
        words=("true", "false"),
    )
    penalty_factor: float = setting(
        4.0,
        "Fuel energy charged per energy missing at the end; raised where the target would be "
        "missed.",
        FACTOR,
    )
    memory_limit: float = setting(
        1e9, "Memory for arrays; what does not fit is computed again when needed.", MEMORY
    )
    thermal_limits: bool = setting(
        False,
        "Keep the launch clutch below its temperature limit, motor and battery within their "
        "overload budgets, where the driveline gives them.",
    )
    corridor: bool = setting(
        False,
        "Sweep only a corridor of SoC that is proved to hold the optimum; saves memory and time "
        "on fine grids. Where other schedules are judged, all SoC are swept nevertheless.",
    )

    wanted_gap: float | None = setting(
        None,
        "Go on improving the proved bound until the schedule costs so much more than it, or "
        "nothing more is gained; by default it takes about as long as the solve.",
        SHARE,
    )

    def __post_init__(self) -> None:
        """Check each setting on its own."""
        for name, declaration in SETTINGS.items():
            declaration.check(getattr(self, name))

    def resolved(self, driveline: "Driveline") -> "Settings":
        """Return the settings with every None replaced by the driveline's value, and checked.

        The minimum off time is at least the time in which the engine runs down.

        Raises
        ------
        InputError
            The window is empty, too narrow or wider than the battery's table, the start or target
            lies outside it, `gear_start` is no gear of the driveline, or a setting has no effect
            because of another one.
        """
        battery = driveline.battery
        low = battery.soc_min if self.soc_min is None else self.soc_min
        high = battery.soc_max if self.soc_max is None else self.soc_max
        start = battery.soc_start if self.soc_start is None else self.soc_start
        if not low < high:
            raise InputError(
                f"setting soc_min: the SoC window {low / PERCENT:g} to {high / PERCENT:g} % is "
                "empty; soc_max must be above soc_min"
            )
        if high - low < LEAST_WINDOW - 1e-12:
            raise InputError(
                f"setting soc_min/soc_max: the SoC window {low / PERCENT:g} to {high / PERCENT:g} %"
                f" is too narrow; make it at least {LEAST_WINDOW / PERCENT:g} % wide"
            )
        table = battery.table["soc"].values
        if low < table[0] - 1e-12 or high > table[-1] + 1e-12:
            raise InputError(
                f"setting soc_min/soc_max: the SoC window {low / PERCENT:g} to {high / PERCENT:g} %"
                f" leaves the battery's table, {table[0] / PERCENT:g} to {table[-1] / PERCENT:g} %"
            )
        target = {"sustain": start, "deplete": low, "free": low}.get(self.terminal, self.soc_target)
        if target is None:
            raise InputError("setting soc_target is missing; terminal 'target' needs it")
        if self.two_sided and self.terminal == "free":
            raise InputError(
                "setting two_sided says nothing with terminal 'free', which has no target; leave "
                "it out"
            )
        if self.soc_target is not None and self.soc_target != target:
            raise InputError(
                f"setting soc_target is {self.soc_target / PERCENT:g} %, but counts with terminal "
                f"'target' only; terminal is '{self.terminal}', so set it to 'target' or leave "
                "soc_target out"
            )
        for name, value in (("soc_start", start), ("soc_target", target)):
            if not low - 1e-12 <= value <= high + 1e-12:
                raise InputError(
                    f"setting {name} is {value / PERCENT:g} %; the SoC window is "
                    f"{low / PERCENT:g} to {high / PERCENT:g} %"
                )
        if not 1 <= self.gear_start <= driveline.gearbox.gears:
            raise InputError(
                f"setting gear_start is {self.gear_start}; this driveline has gears 1 to "
                f"{driveline.gearbox.gears}"
            )
        held = self._with_comfort(driveline.comfort)
        return dataclasses.replace(
            held,
            soc_min=low,
            soc_max=high,
            soc_start=start,
            soc_target=target,
            min_off_time=max(held.min_off_time, driveline.start.run_down_time),
        )

    def _with_comfort(self, comfort: "Comfort") -> "Settings":
        """Return the settings with a driveline's limits of comfort: the longer minimum times."""
        longer = {name: max(getattr(self, name), getattr(comfort, name)) for name in MIN_TIMES}
        for name in ("torque_rise", "torque_fall"):
            if getattr(self, name) is None:
                longer[name] = getattr(comfort, name)
        return dataclasses.replace(self, **longer)

    def for_cycle(self, cycle: "Cycle") -> "Settings":
        """Return the settings with what the cycle decides: SoC points and engine at the start.

        Steps that are short ask for more points, and a cycle that begins moving for the engine on.
        """
        import numpy as np

        points = self.soc_points
        if points is None:
            points = FINE_POINTS if float(np.median(cycle.dt)) < SHORT_STEP else USUAL_POINTS
            points = WARM_UP_POINTS if self.warms else points
            points = SHORT_DRIVE_POINTS if cycle.dt.size <= SHORT_DRIVE else points
        on = self.begins_on(float(cycle.speed[0]))
        return dataclasses.replace(self, soc_points=points, engine_on_start=on)

    def begins_on(self, speed: float) -> bool:
        """Return whether the engine runs before a drive that begins at a speed, m/s."""
        return speed > 0.0 if self.engine_on_start is None else self.engine_on_start

    @property
    def warms(self) -> bool:
        """Whether the oil temperature is a state, as an ambient temperature makes it."""
        return self.ambient_temperature is not None

    @property
    def oil_start(self) -> float:
        """Oil temperature at the start where it is a state, degC; NaN where it is none."""
        ambient, start = self.ambient_temperature, self.oil_temperature_start
        if ambient is None:
            return float("nan")
        return ambient if start is None else start

    @property
    def emissions(self) -> tuple[Any, ...]:
        """Values of all settings of emissions: what choices depend on beside the splits."""
        names = [f"{name}_{what}" for name in SPECIES for what in ("price", "limit")]
        return tuple(getattr(self, name) for name in (*names, "heating_start"))

    @property
    def emission_prices(self) -> dict[str, float]:
        """Prices of emissions above 0, g of fuel per g, by name."""
        prices = {name: float(getattr(self, f"{name}_price")) for name in SPECIES}
        return {name: price for name, price in prices.items() if price > 0.0}

    @property
    def emission_limits(self) -> dict[str, float]:
        """Limits of emissions, g/m, by name."""
        limits = {name: getattr(self, f"{name}_limit") for name in SPECIES}
        return {name: float(limit) for name, limit in limits.items() if limit is not None}

    def without_limits(self) -> "Settings":
        """Return the settings without limits of emissions."""
        free: dict[str, Any] = {f"{name}_limit": None for name in SPECIES}
        return dataclasses.replace(self, **free)

    def at_prices(self, prices: Mapping[str, float]) -> "Settings":
        """Return the settings with other prices of emissions, g of fuel per g, by name."""
        changed: dict[str, Any] = {f"{name}_price": price for name, price in prices.items()}
        return dataclasses.replace(self, **changed)

    @property
    def limits_rates(self) -> bool:
        """Whether the rates of the engine's torque are limited, which the bound leaves out."""
        return not (self.torque_rise is None and self.torque_fall is None)

    @property
    def has_target(self) -> bool:
        """Whether a final SoC is asked for, rather than any in the window."""
        return self.terminal not in ANYWHERE

    @property
    def grid_points(self) -> int:
        """Grid points of state of charge."""
        return USUAL_POINTS if self.soc_points is None else self.soc_points

    @property
    def socs(self) -> tuple[float, float, float, float]:
        """SoC window (low, high), start and target of resolved settings.

        Raises
        ------
        InputError
            The settings are not resolved.
        """
        values = (self.soc_min, self.soc_max, self.soc_start, self.soc_target)
        if any(value is None for value in values):
            raise InputError("settings are not resolved; call resolved(driveline) first")
        low, high, start, target = (float(value) for value in values if value is not None)
        return low, high, start, target

    def penalty(self, driveline: "Driveline") -> float:
        """Slope of the terminal penalty, g of fuel per unit of SoC."""
        from ..inputs.emissions import dearer

        energy = dearer(driveline.engine) * driveline.battery.energy
        return self.penalty_factor * energy / driveline.fuel.heating_value


SETTINGS = declared(Settings)
"""Declaration of each setting, by name."""
Settings.__doc__ = f"{Settings.__doc__}\n\n{parameters(SETTINGS)}\n"
