"""The predictive controller: maps of what intervals cost, and what it foresees."""

import dataclasses
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from ..base.errors import InputError
from ..inputs.driveline import Driveline, Vehicle
from ..physics.demand import Demand
from ..problem.events import skipping_shifts
from ..problem.settings import Settings
from . import preview_kernels as kernels
from .builtin import BuiltIn
from .foreseen import Predict, exact, foresee
from .maps import Map, pack_map
from .rule_kernels import MOTION_SPEED
from .shared_kernels import PREVIEW, PackedController

LONGEST = 600.0  # s, horizon
MOST_INTERVALS = 600
CLOSED = 1e6  # g s2/rad2, of a shift that is closed while the vehicle moves


@dataclass(frozen=True, eq=False, kw_only=True)
class PreviewMaps:
    """What the predictive controller knows of the vehicle and of driving; SI, fuel in g.

    Attributes
    ----------
    factor : g/J, what stored energy is usually worth
    motor_power : W out of the store with the auxiliaries, over speed (rad/s) and torque (N m) of
        the motor
    fuel : g/s, over speed and torque of the engine
    running_cost : g/s, fuel and factor times power out of the store with the engine on, over speed,
        torque and factor (g/J), at the best split
    start_cost : g, of a start beyond running on, over the same
    off_limit, running_limit, start_limit : N m, highest torque wanted that the driveline gives with
        the engine off, on, and in the step of a start, over speed
    overrun, drag : N m, of the engine without fuel and of the unpowered motor, over speed
    expected : g, cost expected after an interval over its mean speed (m/s) and acceleration
        (m/s2), and the decision: gears with the engine off, then with it on
    shift_fuel : g s2/rad2, (3 engine classes, gears, gears), fuel of a shift over the square of the
        wheel speed
    ratio, efficiency, gear_drag : of the gears, (gears,); drag in N m at the gearbox input
    constants : by name, those of `CONSTANTS` that the vehicle gives
    vehicle : road load, by which the preview's wheel torque is worked out
    training : names of the cycles that `expected` was made from
    """

    factor: float
    motor_power: Map
    fuel: Map
    running_cost: Map
    start_cost: Map
    off_limit: Map
    running_limit: Map
    start_limit: Map
    overrun: Map
    drag: Map
    expected: Map
    shift_fuel: np.ndarray
    ratio: np.ndarray
    efficiency: np.ndarray
    gear_drag: np.ndarray
    constants: np.ndarray
    vehicle: Vehicle
    training: tuple[str, ...] = ()

    LAYOUT: ClassVar[tuple[str, ...]] = (
        "motor_power",
        "fuel",
        "running_cost",
        "start_cost",
        "off_limit",
        "running_limit",
        "start_limit",
        "overrun",
        "drag",
        "expected",
    )

    @property
    def numbers(self) -> int:
        """How many numbers the maps hold, their axes among them."""
        maps = [getattr(self, name) for name in self.LAYOUT]
        return sum(m.values.size + sum(axis.size for axis in m.axes) for m in maps)

    def packed(self) -> tuple[np.ndarray, np.ndarray]:
        """Return where each map begins, in the order of the kernels, and all maps."""
        maps: list[tuple[str, Map]] = [(name, getattr(self, name)) for name in self.LAYOUT]
        parts = [pack_map(found.axes, found.values, f"[{name}]") for name, found in maps]
        begins = np.concatenate(([0], np.cumsum([part.size for part in parts])[:-1]))
        return begins.astype(np.int64), np.concatenate(parts)


@dataclass(frozen=True, kw_only=True, eq=False)
class Preview(BuiltIn):
    """Least cost over what is foreseen and what is to be expected behind it.

    Parameters
    ----------
    horizon
        How far is foreseen, s; 0 is the present step only.
    step
        Length of an interval, s.
    maps
        What it knows; from :func:`hybridopt.make_preview_maps`. Without, it cannot drive.
    factor
        Fuel energy a joule from the store is taken to be worth; None is that of the training.
    proportional
        Rise of the factor per missing SoC.
    motion_charge
        State of charge that the vehicle's motion at 100 km/h counts as, 0 to 1.
    destination
        Whether the time to the end of the drive is known: charge is then brought back by the end.
    predict
        What foresees.

    Raises
    ------
    InputError
        Horizon or step are out of range.
    """

    kind: ClassVar[int] = PREVIEW
    title: ClassVar[str] = "preview"

    horizon: float = 10.0
    step: float = 1.0
    maps: PreviewMaps | None = None
    factor: float | None = None
    proportional: float = 1.0
    motion_charge: float = 0.06
    destination: bool = False
    predict: Predict = exact

    def __post_init__(self) -> None:
        """Check horizon and step."""
        super().__post_init__()
        if not 0.0 < self.step <= LONGEST:
            raise InputError(f"preview: step is {self.step:g} s; allowed is above 0 to {LONGEST:g}")
        longest = min(LONGEST, MOST_INTERVALS * self.step)
        if not 0.0 <= self.horizon <= longest:
            raise InputError(
                f"preview: horizon is {self.horizon:g} s; allowed is 0 to {longest:g}, that is "
                f"{MOST_INTERVALS} intervals"
            )

    @property
    def intervals(self) -> int:
        """How many intervals are foreseen."""
        return round(self.horizon / self.step)

    def pack(self, driveline: Driveline, settings: Settings) -> PackedController:
        """Flatten for the kernels; minimum times are the longer of its own and the settings'."""
        obeying = dataclasses.replace(
            self,
            min_on=max(self.min_on, settings.min_on_time),
            min_off=max(self.min_off, settings.min_off_time),
            min_gear=max(self.min_gear, settings.min_gear_time),
        )
        return super(Preview, obeying).pack(driveline, settings)

    def ahead(
        self, driveline: Driveline, settings: Settings, demand: Demand
    ) -> kernels.PackedPreview:
        """Return what is known and foreseen in a drive, for the kernels.

        Raises
        ------
        InputError
            There are no maps, they are for another number of gears, or what foresees gives
            something else than speeds and grades.
        """
        maps, gears = self.known(), driveline.gearbox.gears
        if maps.ratio.size != gears:
            raise InputError(
                f"controller preview: its maps are for {maps.ratio.size} gears, the driveline "
                f"{driveline.name} has {gears}; make them for this driveline"
            )
        foreseen = foresee(maps.vehicle, demand, self.step, self.intervals, self.predict)
        ends = demand.time + demand.dt
        remaining = ends[-1] - ends if self.destination else np.full(demand.steps, np.inf)
        return kernels.make_preview(_knowing(maps, settings), foreseen, remaining, self.step)

    def known(self) -> PreviewMaps:
        """Return the maps.

        Raises
        ------
        InputError
            There are none.
        """
        if self.maps is None:
            raise InputError(
                "controller preview: it has no maps; make them from training cycles with "
                "make_preview_maps and give them as `maps`"
            )
        return self.maps

    def _own(self, driveline: Driveline, settings: Settings) -> tuple[list[float], np.ndarray]:
        maps, heat = self.known(), driveline.fuel.heating_value
        factor = maps.factor if self.factor is None else self.factor / heat
        factors = maps.running_cost.axes[2]
        motion = self.motion_charge / MOTION_SPEED**2
        limits = float(factors[0]), float(factors[-1])
        return [factor, self.proportional / heat, 0.0, *limits, motion, 1.0 / heat], np.zeros(1)


def _knowing(maps: PreviewMaps, settings: Settings) -> kernels.PreviewVehicle:
    """Return what the controller knows of the vehicle and its inhibitors."""
    begins, values = maps.packed()
    gears = maps.ratio.size
    return kernels.PreviewVehicle(
        maps.ratio,
        maps.efficiency,
        maps.gear_drag,
        maps.shift_fuel + CLOSED * skipping_shifts(gears, settings.skip_shifts),
        settings.shift_cost * (1.0 - np.eye(gears)),
        _with_settings(maps.constants, settings),
        begins,
        values,
    )


def _with_settings(constants: np.ndarray, settings: Settings) -> np.ndarray:
    """Return the vehicle's constants with those that settings give."""
    known = constants.copy()
    fastest = settings.stop_speed_max
    known[kernels.STOP_SPEED] = np.inf if fastest is None else fastest
    known[kernels.BRAKE_SHIFT] = settings.brake_shift_speed
    known[kernels.START_EXTRA] = settings.start_cost
    return known
