"""The predictive controller with what its settings charge and forbid, and where it comes from."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar

import numpy as np

from ..controllers import preview_kernels as kernels
from ..controllers.maps import Map
from ..controllers.preview import Preview, PreviewMaps
from ..inputs.driveline import Driveline, Vehicle
from ..physics.plant import engine_limit, pack
from ..problem.settings import Settings
from .form import Form
from .preview_form import DRIVELINE, LAYOUT, PARAMETERS, PREVIEW, ROAD_LOAD
from .rule_set import Coverage, Origin

LIMITS = ("motor_limit", "engine_limit")
ANY_SPEED = 1e4  # m/s, above every speed


@dataclass(frozen=True, kw_only=True)
class EventTerms:
    """What settings charge and forbid, SI.

    Attributes
    ----------
    soc_low : bottom of the SoC window
    stop_speed, stop_soc : the engine is not stopped above this speed, nor below this SoC
    brake_shift_speed : no shift is made while braking below this speed
    start_charge, shift_charge : g, for each
    skip_up, skip_down : whether shifts may leave gears out in motion, 1 or 0
    """

    soc_low: float
    stop_speed: float
    stop_soc: float
    brake_shift_speed: float
    start_charge: float
    shift_charge: float
    skip_up: float
    skip_down: float


@dataclass(frozen=True, eq=False)
class PreviewSet:
    """The predictive controller and all that goes with it into a file.

    Attributes
    ----------
    preview : the controller, with its maps; every parameter is given
    terms : what the settings of its making charge and forbid; in a closed loop those of the loop
        count
    limits : N m, of motor and engine over speed, which a closed loop knows better
    heating_value : J/g, of the fuel
    origin : where it comes from
    """

    form: ClassVar[Form] = PREVIEW
    coverage: ClassVar[Mapping[str, Coverage]] = {}

    preview: Preview
    terms: EventTerms
    limits: Mapping[str, Map]
    heating_value: float
    origin: Origin

    @classmethod
    def made(
        cls,
        origin: Origin,
        constants: Mapping[str, np.ndarray],
        maps: Mapping[str, Map],
        coverage: Mapping[str, Coverage] | None = None,
    ) -> "PreviewSet":
        """Return the set of an origin, constants and tables; there is no coverage."""
        one = {name: float(values[0]) for name, values in constants.items()}
        known = np.zeros(kernels.CONSTANTS)
        for name, (place, *_) in DRIVELINE.items():
            known[place] = one[name]
        known[kernels.RADIUS] = one["wheel_radius"]
        expected = maps["expected"]
        shape, limits = expected.values.shape[:2], {name: maps[name] for name in LIMITS}
        given: dict[str, Any] = {name: maps[name] for name in PreviewMaps.LAYOUT}
        given["expected"] = _flat(expected.axes[:2], expected.values.reshape(*shape, -1))
        found = PreviewMaps(
            factor=one["usual_factor"],
            **given,
            shift_fuel=maps["shift_fuel"].values,
            ratio=constants["ratios"],
            efficiency=constants["efficiencies"],
            gear_drag=constants["drag_torques"],
            constants=known,
            vehicle=_road_load(one),
            training=tuple(origin.cycles),
        )
        parameters: dict[str, Any] = {name: one[name] for name in PARAMETERS}
        parameters["destination"] = one["destination"] > 0.5
        terms = EventTerms(**{f.name: one[f.name] for f in fields(EventTerms)})
        return cls(Preview(maps=found, **parameters), terms, limits, one["heating_value"], origin)

    @property
    def known(self) -> PreviewMaps:
        """The maps of the controller."""
        return self.preview.known()

    @property
    def controller(self) -> Preview:
        """What drives."""
        return self.preview

    @property
    def gears(self) -> int:
        """How many gears it is for."""
        return int(self.known.ratio.size)

    @property
    def maps(self) -> dict[str, Map]:
        """The tables by name, in the order of the layout."""
        known = self.known
        gears = 1.0 + np.arange(self.gears)
        expected = known.expected
        states = expected.values.reshape(*expected.values.shape[:2], 2, self.gears)
        unusual = {
            **self.limits,
            "expected": Map((*expected.axes[:2], np.arange(2.0), gears), states),
            "shift_fuel": Map((np.arange(3.0), gears, gears), known.shift_fuel),
        }
        return {name: unusual.get(name) or getattr(known, name) for name in LAYOUT}

    @property
    def constants(self) -> dict[str, np.ndarray]:
        """The values beside the tables by name, SI, one or one per gear."""
        known = self.known
        found: dict[str, Any] = {name: getattr(self.preview, name) for name in PARAMETERS}
        found |= vars(self.terms)
        found |= {name: getattr(known.vehicle, name) for name in ROAD_LOAD}
        found |= {name: known.constants[place] for name, (place, *_) in DRIVELINE.items()}
        found |= {"usual_factor": known.factor, "heating_value": self.heating_value}
        found |= {"ratios": known.ratio, "efficiencies": known.efficiency}
        found |= {"drag_torques": known.gear_drag}
        return {name: np.atleast_1d(np.asarray(x, dtype=float)) for name, x in found.items()}


def make_preview_set(
    preview: Preview, driveline: Driveline, settings: Settings, origin: Origin
) -> PreviewSet:
    """Return a predictive controller as it is handed on.

    Parameters
    ----------
    preview
        The controller, with its maps.
    driveline
        The vehicle that the maps are for.
    settings
        Resolved; what they charge and forbid is kept, and parameters that the controller leaves to
        them are taken from them.
    origin
        Where the maps come from.

    Raises
    ------
    InputError
        It has no maps.
    """
    known, heat = preview.known(), driveline.fuel.heating_value
    low, _, start, _ = settings.socs
    skips = settings.skip_shifts
    terms = EventTerms(
        soc_low=low,
        stop_speed=ANY_SPEED if settings.stop_speed_max is None else settings.stop_speed_max,
        stop_soc=settings.stop_soc_min,
        brake_shift_speed=settings.brake_shift_speed,
        start_charge=settings.start_cost,
        shift_charge=settings.shift_cost,
        skip_up=float(skips in ("both", "up")),
        skip_down=float(skips in ("both", "down")),
    )
    whole = dataclasses.replace(
        preview,
        maps=dataclasses.replace(
            known, vehicle=_road_load(vars(known.vehicle)), training=tuple(origin.cycles)
        ),
        factor=known.factor * heat if preview.factor is None else preview.factor,
        soc_reference=start if preview.soc_reference is None else preview.soc_reference,
        min_on=max(preview.min_on, settings.min_on_time),
        min_off=max(preview.min_off, settings.min_off_time),
        min_gear=max(preview.min_gear, settings.min_gear_time),
    )
    plant = pack(driveline)
    speed, torque = engine_limit(plant)
    limits = {
        "motor_limit": Map((plant.peak_speed,), plant.peak),
        "engine_limit": Map((speed,), torque),
    }
    return PreviewSet(whole, terms, limits, heat, origin)


def _flat(axes: tuple[np.ndarray, ...], values: np.ndarray) -> Map:
    """Return a map whose last axis counts decisions."""
    return Map((*axes, np.arange(float(values.shape[-1]))), values)


def _road_load(known: Mapping[str, Any]) -> Vehicle:
    """Return a vehicle of which only the road load is given."""
    return Vehicle(**{name: known[name] for name in ROAD_LOAD})
