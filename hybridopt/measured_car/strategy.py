"""A car's strategy as rule tables: thresholds, split and shift lines estimated from its logs."""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..base.intervals import intervals
from ..base.progress import Progress, silent
from ..controllers.maps import Map
from ..distillation.coverage import VISITED
from ..distillation.shaping import Shaper
from ..distillation.split import electric_limit
from ..foresight.nodes import nodes
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.plant import Plant, pack
from ..tables.cell_relations import vehicle_range
from ..tables.rule_set import Coverage, Origin, RuleSet, gearbox_facts
from ..tables.rule_table import RuleTable
from ..tables.shape import NO_LIMITS
from .boundaries import Boundary, fit_boundary, fit_surface, grid_weights, nearest_known
from .observed import Observed, observe
from .shift_lines import fit_lines

SPEEDS, INPUTS, TORQUES, WHEEL_TORQUES = 12, 8, 12, 10  # most nodes of each axis
SOC_ROOM = 0.05  # of SoC, that a log must span before thresholds depend on it
LONGEST = 5.0  # s, the longest minimum time that is told from dwell times
SPLIT_STIFFNESS = 0.05
LIMITS = dataclasses.replace(NO_LIMITS, in_range=True, ordered=True)
"""What the tables keep: speeds, powers and torques that the vehicle has. The rest is the car's."""


@dataclass(frozen=True, eq=False)
class CarStrategy:
    """A car's own strategy as rule tables.

    Attributes
    ----------
    rules : the tables; their coverage says how long the logs were at each entry, and which entries
        no data reached, so that they follow from neighbours or the model
    scatter : by table, how far decisions scatter around it, SI: W, N m or m/s
    agreement : share of the steps in which the tables, in the car's own state, decide as the car
        did, by "engine" and "gear"
    notes : what was assumed, one sentence each
    """

    rules: RuleSet
    scatter: Mapping[str, float]
    agreement: Mapping[str, float]
    notes: tuple[str, ...]


def strategy(
    recordings: Sequence[Recording],
    driveline: Driveline,
    title: str = "",
    progress: Progress = silent,
) -> CarStrategy:
    """Estimate a car's rules from its logs, in the form of rule tables.

    Parameters
    ----------
    recordings
        One log or more.
    driveline
        The model of the car.
    title
        Name of the tables, for people.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    CarStrategy

    Raises
    ------
    InputError
        There is no log, no channel tells whether the engine was on, or the engine never starts or
        never stops.
    """
    if not recordings:
        raise InputError("strategy: give one log or more")
    plant, notes = pack(driveline), list[str]()
    seen = Observed.joined([observe(one, driveline, plant, notes) for one in recordings])
    if not (seen.on & ~seen.on_before).any() or not (~seen.on & seen.on_before).any():
        raise InputError(
            "strategy: the engine never starts or never stops in the logs, so there is no "
            "threshold to tell; give a log with starts and stops, or look at the channel of engine "
            "speed (where there is none, of fuel or engine torque)"
        )
    progress(0.2)
    socs = _soc_axis(seen.soc, notes)
    times = {
        "min_on": _shortest(seen.on, seen.dt, True),
        "min_off": _shortest(seen.on, seen.dt, False),
        "min_gear": _shortest_gear(seen),
    }
    start, stop = _thresholds(seen, socs, times)
    progress(0.5)
    split = _split(seen, socs, plant)
    progress(0.7)
    torques = nodes(seen.wheel_torque, seen.dt, WHEEL_TORQUES, (0.0,))
    lines = fit_lines(seen, torques, plant.ratio, times["min_gear"])
    progress(0.95)
    inputs = split.axes[0]
    constants: dict[str, Any] = {**times, **lines.lands}
    table = RuleTable(
        **constants,
        engine_start=Map(start.axes, start.values),
        engine_stop=Map(start.axes, np.minimum(stop.values, start.values)),
        electric_limit=Map((inputs,), _limit(seen, driveline, inputs)),
        motor_torque=Map(split.axes, np.clip(split.values, -plant.peak.max(), plant.peak.max())),
        shift_up=lines.up,
        shift_down=lines.down,
    )
    table = _in_range(table, driveline)
    coverage = {
        "engine_start": start.coverage,
        "engine_stop": stop.coverage,
        "motor_torque": split.coverage,
        **lines.coverage,
    }
    name = title or f"{driveline.name} strategy of {', '.join(one.name for one in recordings)}"
    cycles = tuple(dict.fromkeys(one.name for one in recordings))
    version = metadata.version("hybridopt")
    origin = Origin(name[:200], driveline.name, cycles, "", version, shape=LIMITS)
    scatter = {
        "engine_start": start.boundary.spread,
        "engine_stop": stop.boundary.spread,
        "motor_torque": split.boundary.spread,
        "shift_up": lines.spread_up,
        "shift_down": lines.spread_down,
    }
    agreement = {"engine": _engine_agreement(seen, start, stop, times), "gear": lines.agreement}
    notes.append("the electric limit is what motor and battery of the model can give")
    progress(1.0)
    rules = RuleSet(table, gearbox_facts(driveline), origin, coverage)
    return CarStrategy(rules, scatter, agreement, tuple(dict.fromkeys(notes)))


def _in_range(table: RuleTable, driveline: Driveline) -> RuleTable:
    """Return tables whose values the vehicle can have, lines of higher gears at higher speeds."""
    names = [one.name for one in dataclasses.fields(table)]
    maps = {name: one for name in names if isinstance(one := getattr(table, name), Map)}
    axes = {name: one.axes for name, one in maps.items()}
    shaper = Shaper(axes, LIMITS, vehicle_range(driveline))
    kept = shaper.within({name: one.values for name, one in maps.items()})
    changed: dict[str, Any] = {name: Map(axes[name], kept[name]) for name in maps}
    return dataclasses.replace(table, **changed)


@dataclass(frozen=True, eq=False)
class FittedTable:
    """A fitted table with its axes and how the logs used its entries."""

    axes: tuple[np.ndarray, ...]
    boundary: Boundary
    coverage: Coverage

    @property
    def values(self) -> np.ndarray:
        """The fit's where the logs reach, elsewhere that of the nearest entry that they reach."""
        return nearest_known(self.boundary.values, ~self.coverage.filled)


def _soc_axis(soc: np.ndarray, notes: list[str]) -> np.ndarray:
    low, high = float(soc.min()), float(soc.max())
    if high - low < SOC_ROOM:
        notes.append("the logs span too little SoC for rules that depend on it")
        middle = 0.5 * (low + high)
        return np.array([max(middle - SOC_ROOM, 0.0), min(middle + SOC_ROOM, 1.0)])
    return np.linspace(low, high, 3)


def _shortest(on: np.ndarray, dt: np.ndarray, state: bool) -> float:
    """Return the shortest whole time in an engine state, s, up to `LONGEST`."""
    phases = [(a, b) for a, b in intervals(on == state) if a > 0 and b < on.size]
    return min([float(dt[a:b].sum()) for a, b in phases] + [LONGEST])


def _shortest_gear(seen: Observed) -> float:
    shifts = np.flatnonzero((seen.gear != seen.gear_before) & (seen.gear_time < 1e6))
    moving = shifts[seen.speed[shifts] > 0.0]
    return min([float(seen.gear_time[t]) for t in moving] + [LONGEST])


def _thresholds(
    seen: Observed, socs: np.ndarray, times: Mapping[str, float]
) -> tuple[FittedTable, FittedTable]:
    """Return the tables of power at which the engine starts and stops."""
    speeds = nodes(seen.speed, seen.dt, SPEEDS, (0.0,))
    spread = float(np.ptp(seen.soc)) >= SOC_ROOM
    found = []
    for before, least in ((False, times["min_off"]), (True, times["min_on"])):
        use = (seen.on_before == before) & (seen.engine_time >= least - 1e-6)
        places = [seen.speed[use], seen.soc[use]]
        axes = (speeds, socs)
        boundary = fit_boundary(seen.power[use], seen.on[use], places, axes, (False, not spread))
        found.append(FittedTable(axes, boundary, _coverage(places, axes, seen.dt[use])))
    return found[0], found[1]


def _split(seen: Observed, socs: np.ndarray, plant: Plant) -> FittedTable:
    """Return the table of motor torque while the engine runs."""
    use = seen.on & ~seen.starting & np.isfinite(seen.motor_torque) & (seen.speed > 0.0)
    top = min(plant.engine_max_speed, plant.motor_max_speed)
    low, high = plant.idle_speed, max(float(seen.inputs[use].max()), 1.5 * plant.idle_speed)
    axes = (
        np.append(np.linspace(low, high, INPUTS - 1), max(top, 1.01 * high)),
        nodes(seen.wanted[use], seen.dt[use], TORQUES, (0.0,)),
        socs,
    )
    places = [seen.inputs[use], seen.wanted[use], seen.soc[use]]
    spread = float(np.ptp(seen.soc)) >= SOC_ROOM
    surface = fit_surface(
        seen.motor_torque[use], places, axes, (True, False, not spread), SPLIT_STIFFNESS
    )
    return FittedTable(axes, surface, _coverage(places, axes, seen.dt[use]))


def _coverage(places: Sequence[np.ndarray], axes: Sequence[np.ndarray], dt: np.ndarray) -> Coverage:
    visits = (dt @ grid_weights(places, axes)).reshape([axis.size for axis in axes])
    return Coverage(visits, np.zeros(visits.shape), visits < VISITED)


def _limit(seen: Observed, driveline: Driveline, inputs: np.ndarray) -> np.ndarray:
    """Return the electric limit of the model, raised to what was driven."""
    limit = electric_limit(driveline, inputs)
    return np.asarray(np.maximum(limit, 0.0))


def _engine_agreement(
    seen: Observed, start: FittedTable, stop: FittedTable, times: Mapping[str, float]
) -> float:
    """Return the share of steps in which the thresholds decide as the car did."""
    weights = grid_weights([seen.speed, seen.soc], start.axes)
    on = np.where(
        seen.on_before,
        (seen.power >= weights @ stop.boundary.values.ravel())
        | (seen.engine_time < times["min_on"] - 1e-6),
        (seen.power >= weights @ start.boundary.values.ravel())
        & (seen.engine_time >= times["min_off"] - 1e-6),
    )
    return float(np.mean(on == seen.on))
