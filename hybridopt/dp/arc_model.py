"""What the arcs of the paths seen promise at other multipliers: a linear program over all arcs.

An arc is a run of steps whose multipliers move together, by one factor. For a fixed path the bound
is a sum over arcs, and each arc's part lies below its tangent in the arc's own factor. So the
least tangents of every arc, each on its own, say what other factors may give; at the joints
between arcs the stored energy is free in its box, which the program holds exactly. Parts of
different paths need not fit together; what they lack is settled by the length of the shortest path
that is still ahead at each joint, taken from the best path. So the model is near the bound only
around the best multipliers, and the bound itself is always looked at.

Source of tangents kept for each part on its own, from memory: Ruszczynski, *A regularized
decomposition method for minimizing a sum of polyhedral functions*, Mathematical Programming 35,
1986, DOI 10.1007/BF01580883.
"""

from typing import NamedTuple

import numpy as np

from .bound_kernels import Boxes
from .dual import Look, all_multipliers

LEAST_SHARE = 1e-3  # of the largest multiplier: what factors are of at least
CUTS = 25  # paths kept


class Cut(NamedTuple):
    """The arcs of one path: their parts of the bound at factor 0, g, and over their factors, g.

    `state` and `gear` are those before each joint.
    """

    part: np.ndarray
    slope: np.ndarray
    state: np.ndarray
    gear: np.ndarray


class Promise(NamedTuple):
    """Where the model promises most: factors, (arcs,), the bound there, g, and its parts, g."""

    factors: np.ndarray
    bound: float
    parts: np.ndarray


class ArcModel:
    """The model of the bound over one factor per arc.

    Parameters
    ----------
    arcs
        Number of each step's arc, from 0, (steps,).
    multipliers
        What the factors are of, g/J, (steps,); at least one is above 0.
    boxes
        Those of the bound.
    """

    def __init__(self, arcs: np.ndarray, multipliers: np.ndarray, boxes: Boxes) -> None:
        self.arcs, self.boxes, self.count = arcs, boxes, int(arcs.max()) + 1
        self.shape = np.maximum(multipliers, LEAST_SHARE * multipliers.max())
        self.first = np.searchsorted(arcs, np.arange(self.count))
        self.factors = (multipliers / self.shape)[self.first]
        self.joints = self.first[1:]
        self.cuts: list[Cut] = []

    def multipliers(self, factors: np.ndarray) -> np.ndarray:
        """Return the multipliers of factors of the arcs, g/J, (steps,)."""
        return np.asarray(factors[self.arcs] * self.shape)

    def add(self, look: Look) -> None:
        """Keep the path of a look at multipliers of this model."""
        lam, shape, boxes = all_multipliers(look.multipliers), self.shape, self.boxes
        along = look.ahead[np.arange(look.state.size), look.state, look.gear]
        paid = along - np.append(along[1:], 0.0)
        change, level = lam[:-1] - lam[1:], look.level[:-1].copy()
        level[self.joints] = 0.0  # free, and so no part of an arc
        paid[self.joints] -= (change * look.level[:-1])[self.joints]
        before = np.concatenate((shape[:1], shape[:-1]))
        slope = np.bincount(self.arcs, shape * look.drain + (before - shape) * level, self.count)
        part = np.bincount(self.arcs, paid, self.count)
        for arc, step, energy in ((0, 0, -boxes.z_start), (-1, -1, boxes.z_end)):
            part[arc] += look.multipliers[step] * energy
            slope[arc] += shape[step] * energy
        part -= slope * (look.multipliers / shape)[self.first]
        state, gear = look.state[self.joints], look.gear[self.joints]
        self.cuts = [*self.cuts[1 - CUTS :], Cut(part, slope, state, gear)]

    def promise(self, best: Look, radius: np.ndarray) -> Promise | None:
        """Return the factors within a radius of the best ones that promise most; None if it fails.

        Parameters
        ----------
        best
            The best look so far.
        radius
            How far each factor may move, as a share of it, (arcs,).
        """
        from scipy.optimize import linprog  # 0.25 s that most cycles do not need
        from scipy.sparse import coo_array, diags_array, hstack, vstack

        arcs, joints = self.count, self.joints
        one, none = diags_array(np.ones(arcs)), np.zeros(2 * joints.size)
        tangents = vstack([diags_array(-cut.slope) for cut in self.cuts])
        parts = hstack([tangents, vstack([one] * len(self.cuts))], format="csr")
        parts.resize((parts.shape[0], 2 * arcs + none.size))
        limits = np.concatenate([self._settled(cut, best) for cut in self.cuts])
        equal, rise, fall = None, self.boxes.wide[joints, 0], self.boxes.wide[joints, 1]
        if joints.size:  # the multipliers before a joint less those after it are rise less fall
            before = diags_array(self.shape[joints - 1], shape=(joints.size, arcs))
            after = diags_array(self.shape[joints], offsets=1, shape=(joints.size, arcs))
            step, parts_apart = diags_array(np.ones(joints.size)), (joints.size, arcs)
            equal = hstack([before - after, coo_array(parts_apart), -step, step], format="csr")
        center = (best.multipliers / self.shape)[self.first]
        reach = radius * np.maximum(center, LEAST_SHARE)
        low = np.concatenate((np.maximum(center - reach, 0.0), np.full(arcs, -np.inf), none))
        high = np.concatenate((center + reach, np.full(arcs + none.size, np.inf)))
        found = linprog(
            np.concatenate((np.zeros(arcs), np.full(arcs, -1.0), -rise, fall)),
            A_ub=parts,
            b_ub=limits,
            A_eq=equal,
            b_eq=None if equal is None else np.zeros(joints.size),
            bounds=np.column_stack((low, high)),
        )
        if not found.success:
            return None
        # limits are kept nearly only
        return Promise(np.maximum(found.x[:arcs], 0.0), -float(found.fun), found.x[arcs : 2 * arcs])

    def excess(self, there: Promise, best: Look) -> np.ndarray:
        """Return by how much the parts of a promise lie above those of the path last added, g."""
        cut = self.cuts[-1]
        return np.asarray(there.parts - self._settled(cut, best) - cut.slope * there.factors)

    def _settled(self, cut: Cut, best: Look) -> np.ndarray:
        """Return a path's parts, settled for the states in which it passes the joints, g."""
        rows = best.ahead[self.joints]
        place = np.arange(self.joints.size)
        lacks = rows[place, cut.state, cut.gear]
        lacks = lacks - rows[place, best.state[self.joints], best.gear[self.joints]]
        part = cut.part.copy()
        part[:-1] += lacks
        part[1:] -= lacks
        return np.where(np.isfinite(part), part, cut.part)
