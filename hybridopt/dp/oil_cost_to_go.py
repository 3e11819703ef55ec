"""The cost-to-go over state of charge, engine state, gear and oil temperature."""

import dataclasses

import numpy as np

from ..base.errors import InputError
from ..base.progress import Progress, silent
from ..problem.graph import Moves, engine_stops
from ..problem.memory import Memory
from ..problem.oil_nodes import OilNodes
from ..problem.problem import Problem
from . import oil_sweep
from .cost_to_go import CostToGo, ValuePart


class OilCostToGo(CostToGo):
    """The minimum cost from every state to the end at the nodes of oil temperature.

    As :class:`hybridopt.dp.cost_to_go.CostToGo`; indexing joins nodes by lines, at temperatures of
    `path`, degC, (steps + 1,), those of the start until a run is known. The problem's choices are
    :class:`hybridopt.problem.oil_nodes.OilNodes`.
    """

    def __init__(self, problem: Problem, prune: bool = True, progress: Progress = silent) -> None:
        assert isinstance(problem.points, OilNodes)  # nothing else knows of temperatures
        self.oil_nodes = problem.points
        self.move_costs = oil_move_costs(problem, problem.points.oil)
        self.path = np.full(problem.points.steps + 1, problem.points.start)
        memory = problem.memory  # of values nothing is kept yet, and lists go as values come
        problem.points.make_room(memory.limit - memory.minimum)
        _ = problem.power_ranges  # lists all steps
        super().__init__(problem, prune=prune, progress=progress)

    @property
    def _rows(self) -> tuple[int, ...]:
        return self.oil_nodes.oil.size, *super()._rows

    def __getitem__(self, t: int) -> np.ndarray:
        rows = super().__getitem__(t)
        i, share = oil_place(self.oil_nodes.oil, float(self.path[t]))
        return np.asarray(rows[i] + share * (rows[i + 1] - rows[i]))

    def _memory(self) -> Memory:
        known = self.problem.memory
        return dataclasses.replace(known, states=known.states * self.oil_nodes.oil.size)

    def _sweep(self, i: int, rows: np.ndarray) -> ValuePart:
        """Sweep one part at all nodes; see the base class."""
        problem, first, last = self.problem, self.edges[i], self.edges[i + 1]
        kept = self._kept(first, last, rows)
        looked_at = np.zeros((self.bounds.size - 1) * self.oil_nodes.oil.size)
        widest = oil_sweep._sweep_oil(
            self.oil_nodes.lists(first, last),
            self.oil_nodes.warming,
            self._battery(),
            self._layout(first, last),
            Moves(
                problem.events.graph,
                problem.shift[first:last],
                self.move_costs[first:last],
                self.floors,
            ),
            rows,
            kept,
            looked_at,
        )
        if widest > 1.0:
            raise InputError(
                f"setting temperature_nodes: in a step the oil warms up by {widest:.2g} times the "
                "distance of two nodes; set fewer nodes, or resample the cycle to shorter steps"
            )
        self._looked_at[0] += looked_at.sum()
        rows[0] = rows[(last - first) % 2]
        return self._part(first, last, kept)


def oil_place(oil: np.ndarray, temperature: float) -> tuple[int, float]:
    """Return the number of the node below a temperature, and the share of the way to the next."""
    i = int(np.clip(np.searchsorted(oil, temperature, side="right") - 1, 0, oil.size - 2))
    return i, float((temperature - oil[i]) / (oil[i + 1] - oil[i]))


def oil_move_costs(problem: Problem, oil: np.ndarray) -> np.ndarray:
    """Return what moves cost at oil temperatures, degC: (steps, temperatures, moves).

    Stops are closed where the oil is too cold for them.
    """
    assert isinstance(problem.points, OilNodes)
    graph, limit = problem.events.graph, problem.points.warming.stop
    costs = np.repeat(problem.events.cost[:, None, :], oil.size, axis=1)
    cold, stops = np.flatnonzero(oil < limit), np.flatnonzero(engine_stops(graph))
    costs[:, cold[:, None], stops] = np.inf
    return costs
