"""Maps of the predictive controller, from the physics of the driveline and training optima."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..controllers import preview_kernels as kernels
from ..controllers.maps import Map
from ..controllers.preview import PreviewMaps
from ..inputs.driveline import Driveline
from ..optimum.optimum import Optimum
from ..physics.battery import inner_power, pack_battery, store_power
from ..physics.codes import EngineClass
from ..physics.demand import Demand, mean_demand
from ..physics.gearbox import wheel_torque
from ..physics.interpolation import map_row
from ..physics.operating_points import OperatingPoints, chosen_points
from ..physics.plant import Plant, pack
from ..physics.rotors import rotor_fuel, rotor_inertia
from .expected_cost import make_expected_cost
from .held_price import held_price

TRAINING = ("wltc_class3b", "artemis_urban", "artemis_rural", "artemis_motorway130")
"""Shipped cycles that maps are made from where no others are given."""
NEVER = 1e12  # W, stands for what is impossible
LIMITS = 400  # torques in which a limit is looked for
SLOWEST = 0.1  # rad/s, the lowest speed at which the motor is looked at
NOTHING = -1e6  # N m, a limit below which no torque lies


@dataclass(frozen=True, kw_only=True)
class MapSizes:
    """Breakpoints of the maps.

    Attributes
    ----------
    speeds, torques : at the gearbox input, with the engine on
    factors : equivalence factors over that of the training
    start_factors : the same for what a start costs
    expected_speeds : of the vehicle, for the expected cost-to-go
    """

    speeds: int = 24
    torques: int = 40
    factors: tuple[float, ...] = (0.6, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.25, 1.6, 3.0)
    start_factors: tuple[float, ...] = (0.6, 1.0, 1.6)
    expected_speeds: int = 25


def make_preview_maps(optima: Sequence[Optimum], sizes: MapSizes | None = None) -> PreviewMaps:
    """Make what the predictive controller knows.

    Parameters
    ----------
    optima
        Training cycles, solved with their bound, of one driveline; without one where the oil
        temperature is a state. The maps are then those of the mean temperature of the training.
    sizes
        Breakpoints of the maps.

    Returns
    -------
    PreviewMaps
        Costs of intervals from the driveline alone; what is expected behind them, and what stored
        energy is worth, from the training.

    Raises
    ------
    InputError
        There is no optimum, or one has no bound.
    """
    sizes = sizes or MapSizes()
    if not optima or not all(known.bound or known.settings.warms for known in optima):
        raise InputError("maps of preview: give one or more optima, each with its bound")
    factor = held_price(optima)
    driveline, soc = _as_trained(optima), optima[0].settings.socs[2]
    listed = _Listed(driveline, soc)
    plant = pack(driveline)
    one = mean_demand(driveline.vehicle, np.ones(1))
    per_square = driveline.vehicle.wheel_radius**2
    return PreviewMaps(
        factor=factor,
        **_machines(listed, plant),
        **_running_maps(listed, plant, sizes, factor),
        expected=_expected(optima, factor, sizes.expected_speeds),
        shift_fuel=rotor_fuel(driveline, one)[0] * per_square,
        ratio=plant.ratio,
        efficiency=plant.efficiency,
        gear_drag=plant.gear_drag,
        constants=_constants(driveline, listed),
        vehicle=driveline.vehicle,
        training=tuple(known.cycle.name for known in optima),
    )


def _as_trained(optima: Sequence[Optimum]) -> Driveline:
    """Return the driveline as its oil was in the training, in the mean, where that is a state."""
    driveline = optima[0].driveline
    if not optima[0].settings.warms:
        return driveline
    dt = np.concatenate([known.demand.dt for known in optima])

    def mean(name: str) -> float:
        values = np.concatenate([getattr(known.demand, name) for known in optima])
        return float(np.average(values, weights=dt))

    engine, box, load = driveline.engine, driveline.gearbox, driveline.auxiliary
    drag = mean("drag_factor")
    return dataclasses.replace(
        driveline,
        engine=dataclasses.replace(
            engine,
            fuel_map=engine.fuel_map * mean("fuel_factor"),
            overrun=engine.overrun * mean("friction_factor"),
        ),
        gearbox=dataclasses.replace(box, drag_torques=tuple(drag * x for x in box.drag_torques)),
        auxiliary=dataclasses.replace(load, power=load.power + mean("heater_power")),
    )


def _expected(optima: Sequence[Optimum], factor: float, speeds: int) -> Map:
    """Return what is expected after an interval, less the lowest of each speed and acceleration."""
    expected = make_expected_cost(optima, np.array([factor]), speeds)
    values = expected.values[0] - expected.values[0].min(axis=(1, 2), keepdims=True)
    decisions = np.arange(values[0].size, dtype=float)
    axes = expected.speeds, expected.accelerations, decisions
    return Map(axes, values.reshape([axis.size for axis in axes]))


class _Listed:
    """Operating points at speeds and torques of the gearbox input, by the physics of a step.

    Braking is taken as it stands: what recuperation may keep of it is the controller's to say.
    """

    def __init__(self, driveline: Driveline, soc: float) -> None:
        vehicle = dataclasses.replace(
            driveline.vehicle, recuperation_share=1.0, driven_axles="", grip_limits=False
        )
        clutches = dataclasses.replace(driveline.clutches, fade_speed_low=0.0, fade_speed_high=0.0)
        gearbox = dataclasses.replace(driveline.gearbox, recuperation_torques=())
        parts: dict[str, Any] = {"vehicle": vehicle, "clutches": clutches, "gearbox": gearbox}
        self.driveline = dataclasses.replace(driveline, **parts)
        self.plant, self.cell, self.soc = pack(self.driveline), pack_battery(driveline.battery), soc
        self.gear = driveline.gearbox.gears // 2
        self.dt = max(1.0, driveline.start.span)

    def points(
        self, speeds: np.ndarray, torques: np.ndarray, engine: int, splits: int
    ) -> OperatingPoints:
        """List points at every speed (rad/s) and torque (N m), those of the first speed first."""
        speed, torque = (x.ravel() for x in np.meshgrid(speeds, torques, indexing="ij"))
        plant, gear = self.plant, self.gear
        level = mean_demand(
            self.driveline.vehicle, speed / plant.ratio[gear] * self.driveline.vehicle.wheel_radius
        )
        demand = dataclasses.replace(
            level, dt=np.full(speed.size, self.dt), wheel_torque=wheel_torque(plant, gear, torque)
        )
        return self._chosen(demand, engine, splits)

    def _chosen(self, demand: Demand, engine: int, splits: int) -> OperatingPoints:
        gears, classes = (np.full(demand.steps, x) for x in (self.gear, engine))
        return chosen_points(self.driveline, demand, splits, gears, classes)

    def rest_power(self) -> float:
        """Return the power out of the store at rest with the engine off, W."""
        points = self._chosen(mean_demand(self.driveline.vehicle, np.zeros(1)), EngineClass.OFF, 3)
        power = self.stored(points.power[0, 0, 0])
        return float(np.min(np.where(np.isfinite(points.cost[0, 0, 0]), power, NEVER)))

    def stored(self, power: np.ndarray) -> np.ndarray:
        """Return the power out of the store for one at the terminals, W; NaN beyond its limits."""
        return store_power(self.cell, self.soc, power)


def _machines(listed: _Listed, plant: Plant) -> dict[str, Map]:
    """Return power out of the store over the motor's torque, and what engine and motor take.

    Where the battery takes no more, recuperation gives no more.
    """
    speeds = _refined(plant.loss_speed, SLOWEST, plant.motor_max_speed)
    torques = plant.loss_torque
    power = np.empty((speeds.size, torques.size))
    for i, speed in enumerate(speeds):
        peak = np.interp(speed, plant.peak_speed, plant.peak)
        given = np.maximum(torques, -peak)
        loss = np.interp(given, torques, map_row(plant.loss_speed, plant.loss, float(speed)))
        power[i] = np.maximum(given * speed + loss + plant.auxiliary, plant.power_min)
    stored = inner_power(listed.cell, listed.soc, power)
    return {
        "motor_power": Map((speeds, torques), stored),
        "fuel": Map((plant.fuel_speed, plant.fuel_torque), plant.fuel[: plant.fuel_speed.size]),
        "overrun": Map((plant.overrun_speed,), plant.overrun),
        "drag": Map((plant.drag_speed,), plant.drag),
        "off_limit": Map((speeds,), _limit(listed, speeds, torques, EngineClass.OFF, LIMITS)),
    }


def _running_maps(listed: _Listed, plant: Plant, sizes: MapSizes, factor: float) -> dict[str, Map]:
    """Return cost, best split and limit with the engine on, and the cost of a start."""
    top = min(plant.engine_max_speed, plant.motor_max_speed)
    motor, engine = float(plant.peak.max()), float(plant.full.max())
    speeds = np.linspace(plant.idle_speed, top, sizes.speeds)
    torques = np.linspace(-1.0 * motor, engine + motor, sizes.torques)
    torques[np.argmin(np.abs(torques))] = 0.0
    factors, start_factors = (factor * np.array(x) for x in (sizes.factors, sizes.start_factors))
    running = _best_splits(listed, speeds, torques, EngineClass.RUNNING, factors)
    starting = _best_splits(listed, speeds, torques, EngineClass.STARTING, start_factors)
    with np.errstate(invalid="ignore"):
        start = starting - _best_splits(listed, speeds, torques, EngineClass.RUNNING, start_factors)
    start[np.isnan(start)] = np.inf
    return {
        "running_cost": Map((speeds, torques, factors), _extended(running, torques) / listed.dt),
        "start_cost": Map((speeds, torques, start_factors), _extended(start, torques)),
        "running_limit": Map(
            (speeds,), _limit(listed, speeds, torques, EngineClass.RUNNING, LIMITS)
        ),
        "start_limit": Map(
            (speeds,), _limit(listed, speeds, torques, EngineClass.STARTING, LIMITS)
        ),
    }


def _best_splits(
    listed: _Listed, speeds: np.ndarray, torques: np.ndarray, engine: int, factors: np.ndarray
) -> np.ndarray:
    """Return the least cost of a step, g, (speeds, torques, factors)."""
    points = listed.points(speeds, torques, engine, 241)
    cost, power = points.cost[:, 0, 0], listed.stored(points.power[:, 0, 0])
    cost = np.where(np.isnan(power), np.inf, cost)
    total = cost[:, None] + factors[:, None] * np.nan_to_num(power)[:, None] * listed.dt
    return np.asarray(total.min(axis=2).reshape(speeds.size, torques.size, factors.size))


def _refined(axis: np.ndarray, low: float, high: float) -> np.ndarray:
    """Return the breakpoints of an axis within two ends, which are among them."""
    inside = axis[(axis > low + 1e-6) & (axis < high - 1e-6)]
    return np.unique(np.concatenate(([low], inside, [high])))


def _limit(
    listed: _Listed, speeds: np.ndarray, torques: np.ndarray, engine: int, size: int
) -> np.ndarray:
    """Return the highest torque that can be given at each speed, N m, (speeds,)."""
    tried = np.linspace(torques[0], torques[-1], size)
    points = listed.points(speeds, tried, engine, 3)
    with np.errstate(invalid="ignore"):
        able = np.isfinite(points.cost) & np.isfinite(listed.stored(points.power))
    able = able.any(axis=(1, 2, 3)).reshape(speeds.size, size)
    return np.asarray(np.where(able, tried, NOTHING).max(axis=1))


def _extended(values: np.ndarray, torques: np.ndarray) -> np.ndarray:
    """Continue values over torque (second axis) straight on where they are infinite.

    Lookups between the last torque that can be given and the next are then right up to the limit.
    """
    out = values.copy()
    for row in out:
        (known,) = np.nonzero(np.isfinite(row).all(axis=1))
        if known.size == 0:
            row[:] = 0.0
            continue
        first, last = known[0], known[-1]
        before = known[-2] if known.size > 1 else last
        slope = (row[last] - row[before]) / max(torques[last] - torques[before], 1e-9)
        for i in range(torques.size):
            if i < first:
                row[i] = row[first]
            elif i > last:
                row[i] = row[last] + slope * (torques[i] - torques[last])
            elif not np.isfinite(row[i]).all():
                row[i] = row[known[known > i][0]]
    return out


def _constants(driveline: Driveline, listed: _Listed) -> np.ndarray:
    """Return the vehicle's constants in the order of the kernels; those of settings are 0."""
    plant, inertia = pack(driveline), rotor_inertia(driveline)
    coast = float(listed.stored(np.array(plant.auxiliary + plant.pump_power)))
    idle = float(listed.stored(np.array(plant.auxiliary)))
    off_highest = plant.motor_max_speed
    if plant.separating == 0.0:
        off_highest = min(off_highest, plant.engine_max_speed)
    known = {
        kernels.RADIUS: driveline.vehicle.wheel_radius,
        kernels.IDLE: plant.idle_speed,
        kernels.HIGHEST: min(plant.engine_max_speed, plant.motor_max_speed),
        kernels.MOTOR_HIGHEST: off_highest,
        kernels.LAUNCH_SPEED: plant.launch_speed,
        kernels.LAUNCH_CAPACITY: plant.launch_capacity,
        kernels.LAUNCH_GEARS: plant.launch_gears,
        kernels.PUMP_SPEED: plant.pump_speed,
        kernels.RECUPERATED: plant.share,
        kernels.FADE_LOW: plant.fade_low,
        kernels.FADE_HIGH: plant.fade_high,
        kernels.INERTIA_OFF: inertia[EngineClass.OFF],
        kernels.INERTIA_ON: inertia[EngineClass.RUNNING],
        kernels.REST_POWER: listed.rest_power(),
        kernels.COAST_POWER: coast if plant.coast > 0.0 else NEVER,
        kernels.PUMP_POWER: float(coast - idle),
        kernels.IDLE_POWER: idle,
        kernels.START_DURATION: plant.start_duration,
    }
    out = np.zeros(kernels.CONSTANTS)
    out[list(known)] = list(known.values())
    return out
