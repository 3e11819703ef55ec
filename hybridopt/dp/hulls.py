"""Lower convex hulls of every list of choices, and which lists a move may take."""

import numpy as np

from ..physics.codes import EngineClass
from ..problem.choices import Choices
from ..problem.memory import part_ranges
from ..problem.problem import Problem
from . import bound_kernels as kernels

GATED = len(EngineClass)  # class of stages with the engine off that begin with a stop tied to SoC


def stage_classes(problem: Problem) -> np.ndarray:
    """Return the class of stages that each move takes, (moves,): its engine class, or `GATED`."""
    gated = problem.events.soc_min > problem.settings.socs[0]
    return np.where(gated, GATED, problem.events.graph.engine)


def list_hulls(
    points: Choices, classes: int = len(EngineClass)
) -> tuple[kernels.Hulls, np.ndarray]:
    """Return the lower convex hulls of (power, cost) of every step, gear and class.

    With another class than those of the engine, which is `GATED`, that one has the choices of the
    engine off. Returned is also which choice of its list each point is.
    """
    powers, costs, counts, lones, places = [], [], [], [], []
    for first, last in part_ranges(points.steps):
        part = points.costs(first, last)
        if classes > len(EngineClass):
            part = part._replace(
                first=np.concatenate((part.first, part.first[..., :1]), axis=2),
                length=np.concatenate((part.length, part.length[..., :1]), axis=2),
            )
        power, cost = np.empty((2, int(part.length.sum())))
        place = np.empty(power.size, dtype=np.int64)
        count, lone = np.zeros((2, *part.length.shape), dtype=np.int64)
        used = kernels._hulls(part, power, cost, count, lone, place)
        powers.append(power[:used].copy())
        costs.append(cost[:used].copy())
        places.append(place[:used].copy())
        counts.append(count.ravel())
        lones.append(lone.ravel())
    ends = np.concatenate(([0], np.cumsum(np.concatenate(counts))))
    made = kernels.Hulls(np.concatenate(powers), np.concatenate(costs), ends, np.concatenate(lones))
    return made, np.concatenate(places)
