"""What each step may choose from: operating points kept in memory, or listed again in parts."""

from typing import Protocol

import numpy as np

from ..inputs.driveline import Driveline
from ..physics.demand import Demand
from ..physics.operating_points import (
    OperatingPoints,
    all_points,
    chosen_points,
    list_operating_points,
    split_room,
    undrivable,
)
from ..physics.plant import Plant, pack
from ..physics.step_costs import StepCosts
from .memory import PART, Memory


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
        """Return the motor torque of every step, N m, (steps,).

        Parameters
        ----------
        split, chosen
            Number of the split; gear and engine class, of each step, (steps,).
        """

    def make_room(self, room: float) -> None:
        """Allow so many bytes for what would otherwise be worked out again and again."""

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest admissible battery power of every step, W, (steps,) each."""


class PointsOnDemand:
    """Operating points that are listed again whenever a part of them is needed.

    Cost and power, which are needed again and again, are kept as far as there is room.

    Parameters
    ----------
    driveline, demand, splits
        As for :func:`hybridopt.physics.operating_points.list_operating_points`.
    """

    def __init__(self, driveline: Driveline, demand: Demand, splits: int) -> None:
        self.driveline, self.demand, self.aim = driveline, demand, splits
        self.dt = np.array(demand.dt, dtype=np.float64)
        self.steps, self.gears = demand.steps, driveline.gearbox.gears
        self.splits = split_room(driveline, splits)
        self.room, self.used = 0.0, 0
        self._plant: Plant | None = None
        self._recent: tuple[int, int, OperatingPoints] | None = None
        self._kept: dict[tuple[int, int], StepCosts] = {}

    def part(self, first: int, last: int) -> OperatingPoints:
        """Return the steps first to last - 1; the most recent ones are remembered.

        Raises
        ------
        InfeasibleError
            No operating point can drive some step of the part; the message names all such steps.
        """
        if self._recent is None or self._recent[:2] != (first, last):
            demand = self.demand.part(first, last)
            self._plant = self._plant or pack(self.driveline)
            points = all_points(self.driveline, demand, self.aim, self._plant)
            if not points.drivable.all():
                raise undrivable(self.driveline, self.demand, self.aim)
            self._recent = first, last, points
        return self._recent[2]

    def costs(self, first: int, last: int) -> StepCosts:
        """Return cost and power of the steps first to last - 1; errors are those of `part`."""
        kept = self._kept.get((first, last))
        if kept is None:
            kept = self.part(first, last).lists
            if self.used + kept.nbytes <= self.room:
                self.used += kept.nbytes
                self._kept[first, last] = kept
        return kept

    def take(self, first: int, last: int) -> StepCosts:
        """Return cost and power of the steps first to last - 1, which are kept no longer."""
        found = self.costs(first, last)
        if self._kept.pop((first, last), None) is not None:
            self.used -= found.nbytes
        return found

    def make_room(self, room: float) -> None:
        """Allow so many bytes for cost and power of the parts asked for from now on."""
        self.room = room

    def torques(self, split: np.ndarray, *chosen: np.ndarray) -> np.ndarray:
        """Return the motor torque of every step, N m, (steps,).

        Parameters
        ----------
        split, chosen
            Number of the split; gear and engine class, of each step, (steps,).
        """
        points = chosen_points(self.driveline, self.demand, self.aim, *chosen)
        alone = np.zeros((2, self.steps), dtype=np.int64)
        return points.torques(split, *alone)

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest admissible battery power of every step, W, (steps,) each."""
        firsts = range(0, self.steps, PART)
        parts = [self.costs(t, min(t + PART, self.steps)).power_ranges() for t in firsts]
        lowest, highest = zip(*parts, strict=True)
        return np.concatenate(lowest), np.concatenate(highest)


def list_choices(
    driveline: Driveline, demand: Demand, splits: int, memory_limit: float, whole: bool = True
) -> Choices:
    """List the operating points, or arrange for them to be listed where they are needed.

    Parameters
    ----------
    driveline, demand, splits
        As for :func:`hybridopt.physics.operating_points.list_operating_points`.
    memory_limit
        Bytes; half of it may go to operating points.
    whole
        Keep them whole if they fit. Without, only cost and power are kept, which is all that a
        solve needs.

    Raises
    ------
    InputError, InfeasibleError
        As :func:`hybridopt.physics.operating_points.list_operating_points`.
    """
    room = split_room(driveline, splits)
    memory = Memory(demand.steps, driveline.gearbox.gears, 2, room, memory_limit)
    if whole and memory.keeps_points:
        return list_operating_points(driveline, demand, splits)
    return PointsOnDemand(driveline, demand, splits)
