"""The proved bound over the SoC at which schedules end: the upper edge of tangents."""

from functools import cached_property
from typing import NamedTuple, Protocol

import numpy as np

from ..physics.battery import stored_energy
from ..problem.problem import Problem
from .ascent import Ascent
from .boxes import BOXES, make_boxes
from .dual import Dual

NODE = 0.02  # of SoC between tangents; the bound's bend leaves less than 0.005 % between them


class EndTangent(NamedTuple):
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


class Ends(Protocol):
    """Lower limits of the cost over the final SoC."""

    def at(self, soc: float) -> float:
        """Return the lower limit of schedules that end at a SoC or above it, g."""
        ...


class EndBound:
    """Lower limits of the cost over the final SoC.

    Any multipliers give a limit for every end (see the theorem of :mod:`hybridopt.dp.bound`),
    linear in the energy stored there with the last multiplier as its slope. The least cost is
    convex in that energy, and the multipliers of the target are tight at the target only; so they
    are improved for the two nodes around a wanted end, once for each node.

    Parameters
    ----------
    problem
        What was solved.
    dual
        The bound, over any boxes; None makes it where it is first needed.
    multipliers
        Those of the target, after each step, g/J, (steps,).
    cost
        Of the schedule that ends at the target, g.
    arcs
        Number of each step's arc, see :class:`hybridopt.dp.ascent.Ascent`, (steps,).
    """

    def __init__(
        self,
        problem: Problem,
        dual: Dual | None,
        multipliers: np.ndarray,
        cost: float,
        arcs: np.ndarray,
    ) -> None:
        self.problem, self.given = problem, dual
        self.multipliers, self.cost, self.arcs = multipliers, cost, arcs
        self.low, high = problem.settings.socs[:2]
        self.cells = max(round((high - self.low) / NODE), 1)
        self.spacing = (high - self.low) / self.cells
        self.nodes: dict[int, EndTangent] = {}

    @cached_property
    def dual(self) -> Dual:
        """The bound over boxes that no target cuts."""
        boxes = make_boxes(self.problem, BOXES, None)
        if self.given is None:
            return Dual(self.problem, boxes)
        return self.given.with_boxes(boxes)

    @cached_property
    def first(self) -> EndTangent:
        """The tangent of the target's multipliers."""
        bound = self.dual.value(self.multipliers)
        return EndTangent(bound, float(self.multipliers[-1]), self.dual.boxes.z_end)

    def at(self, soc: float) -> float:
        """Return the lower limit of schedules that end at a SoC or above it, g."""
        energy, below = self._energy(soc), int((soc - self.low) / self.spacing)
        below = min(max(below, 0), self.cells - 1)
        tangents = (self.first, self._node(below), self._node(below + 1))
        return max(tangent.at(energy) for tangent in tangents)

    def _energy(self, soc: float) -> float:
        return float(stored_energy(self.problem.cell, soc))

    def _node(self, k: int) -> EndTangent:
        """Return the tangent of the multipliers improved for a node."""
        if k not in self.nodes:
            energy = self._energy(self.low + k * self.spacing)
            there = self.dual.with_boxes(self.dual.boxes._replace(z_end=energy))
            upper = 2.0 * abs(self.cost) + 2.0 * abs(self.first.at(energy))  # out of reach
            ascent = Ascent(there, upper, [self.arcs])
            ascent.climb([self.multipliers])
            self.nodes[k] = EndTangent(ascent.bound, float(ascent.multipliers[-1]), energy)
        return self.nodes[k]
