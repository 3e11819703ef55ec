"""Settings of the optimiser, with defaults that are good without tuning."""

import dataclasses
from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..base.units import PERCENT
from ..inputs.driveline import Driveline

USUAL_POINTS, FINE_POINTS, SHORT_STEP = 1001, 2001, 0.5  # SoC points, and s
TERMINALS = ("sustain", "target", "deplete", "free")
SKIPPING = ("both", "up", "down", "none")


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What to solve for and how finely; None means the driveline's own figure.

    Parameters
    ----------
    soc_points
        Grid points of state of charge; None is 1001, or 2001 where most steps are shorter than
        half a second (moves below one cell spread the kinks of the cost-to-go).
    splits
        Motor torques per step, gear and engine class (at least; map kinks are always included).
    soc_min, soc_max, soc_start
        SoC window and start, 0 to 1.
    terminal
        "sustain": end at or above the start; "target": end at or above `soc_target`;
        "deplete": end at the bottom of the window; "free": end anywhere in the window.
    soc_target
        For terminal "target", 0 to 1.
    two_sided
        Penalise ending above the target as much as below it.
    start_cost, shift_cost
        Cost of an engine start and of a gear shift, g of fuel, beyond the physical energy and
        fuel of the start.
    min_on_time, min_off_time, min_gear_time
        Least times that the engine stays on and off and that a gear stays engaged, s.
    stop_speed_max
        No engine stop at a higher speed, m/s; None is no limit.
    stop_soc_min
        No engine stop at a lower SoC, 0 to 1.
    stop_oil_temperature
        No engine stop while the oil is colder, degC (cycles tell it); None is no limit.
    brake_shift_speed
        No shift while braking below this speed, m/s.
    skip_shifts
        Which shifts may leave gears out while the vehicle moves: "both", "up", "down" or "none".
    gear_start
        Gear before the first step, 1 is first gear.
    engine_on_start
        Whether the engine runs before the first step.
    penalty_factor
        Fuel energy charged per joule missing at the end, the slope of the terminal penalty; it is
        raised by itself where the target would be missed.
    thermal_limits
        Keep the launch clutch below its temperature limit, and motor and battery within their
        overload budgets, where the driveline gives the figures.
    corridor
        Sweep only the SoC points near the optimal schedule, in a corridor that is proved to hold
        it: less memory and time on fine grids. Where other schedules are judged by the cost-to-go
        (:func:`hybridopt.evaluation.compare`, tables), all points are swept nevertheless.
    memory_limit
        Bytes of arrays the optimiser may keep; what does not fit is made again when needed.

    Raises
    ------
    InputError
        A setting is out of range; the message names it.
    """

    soc_points: int | None = None
    splits: int = 61
    soc_min: float | None = None
    soc_max: float | None = None
    soc_start: float | None = None
    terminal: str = "sustain"
    soc_target: float | None = None
    two_sided: bool = False
    start_cost: float = 0.0
    shift_cost: float = 0.05
    min_on_time: float = 0.0
    min_off_time: float = 0.0
    min_gear_time: float = 0.0
    stop_speed_max: float | None = None
    stop_soc_min: float = 0.0
    stop_oil_temperature: float | None = None
    brake_shift_speed: float = 0.0
    skip_shifts: str = "both"
    gear_start: int = 1
    engine_on_start: bool = False
    penalty_factor: float = 4.0
    memory_limit: float = 1e9
    thermal_limits: bool = False
    corridor: bool = False

    def __post_init__(self) -> None:
        """Check each setting on its own."""
        points = self.soc_points
        self._need("soc_points", points is None or 2 <= points <= 1_000_001, "2 to 1000001")
        self._need("splits", 3 <= self.splits <= 10_001, "3 to 10001")
        for name in ("soc_min", "soc_max", "soc_start", "soc_target"):
            value = getattr(self, name)
            self._need(name, value is None or 0.0 <= value <= 1.0, "0 to 1 (0 to 100 %)")
        self._need("terminal", self.terminal in TERMINALS, " or ".join(TERMINALS))
        for name in ("start_cost", "shift_cost"):
            value = getattr(self, name)
            self._need(name, 0.0 <= value <= 1e6, "0 to 1e6 g of fuel")
        for name in ("min_on_time", "min_off_time", "min_gear_time"):
            self._need(name, 0.0 <= getattr(self, name) <= 3600.0, "0 to 3600 s")
        speed = self.stop_speed_max
        self._need("stop_speed_max", speed is None or 0.0 <= speed <= 100.0, "0 to 360 km/h")
        self._need("stop_soc_min", 0.0 <= self.stop_soc_min <= 1.0, "0 to 1 (0 to 100 %)")
        oil = self.stop_oil_temperature
        self._need("stop_oil_temperature", oil is None or -60.0 <= oil <= 200.0, "-60 to 200 degC")
        self._need("brake_shift_speed", 0.0 <= self.brake_shift_speed <= 100.0, "0 to 360 km/h")
        self._need("skip_shifts", self.skip_shifts in SKIPPING, " or ".join(SKIPPING))
        self._need("penalty_factor", 0.0 < self.penalty_factor <= 1e6, "above 0, up to 1e6")
        self._need("memory_limit", self.memory_limit > 0, "above 0 bytes")

    def _need(self, name: str, condition: bool, allowed: str) -> None:
        if not condition:
            value = getattr(self, name)
            raise InputError(f"setting {name} is {value!r}; allowed is {allowed}")

    def resolved(self, driveline: Driveline) -> "Settings":
        """Return the settings with every None replaced by the driveline's figure, and checked.

        Raises
        ------
        InputError
            The window is empty, wider than the battery's table, or the start or target lies
            outside it, or `gear_start` is no gear of the driveline.
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
        table = battery.table["soc"].values
        if low < table[0] - 1e-12 or high > table[-1] + 1e-12:
            raise InputError(
                f"setting soc_min/soc_max: the SoC window {low / PERCENT:g} to {high / PERCENT:g} %"
                f" leaves the battery's table, {table[0] / PERCENT:g} to {table[-1] / PERCENT:g} %"
            )
        target = {"sustain": start, "deplete": low, "free": low}.get(self.terminal, self.soc_target)
        if target is None:
            raise InputError("setting soc_target is missing; terminal 'target' needs it")
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
        two_sided = self.two_sided or self.terminal == "deplete"
        return dataclasses.replace(
            self, soc_min=low, soc_max=high, soc_start=start, soc_target=target, two_sided=two_sided
        )

    def for_steps(self, dt: np.ndarray) -> "Settings":
        """Return the settings with a number of SoC points that suits the length of the steps, s."""
        if self.soc_points is not None:
            return self
        short = float(np.median(dt)) < SHORT_STEP
        return dataclasses.replace(self, soc_points=FINE_POINTS if short else USUAL_POINTS)

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

    def penalty(self, driveline: Driveline) -> float:
        """Slope of the terminal penalty, g of fuel per unit of SoC."""
        return self.penalty_factor * driveline.battery.energy / driveline.fuel.heating_value
