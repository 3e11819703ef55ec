"""Choices at several oil temperatures: those of a grid, and what bears on all of them."""

from typing import NamedTuple

import numpy as np

from ..base.errors import InputError
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.demand import Demand, drive_demand
from ..physics.operating_points import OperatingPoints, demand_rows, split_room
from ..physics.step_costs import StepCosts
from ..physics.warm_up import Warming, demand_at, make_warming, set_oil, without_oil
from .choices import PointsOnDemand
from .settings import Settings


class OilLists(NamedTuple):
    """Lists of some steps at all nodes, as kernels take them.

    Attributes
    ----------
    cost, power : g and W, all lists in one row, (points,)
    first, length : int64, where each list begins and its length, (nodes, steps, gears, classes)
    longest : length of the longest list
    rows : what is asked of the steps at each node, (nodes, steps, R_SIZE)
    oil : temperatures of the nodes, degC, (nodes,)
    """

    cost: np.ndarray
    power: np.ndarray
    first: np.ndarray
    length: np.ndarray
    longest: int
    rows: np.ndarray
    oil: np.ndarray


class OilNodes:
    """Choices of every step at each of some oil temperatures.

    As :class:`hybridopt.problem.choices.Choices` it says what holds for all of them together.

    Parameters
    ----------
    driveline, demand, splits
        As for :func:`hybridopt.physics.operating_points.list_operating_points`.
    warming
        How the driveline warms up.
    oil
        Temperatures, degC, increasing, (nodes,).
    start
        Oil temperature at the start, degC.
    """

    def __init__(
        self,
        driveline: Driveline,
        demand: Demand,
        splits: int,
        warming: Warming,
        oil: np.ndarray,
        start: float,
    ) -> None:
        self.driveline, self.demand, self.warming = driveline, demand, warming
        self.oil, self.start = oil, start
        rows = demand_rows(demand)
        self.rows = np.stack([set_oil(warming, np.full(demand.steps, x), rows) for x in oil])
        self.each = [
            PointsOnDemand(driveline, demand_at(demand, there), splits) for there in self.rows
        ]
        self.dt, self.steps, self.gears = self.each[0].dt, demand.steps, driveline.gearbox.gears
        self.splits, self.aim = split_room(driveline, splits), splits

    def lists(self, first: int, last: int) -> OilLists:
        """Return the lists of the steps first to last - 1, which are kept no longer."""
        parts = [points.take(first, last).compact() for points in self.each]
        begins = np.cumsum([0, *(part.cost.size for part in parts[:-1])])
        return OilLists(
            np.concatenate([part.cost for part in parts]),
            np.concatenate([part.power for part in parts]),
            np.stack([part.first + begin for part, begin in zip(parts, begins, strict=True)]),
            np.stack([part.length for part in parts]),
            max(part.longest for part in parts),
            np.ascontiguousarray(self.rows[:, first:last]),
            self.oil,
        )

    def part(self, first: int, last: int) -> OperatingPoints:
        """Return the steps first to last - 1 at the highest temperature."""
        return self.each[-1].part(first, last)

    def torques(self, split: np.ndarray, *chosen: np.ndarray) -> np.ndarray:
        """Return the motor torque of every step at the highest temperature, N m, (steps,)."""
        return self.each[-1].torques(split, *chosen)

    def costs(self, first: int, last: int) -> StepCosts:
        """Return cost and power of the steps first to last - 1 at the highest temperature."""
        return self.each[-1].costs(first, last)

    def make_room(self, room: float) -> None:
        """Allow so many bytes for what would otherwise be worked out again and again."""
        for points in self.each:
            points.make_room(room / len(self.each))

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest battery power of every step at any node, W, (steps,) each."""
        lowest, highest = zip(*(points.power_ranges() for points in self.each), strict=True)
        return np.min(lowest, axis=0), np.max(highest, axis=0)


def list_oil_nodes(cycle: Cycle, driveline: Driveline, settings: Settings) -> OilNodes:
    """Return the choices of a cycle at the nodes that settings with an ambient temperature name.

    Raises
    ------
    InputError
        The driveline does not say how it warms up, or begins warm.
    """
    assert settings.ambient_temperature is not None  # asked for before
    ambient, start = float(settings.ambient_temperature), float(settings.oil_start)
    check_warming(driveline, start)
    demand = without_oil(drive_demand(driveline, cycle, ambient))
    warming = make_warming(driveline, ambient, settings.stop_oil_temperature)
    lowest = min(ambient, start)
    oil = np.linspace(lowest, warming.warm, settings.temperature_nodes)
    return OilNodes(driveline, demand, settings.splits, warming, oil, start)


def check_warming(driveline: Driveline, start: float) -> None:
    """Raise InputError where a driveline cannot warm up from a temperature, degC."""
    if driveline.warm_up.heat_capacity is None:
        raise InputError(
            f"setting ambient_temperature: driveline {driveline.name} has no "
            "heat_capacity_kJ_per_K in a table [warm_up], so it cannot warm up; add the table, or "
            "leave the setting out"
        )
    warm = driveline.engine.warm_temperature
    if start > warm - 1.0:
        raise InputError(
            f"setting oil_temperature_start: {start:g} C is not below the {warm:g} C that the "
            "thermostat keeps (warm_temperature_C of the engine); leave ambient_temperature out, "
            "or start colder"
        )
