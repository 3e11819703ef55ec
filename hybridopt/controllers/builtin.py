"""The built-in controllers as frozen dataclasses: parameters in SI, bounds for tuning, packing."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from ..base.errors import InputError
from ..inputs.driveline import Driveline
from ..physics.codes import EngineClass
from ..physics.schedule import Schedule
from ..problem.settings import Settings
from .shared_kernels import (
    ELECTRIC_POWER,
    EQUIVALENCE,
    GEAR_FREE,
    GEAR_LINES,
    GEAR_PLAN,
    PLAYBACK,
    POWER_THRESHOLDS,
    PackedController,
    PackedSchedule,
)

GEAR_CHOICES = {"lines": GEAR_LINES, "follow": GEAR_PLAN, "best": GEAR_FREE}
Bounds = dict[str, tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class BuiltIn:
    """What all built-in controllers share: minimum times, gear lines, SoC reference.

    Parameters
    ----------
    min_on, min_off
        Minimum time the engine stays on and off, s; given up where the driveline cannot do it.
    min_gear
        Minimum time in a gear, s; given up where the gear does not fit the speed.
    gears
        "lines": up and down lines of shaft speed over wheel power; "follow": the gear of
        `schedule`; "best": chosen with the split (equivalence factors only).
    line_low, line_high, line_brake
        Shaft speed below which the gear goes down, at no power, at the engine's full power and
        while braking with the motor's full power, rad/s.
    line_gap
        The next gear must stay above the line by this share of it.
    soc_reference
        State of charge the rule aims at; None is the start's.
    start_reserve
        The engine runs where a step that starts it could not give this share more than the wheels
        ask for now or asked for a step ago (named rules only: tables have their electric limit).
    schedule
        For "follow" and playback, as long as the cycle.
    """

    kind: ClassVar[int]
    needs_points: ClassVar[bool] = False
    title: ClassVar[str] = ""

    min_on: float = 0.0
    min_off: float = 0.0
    min_gear: float = 0.0
    gears: str = "lines"
    line_low: float = 110.0
    line_high: float = 400.0
    line_brake: float = 250.0
    line_gap: float = 0.1
    soc_reference: float | None = None
    start_reserve: float = 0.25
    schedule: Schedule | None = None

    def __post_init__(self) -> None:
        """Check what all share."""
        if self.gears not in GEAR_CHOICES:
            raise InputError(
                f"controller: gears is {self.gears!r}; allowed is {' or '.join(GEAR_CHOICES)}"
            )
        if self.gears == "best" and not self.needs_points:
            raise InputError("controller: gears 'best' is for equivalence factors; use 'lines'")

    def bounds(self, driveline: Driveline) -> Bounds:
        """Return lowest and highest value of each parameter that tuning may move."""
        return {}

    def varied(self, values: Mapping[str, float]) -> "BuiltIn":
        """Return the controller with some parameters changed."""
        return dataclasses.replace(self, **dict(values))  # type: ignore[arg-type]

    def pack(self, driveline: Driveline, settings: Settings) -> PackedController:
        """Flatten for the kernels; settings are resolved."""
        reference = settings.socs[2] if self.soc_reference is None else self.soc_reference
        common = (
            self.min_on,
            self.min_off,
            self.min_gear,
            GEAR_CHOICES[self.gears],
            self.line_low,
            self.line_high,
            self.line_brake,
            self.line_gap,
            engine_power(driveline),
            driveline.motor.peak_power,
            reference,
            self.start_reserve,
        )
        own, maps = self._own(driveline, settings)
        params = np.array([*common, *own], dtype=np.float64)
        return PackedController(
            self.kind, params, maps, pack_schedule(self.schedule), self.needs_points
        )

    def _own(self, driveline: Driveline, settings: Settings) -> tuple[list[float], np.ndarray]:
        """Return the controller's own parameters and its maps."""
        return [], np.zeros(1)

    def _line_bounds(self, driveline: Driveline) -> Bounds:
        if self.gears != "lines":
            return {}
        idle, fastest = driveline.engine.idle_speed, driveline.engine.max_speed
        return {
            "line_low": (0.5 * idle, 2.0 * idle),
            "line_high": (1.5 * idle, 0.9 * fastest),
            "line_brake": (0.8 * idle, 0.9 * fastest),
            "line_gap": (0.02, 0.4),
        }


@dataclass(frozen=True, kw_only=True)
class _Thresholds(BuiltIn):
    """What the threshold rules share: SoC guard and the engine's share of the load.

    Parameters
    ----------
    soc_guard, soc_gap
        The engine starts within `soc_guard` of the window's bottom and may stop `soc_gap` above.
    charge_gain
        Charging power per missing SoC while the engine runs, W.
    load_low, load_high
        Lowest and highest engine torque while it runs, share of full load.
    """

    min_on: float = 3.0
    min_off: float = 3.0
    min_gear: float = 2.0
    soc_guard: float = 0.02
    soc_gap: float = 0.02
    charge_gain: float = 50e3
    load_low: float = 0.3
    load_high: float = 0.95

    def _guard(self, settings: Settings) -> tuple[float, float]:
        low = settings.socs[0]
        return low + self.soc_guard, low + self.soc_guard + self.soc_gap

    def _split_bounds(self, driveline: Driveline) -> Bounds:
        return {
            "charge_gain": (0.0, 20.0 * driveline.motor.peak_power),
            "load_low": (0.0, 0.9),
            "load_high": (0.5, 1.0),
            "soc_guard": (0.0, 0.1),
        }


@dataclass(frozen=True, kw_only=True)
class PowerThresholds(_Thresholds):
    """Engine on above a wheel power or a speed, off below; the motor shapes the engine's load.

    Parameters
    ----------
    start_power
        Wheel power at which the engine starts, W.
    stop_share
        It stops below this share of `start_power`.
    start_speed
        Vehicle speed at which the engine starts, m/s.
    stop_speed_share
        It stops below this share of `start_speed`.
    power_per_soc
        Rise of both powers per unit of SoC above the reference, W.
    """

    kind: ClassVar[int] = POWER_THRESHOLDS
    title: ClassVar[str] = "power thresholds"

    start_power: float = 10e3
    stop_share: float = 0.5
    start_speed: float = 25.0
    stop_speed_share: float = 0.9
    power_per_soc: float = 50e3

    def bounds(self, driveline: Driveline) -> Bounds:
        """Return the range of each tunable parameter."""
        peak = driveline.motor.peak_power
        return {
            "start_power": (0.02 * peak, peak),
            "stop_share": (0.0, 1.0),
            "start_speed": (5.0, 45.0),
            "stop_speed_share": (0.6, 1.0),
            "power_per_soc": (0.0, 10.0 * peak),
            **self._split_bounds(driveline),
            **self._line_bounds(driveline),
        }

    def _own(self, driveline: Driveline, settings: Settings) -> tuple[list[float], np.ndarray]:
        return [
            self.start_power,
            self.stop_share * self.start_power,
            self.start_speed,
            self.stop_speed_share * self.start_speed,
            *self._guard(settings),
            self.power_per_soc,
            self.charge_gain,
            self.load_low,
            self.load_high,
        ], np.zeros(1)


@dataclass(frozen=True, kw_only=True)
class ElectricPower(_Thresholds):
    """Engine on where driving on the motor would take more electric power than one threshold.

    Parameters
    ----------
    electric_power
        The threshold, W at the motor's terminals.
    stop_share
        The engine stops below this share of it.
    """

    kind: ClassVar[int] = ELECTRIC_POWER
    title: ClassVar[str] = "electric-power threshold"

    electric_power: float = 10e3
    stop_share: float = 0.9

    def bounds(self, driveline: Driveline) -> Bounds:
        """Return the range of each tunable parameter."""
        return {
            "electric_power": (0.0, driveline.motor.peak_power),
            **self._split_bounds(driveline),
            **self._line_bounds(driveline),
        }

    def _own(self, driveline: Driveline, settings: Settings) -> tuple[list[float], np.ndarray]:
        stop = self.stop_share * self.electric_power
        guard = self._guard(settings)
        load = self.charge_gain, self.load_low, self.load_high
        return [self.electric_power, stop, 0.0, 0.0, *guard, 0.0, *load], np.zeros(1)


@dataclass(frozen=True, kw_only=True)
class Equivalence(BuiltIn):
    """Least fuel, event costs and equivalence factor times stored energy, step by step.

    Parameters
    ----------
    factor
        Fuel energy a joule from the store is taken to be worth.
    start_share
        Share of what a start takes beyond running on that its step is charged with.
    stop_charge
        What a stop is charged with for the start to come, g.
    shift_share
        Share of the cost of a shift that a step is charged with.

    Notes
    -----
    Paganelli and others, *Equivalent consumption minimization strategy for parallel hybrid
    powertrains*, IEEE 55th Vehicular Technology Conference, 2002, pages 2076-2081. Stored
    energy is U I dt with the open-circuit voltage U, so that charging and discharging losses are
    both counted.
    """

    kind: ClassVar[int] = EQUIVALENCE
    needs_points: ClassVar[bool] = True
    title: ClassVar[str] = "constant equivalence factor"

    min_on: float = 2.0
    min_off: float = 1.0
    min_gear: float = 3.0
    gears: str = "best"
    factor: float = 2.7
    start_share: float = 0.15
    stop_charge: float = 0.03
    shift_share: float = 0.35

    def bounds(self, driveline: Driveline) -> Bounds:
        """Return the range of each tunable parameter."""
        return {
            "factor": (1.8, 4.0),
            "start_share": (0.0, 0.6),
            "stop_charge": (0.0, 0.5 * driveline.start.fuel),
            "shift_share": (0.1, 1.0),
            **self._line_bounds(driveline),
        }

    def _own(self, driveline: Driveline, settings: Settings) -> tuple[list[float], np.ndarray]:
        return self._factors(driveline, settings, 0.0, 0.0), np.zeros(1)

    def _factors(
        self, driveline: Driveline, settings: Settings, proportional: float, integral: float
    ) -> list[float]:
        heat = driveline.fuel.heating_value
        factors = (self.factor, proportional, integral, 0.0, 10.0)
        events = (self.start_share, self.stop_charge, self.shift_share, settings.start_cost)
        return [*(value / heat for value in factors), *events]


@dataclass(frozen=True, kw_only=True)
class AdaptiveEquivalence(Equivalence):
    """Equivalence factor that follows the state of charge: proportional and integral feedback.

    Parameters
    ----------
    proportional
        Rise of the factor per missing SoC.
    integral
        Rise of the factor per missing SoC and second.
    """

    title: ClassVar[str] = "adaptive equivalence factor"

    proportional: float = 3.0
    integral: float = 0.003

    def bounds(self, driveline: Driveline) -> Bounds:
        """Return the range of each tunable parameter."""
        own = {"proportional": (0.0, 15.0), "integral": (0.0, 0.05)}
        return {**super().bounds(driveline), **own}

    def _own(self, driveline: Driveline, settings: Settings) -> tuple[list[float], np.ndarray]:
        return self._factors(driveline, settings, self.proportional, self.integral), np.zeros(1)


@dataclass(frozen=True, kw_only=True)
class Playback(BuiltIn):
    """Does what a schedule says, step by step."""

    kind: ClassVar[int] = PLAYBACK
    title: ClassVar[str] = "schedule played back"


def pack_schedule(schedule: Schedule | None) -> PackedSchedule:
    """Flatten a schedule for the kernels."""
    if schedule is None:
        return PackedSchedule(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
    return PackedSchedule(
        np.array(schedule.gear, dtype=np.int64),
        np.array(schedule.engine_class != EngineClass.OFF, dtype=np.int64),
        np.where(schedule.powered, schedule.motor_torque, np.nan).astype(np.float64),
    )


def engine_power(driveline: Driveline) -> float:
    """Return the engine's full power, W."""
    full = driveline.engine.full_load
    return float((full * full["speed"]).max())
