"""Cost and power of all choices as lists without gaps: what the optimiser takes."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import NamedTuple

import numpy as np

from ..base.compiled import kernel


class StepCosts(NamedTuple):
    """What the optimiser needs of some steps' choices: lists of splits, one behind the other.

    Kernels take it as it is.

    Attributes
    ----------
    dt : s, (steps,)
    cost, power : g and W, as in OperatingPoints, all lists in one row, (points,)
    first : int64, where each list begins in the row, (steps, gears, classes)
    length : int64, of each list, (steps, gears, classes)
    longest : length of the longest list
    """

    dt: np.ndarray
    cost: np.ndarray
    power: np.ndarray
    first: np.ndarray
    length: np.ndarray
    longest: int

    def part(self, first: int, last: int) -> "StepCosts":
        """Return the steps first to last - 1; cost and power stay whole."""
        steps = slice(first, last)
        return self._replace(dt=self.dt[steps], first=self.first[steps], length=self.length[steps])

    def compact(self) -> "StepCosts":
        """Return the same with cost and power of these steps alone, in the order of the lists."""
        length = self.length.ravel()
        first = np.cumsum(length) - length
        if self.cost.size == length.sum() and (first == self.first.ravel()).all():
            return self
        place = np.arange(int(length.sum())) + np.repeat(self.first.ravel() - first, length)
        first = first.reshape(self.length.shape)
        return self._replace(cost=self.cost[place], power=self.power[place], first=first)

    @property
    def nbytes(self) -> int:
        """Bytes of all arrays."""
        return sum(array.nbytes for array in (self.cost, self.power, self.first, self.length))

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest admissible battery power of every step, W, (steps,) each."""
        lowest, highest = np.zeros((2, self.dt.size))
        _power_ranges(self, lowest, highest)
        return lowest, highest


def step_costs(dt: np.ndarray, cost: np.ndarray, power: np.ndarray, count: np.ndarray) -> StepCosts:
    """Return lists without gaps.

    Parameters
    ----------
    dt
        s, (steps,).
    cost, power
        g and W, (steps, gears, classes, splits).
    count
        Splits in use of every list, (steps, gears, classes).
    """
    first = np.cumsum(count).reshape(count.shape) - count
    packed_cost, packed_power = np.empty((2, int(count.sum())))
    _pack(cost, power, first, count, packed_cost, packed_power)
    return StepCosts(dt, packed_cost, packed_power, first, count, int(count.max(initial=0)))


@kernel
def _pack(cost, power, first, count, packed_cost, packed_power):
    """Copy the lists of splits into one row, each from its place `first` on."""
    for t in range(count.shape[0]):
        for g in range(count.shape[1]):
            for c in range(count.shape[2]):
                begin = first[t, g, c]
                for k in range(count[t, g, c]):
                    packed_cost[begin + k] = cost[t, g, c, k]
                    packed_power[begin + k] = power[t, g, c, k]


@kernel
def _power_ranges(costs, lowest, highest):
    """Widen the ranges of battery power of every step to its admissible points."""
    steps, gears, classes = costs.first.shape
    for t in range(steps):
        for g in range(gears):
            for c in range(classes):
                first = costs.first[t, g, c]
                for k in range(first, first + costs.length[t, g, c]):
                    if costs.cost[k] < np.inf:
                        lowest[t] = min(lowest[t], costs.power[k])
                        highest[t] = max(highest[t], costs.power[k])
