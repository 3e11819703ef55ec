"""Choices with more splits: mixtures of two neighbours are listed as well."""

import numpy as np

from ..physics.operating_points import OperatingPoints
from ..physics.schedule import Schedule
from ..physics.step_costs import StepCosts
from .choices import Choices
from .memory import part_ranges


class FineLists:
    """The choices of every step with each gap between two splits cut into equal pieces.

    Cost and power are linear over a gap, so mixtures are splits that could have been listed; the
    unpowered motor, split 0, mixes with none. What is convex over torque or power lies less below
    the mixtures of finer lists.

    Parameters
    ----------
    choices
        With motor torques.
    pieces
        Of every gap.
    """

    def __init__(self, choices: Choices, pieces: int = 1) -> None:
        self.choices, self.pieces = choices, pieces
        self.dt, self.steps, self.gears = choices.dt, choices.steps, choices.gears
        self.splits = choices.splits * pieces
        self._known: dict[tuple[int, int], tuple[StepCosts, np.ndarray]] = {}

    def costs(self, first: int, last: int) -> StepCosts:
        """Return cost and power of the steps first to last - 1, in the order of the lists."""
        return self._part(first, last)[0]

    def torque(self, first: int, last: int) -> np.ndarray:
        """Return the motor torque of every choice, N m, in the order of the lists."""
        return self._part(first, last)[1]

    def count(self, first: int, last: int) -> np.ndarray:
        """Return how many choices each list has, one list behind the other."""
        return np.asarray(self.costs(first, last).length.ravel())

    def powered(self, first: int, last: int) -> np.ndarray:
        """Return whether the motor is powered, bool, in the order of the lists."""
        lists = self.costs(first, last)
        powered = np.ones(lists.cost.size, dtype=bool)
        powered[lists.first[lists.length > 0]] = False
        return powered

    def places(self, plan: Schedule) -> tuple[np.ndarray, np.ndarray]:
        """Return the splits of a schedule's motor torques, (steps,), and shares to the next ones.

        A torque outside of the list of its gear and engine class becomes its nearest one.
        """
        split, share = np.zeros(self.steps, dtype=np.int64), np.zeros(self.steps)
        for first, last in part_ranges(self.steps):
            part, torque = self.costs(first, last), self.torque(first, last)
            for t in first + np.flatnonzero(plan.powered[first:last]):
                row = t - first, plan.gear[t], plan.engine_class[t]
                listed = slice(part.first[row] + 1, part.first[row] + part.length[row])
                able = np.flatnonzero(np.isfinite(part.cost[listed]))
                place = np.interp(plan.motor_torque[t], torque[listed][able], able)
                place = np.round(place, 12)  # no share of what is not able
                split[t], share[t] = 1 + int(place), place - int(place)
        return split, share

    def gap(self, first: int, last: int, values: np.ndarray) -> np.ndarray:
        """Return the wider of the gaps beside each choice, in the unit of values of the choices."""
        lists = self.costs(first, last)
        joined = self.powered(first, last)[1:] & self.powered(first, last)[:-1]
        joined &= np.isfinite(lists.cost[1:]) & np.isfinite(lists.cost[:-1])
        gaps = np.where(joined, np.abs(np.diff(values)), 0.0)
        return np.asarray(np.maximum(np.append(gaps, 0.0), np.append(0.0, gaps)))

    def part(self, first: int, last: int) -> OperatingPoints:
        """Return the steps first to last - 1, as they were."""
        return self.choices.part(first, last)

    def torques(self, split: np.ndarray, *chosen: np.ndarray) -> np.ndarray:
        """Return the motor torque of every step at splits of the choices, N m, (steps,)."""
        return self.choices.torques(split, *chosen)

    def make_room(self, room: float) -> None:
        """Allow so many bytes for what would otherwise be worked out again and again."""
        self.choices.make_room(room)

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest admissible battery power of every step, W, (steps,) each."""
        return self.choices.power_ranges()

    def _part(self, first: int, last: int) -> tuple[StepCosts, np.ndarray]:
        """Return lists and motor torques of a part."""
        if (first, last) not in self._known:
            points = self.choices.part(first, last)
            used = np.arange(points.splits) < points.count[..., None]
            lists, torque = self.choices.costs(first, last).compact(), points.motor_torque[used]
            self._known[first, last] = _cut(lists, torque, self.pieces)
        return self._known[first, last]


def _cut(lists: StepCosts, torque: np.ndarray, pieces: int) -> tuple[StepCosts, np.ndarray]:
    """Cut the gaps of lists into pieces; infinite costs have none beside them."""
    rank = np.arange(lists.cost.size) - np.repeat(lists.first.ravel(), lists.length.ravel())
    last = np.append(rank[1:] == 0, True)
    free = np.isfinite(lists.cost)
    cut = (rank > 0) & ~last & free & np.append(free[1:], False)
    each = np.where(cut, pieces, 1)
    here = np.repeat(np.arange(each.size), each)
    share = (np.arange(here.size) - np.repeat(np.cumsum(each) - each, each)) / np.repeat(each, each)

    def mixed(values: np.ndarray) -> np.ndarray:
        after = np.append(values[1:], values[-1:])
        with np.errstate(invalid="ignore"):
            return np.asarray(
                np.where(share > 0.0, values[here] + share * (after - values)[here], values[here])
            )

    owner = np.repeat(np.arange(lists.length.size), lists.length.ravel())
    length = np.bincount(owner, each, lists.length.size).astype(np.int64)
    first = (np.cumsum(length) - length).reshape(lists.length.shape)
    length = length.reshape(lists.length.shape)
    made = StepCosts(
        lists.dt, mixed(lists.cost), mixed(lists.power), first, length, int(length.max(initial=0))
    )
    return made, mixed(torque)
