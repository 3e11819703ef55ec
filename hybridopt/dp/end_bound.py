"""The proved bound over the SoC at which schedules end: the upper edge of tangents."""

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from ..physics.battery import stored_energy

NODE = 0.02  # of SoC between tangents; the bound's bend leaves less than 0.005 % between them


class Tangent(NamedTuple):
    """A bound of all schedules, linear in the energy stored at their end.

    Attributes
    ----------
    bound : g, at the energy
    slope : g/J, the last multiplier
    energy : J
    """

    bound: float
    slope: float
    energy: float

    def at(self, energy: float) -> float:
        """Return the bound at an energy, g."""
        return self.bound + self.slope * (energy - self.energy)


class EndBound:
    """Lower limits of the cost over the final SoC.

    Any multipliers give a limit for every end (see the theorem of :mod:`hybridopt.dp.bound`),
    linear in the energy stored there with the last multiplier as its slope. The least cost is
    convex in that energy, and the multipliers of the target are tight at the target only; so they
    are improved for the two nodes around a wanted end, once for each node.

    Parameters
    ----------
    dual
        A :class:`hybridopt.dp.bound.Dual` over boxes that no target cuts.
    factors
        Of the target's multipliers.
    cost
        Of the schedule that ends at the target, g.
    ascend
        Improves factors: :func:`hybridopt.dp.bound.ascend`.
    """

    def __init__(
        self,
        dual: Any,
        factors: np.ndarray,
        cost: float,
        ascend: Callable[[Any, np.ndarray, float], tuple[float, np.ndarray, int]],
    ) -> None:
        self.dual, self.factors, self.cost, self.ascend = dual, factors, cost, ascend
        self.low, high = dual.problem.settings.socs[:2]
        self.cells = max(round((high - self.low) / NODE), 1)
        self.spacing = (high - self.low) / self.cells
        slope = float(dual.multipliers(factors)[-1])
        self.first = Tangent(dual.value(factors)[0], slope, dual.boxes.z_end)
        self.nodes: dict[int, Tangent] = {}

    def at(self, soc: float) -> float:
        """Return the lower limit of schedules that end at a SoC or above it, g."""
        energy, below = self._energy(soc), int((soc - self.low) / self.spacing)
        below = min(max(below, 0), self.cells - 1)
        tangents = (self.first, self._node(below), self._node(below + 1))
        return max(tangent.at(energy) for tangent in tangents)

    def _energy(self, soc: float) -> float:
        return float(stored_energy(self.dual.problem.cell, soc))

    def _node(self, k: int) -> Tangent:
        """Return the tangent of the multipliers improved for a node."""
        if k not in self.nodes:
            energy = self._energy(self.low + k * self.spacing)
            there = self.dual.with_boxes(self.dual.boxes._replace(z_end=energy))
            upper = 2.0 * abs(self.cost) + 2.0 * abs(self.first.at(energy))  # out of reach
            bound, factors, _ = self.ascend(there, self.factors, upper)
            self.nodes[k] = Tangent(bound, float(there.multipliers(factors)[-1]), energy)
        return self.nodes[k]
