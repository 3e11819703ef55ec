"""What a step may choose from: operating points kept in memory, or listed again part by part."""

from typing import Protocol

import numpy as np

from . import point_kernels
from .demand import Demand
from .dp.memory import PART, Memory
from .inputs.driveline import Driveline
from .operating_points import (
    OperatingPoints,
    StepCosts,
    demand_rows,
    list_operating_points,
    power_limits,
    split_room,
)
from .plant import pack


class Choices(Protocol):
    """Operating points as the optimiser takes them, a part of the steps at a time."""

    @property
    def dt(self) -> np.ndarray:
        """Length of every step, s, (steps,)."""

    @property
    def steps(self) -> int:
        """Number of steps."""

    @property
    def gears(self) -> int:
        """Number of gears."""

    @property
    def splits(self) -> int:
        """Length of the splits axis."""

    def part(self, first: int, last: int) -> OperatingPoints:
        """Return the steps first to last - 1."""

    def costs(self, first: int, last: int) -> StepCosts:
        """Return cost and power of the steps first to last - 1."""

    def torques(self, split: np.ndarray, *chosen: np.ndarray) -> np.ndarray:
        """Return the motor torque, N m, of a split of every step, given gear and engine class."""

    def make_room(self, room: float) -> None:
        """Allow bytes for what would else be worked out again and again."""

    def power_limits(self) -> tuple[float, float]:
        """Return limits of battery power over all steps, W: 0 or less, and 0 or more."""

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest admissible battery power of every step, W, (steps,) each."""


class PointsOnDemand:
    """Operating points of a long drive, listed again whenever a part of them is needed.

    Cost and power, which are needed again and again, are kept without gaps as far as there is room.

    Parameters
    ----------
    driveline, demand, splits
        As for :func:`hybridopt.operating_points.list_operating_points`.
    """

    def __init__(self, driveline: Driveline, demand: Demand, splits: int) -> None:
        self.driveline, self.demand, self.aim = driveline, demand, splits
        self.dt = np.array(demand.dt, dtype=np.float64)
        self.steps, self.gears = demand.steps, driveline.gearbox.gears
        self.splits = split_room(driveline, splits)
        self.room, self.used = 0.0, 0
        self._recent: tuple[int, int, OperatingPoints] | None = None
        self._packed: dict[tuple[int, int], tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
        self._unpacked: tuple[int, int, StepCosts] | None = None

    def part(self, first: int, last: int) -> OperatingPoints:
        """Return the steps first to last - 1; the most recent ones are remembered.

        Raises
        ------
        InfeasibleError
            Nothing at all can drive some step of the part.
        """
        if self._recent is None or self._recent[:2] != (first, last):
            demand = self.demand.part(first, last)
            points = list_operating_points(self.driveline, demand, self.aim)
            self._recent = first, last, points
        return self._recent[2]

    def costs(self, first: int, last: int) -> StepCosts:
        """Return cost and power of the steps first to last - 1; errors are those of `part`."""
        if self._unpacked is None or self._unpacked[:2] != (first, last):
            self._unpacked = first, last, self._costs(first, last)
        return self._unpacked[2]

    def make_room(self, room: float) -> None:
        """Allow bytes for cost and power of the parts asked for from now on."""
        self.room = room

    def _costs(self, first: int, last: int) -> StepCosts:
        packed = self._packed.get((first, last))
        if packed is None:
            costs = self.part(first, last).costs(0, last - first)
            self._pack(first, last, costs)
            return costs
        used = np.arange(self.splits) < packed[0][..., None]
        cost, power = np.full(used.shape, np.inf), np.zeros(used.shape)
        cost[used], power[used] = packed[1:]
        return StepCosts(self.dt[first:last], cost, power, packed[0])

    def _pack(self, first: int, last: int, costs: StepCosts) -> None:
        """Keep cost and power of a part without the gaps behind each list, if there is room."""
        used = np.arange(self.splits) < costs.count[..., None]
        arrays = costs.count, costs.cost[used], costs.power[used]
        size = sum(array.nbytes for array in arrays)
        if self.used + size <= self.room:
            self.used += size
            self._packed[first, last] = arrays

    def torques(self, split: np.ndarray, *chosen: np.ndarray) -> np.ndarray:
        """Return the motor torque, N m, of a split of every step, given gear and engine class."""
        torque = np.empty(self.steps)
        point_kernels._torques_of(pack(self.driveline), demand_rows(self.demand), self.aim,
                                  self.splits, *chosen, split, torque)  # fmt: skip
        return torque

    def power_limits(self) -> tuple[float, float]:
        """Return limits of battery power over all steps, W: 0 or less, and 0 or more."""
        lowest, highest = power_limits(self.driveline.battery)
        return min(lowest, 0.0), max(highest, 0.0)

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest admissible battery power of every step, W, (steps,) each."""
        firsts = range(0, self.steps, PART)
        parts = [self.costs(t, min(t + PART, self.steps)).power_ranges() for t in firsts]
        lowest, highest = zip(*parts, strict=True)
        return np.concatenate(lowest), np.concatenate(highest)


def list_choices(driveline: Driveline, demand: Demand, splits: int, memory_limit: float) -> Choices:
    """List the operating points, or arrange for them where they would take too much memory.

    Parameters
    ----------
    driveline, demand, splits
        As for :func:`hybridopt.operating_points.list_operating_points`.
    memory_limit
        Bytes; half of it may go to operating points.

    Raises
    ------
    InputError, InfeasibleError
        As :func:`hybridopt.operating_points.list_operating_points`.
    """
    room = split_room(driveline, splits)
    memory = Memory(demand.steps, driveline.gearbox.gears, 2, room, memory_limit)
    if memory.keeps_points:
        return list_operating_points(driveline, demand, splits)
    return PointsOnDemand(driveline, demand, splits)
