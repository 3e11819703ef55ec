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

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from ..problem.budgets import Budget
from .bound_kernels import Boxes
from .dual import Look, all_multipliers

LEAST_SHARE = 1e-3  # of the largest multiplier: what factors are of at least
CUTS = 25  # paths kept
Entries = tuple[np.ndarray, np.ndarray, np.ndarray]
"""Rows, columns and values of a sparse matrix."""


class Cut(NamedTuple):
    """The arcs of one path: their parts of the bound at factor 0, g, and over their factors, g.

    `heat` is what each arc adds to each budget by its end, (budgets, arcs), `state` and `gear` are
    those before each joint.
    """

    part: np.ndarray
    slope: np.ndarray
    heat: np.ndarray
    state: np.ndarray
    gear: np.ndarray


class Promise(NamedTuple):
    """Where the model promises most: factors, (arcs,), the bound there, g, and its parts, g.

    `prices` are those of budgets at the ends of arcs, (budgets, arcs).
    """

    factors: np.ndarray
    prices: np.ndarray
    bound: float
    parts: np.ndarray


class ArcModel:
    """The model of the bound over one factor per arc, and the prices of budgets at ends of arcs.

    Parameters
    ----------
    arcs
        Number of each step's arc, from 0, (steps,).
    best
        A look whose multipliers the factors are of, g/J; at least one is above 0.
    boxes
        Those of the bound.
    budgets
        Those that have prices. Within an arc a price falls as the budget does.
    """

    def __init__(
        self, arcs: np.ndarray, best: Look, boxes: Boxes, budgets: Sequence[Budget] = ()
    ) -> None:
        self.arcs, self.boxes, self.count = arcs, boxes, int(arcs.max()) + 1
        self.budgets, multipliers = budgets, best.multipliers
        self.shape = np.maximum(multipliers, LEAST_SHARE * multipliers.max())
        self.first = np.searchsorted(arcs, np.arange(self.count))
        self.last = np.append(self.first[1:], arcs.size) - 1
        self.factors = (multipliers / self.shape)[self.first]
        self.joints = self.first[1:]
        self.left = np.array([left_at_ends(budget.kept, self.first) for budget in budgets])
        self.passed = [
            self.left[b, self.first] * of.kept[self.first] for b, of in enumerate(budgets)
        ]
        self.cuts: list[Cut] = []

    def multipliers(self, factors: np.ndarray) -> np.ndarray:
        """Return the multipliers of factors of the arcs, g/J, (steps,)."""
        return np.asarray(factors[self.arcs] * self.shape)

    def prices(self, ends: np.ndarray) -> np.ndarray:
        """Return the prices of every step, (budgets, steps), of those at the ends of arcs."""
        if not self.budgets:
            return np.empty((0, self.arcs.size))
        return np.asarray(ends[:, self.arcs] * self.left)

    def add(self, look: Look) -> None:
        """Keep the path of a look at multipliers and prices of this model."""
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
        heat = np.zeros((len(self.budgets), self.count))
        for b, rise in enumerate(look.rise):
            heat[b] = np.bincount(self.arcs, rise * self.left[b], self.count)
            part -= heat[b] * look.prices[b, self.last]
        state, gear = look.state[self.joints], look.gear[self.joints]
        self.cuts = [*self.cuts[1 - CUTS :], Cut(part, slope, heat, state, gear)]

    def promise(self, best: Look, radius: np.ndarray, scale: np.ndarray) -> Promise | None:
        """Return the factors within a radius of the best ones that promise most; None if it fails.

        Parameters
        ----------
        best
            The best look so far.
        radius
            How far each factor may move, as a share of it, (arcs,).
        scale
            Price of each budget that the radius is a share of at least, (budgets,).
        """
        from scipy.optimize import linprog  # 0.25 s that most cycles do not need

        arcs, joints = self.count, self.joints
        size = 2 * arcs + 2 * joints.size + len(self.budgets) * arcs
        floor = self.boxes.floor[best.chosen[1, joints]]
        rise, fall = np.maximum(self.boxes.wide[joints, 0], floor), self.boxes.wide[joints, 1]
        center = (best.multipliers / self.shape)[self.first]
        reach = radius * np.maximum(center, LEAST_SHARE)
        low, high = np.zeros(size), np.full(size, np.inf)
        low[:arcs], high[:arcs] = np.maximum(center - reach, 0.0), center + reach
        low[arcs : 2 * arcs] = -np.inf
        worth = [np.zeros(arcs), np.full(arcs, -1.0), -rise, fall]
        for b, budget in enumerate(self.budgets):
            price, at = best.prices[b, self.last], self._place(b)
            reach = radius * np.maximum(price, scale[b])
            low[at], high[at] = np.maximum(price - reach, 0.0), price + reach
            worth.append(budget.limit * (1.0 - np.append(0.0, self.passed[b][1:])))
        settled = [self._settled(cut, best) for cut in self.cuts]
        found = linprog(
            np.concatenate(worth),
            A_ub=_matrix(self._tangents(), size),
            b_ub=np.concatenate((*settled, np.zeros(len(self.budgets) * arcs))),
            A_eq=_matrix(self._jumps(), size) if joints.size else None,
            b_eq=np.zeros(joints.size) if joints.size else None,
            bounds=np.column_stack((low, high)),
        )
        if not found.success:
            return None
        # limits are kept nearly only
        factors, parts = np.maximum(found.x[:arcs], 0.0), found.x[arcs : 2 * arcs]
        prices = np.maximum(found.x[size - len(self.budgets) * arcs :], 0.0)
        return Promise(factors, prices.reshape(-1, arcs), -float(found.fun), parts)

    def _place(self, budget: int) -> slice:
        """Return where the prices of a budget are among the program's variables."""
        first = 2 * self.count + 2 * self.joints.size + budget * self.count
        return slice(first, first + self.count)

    def _tangents(self) -> list[Entries]:
        """Return the rows of tangents, and those that let no price be below what is left of it."""
        arc = np.arange(self.count)
        row, column = np.arange(arc.size * len(self.cuts)), np.tile(arc, len(self.cuts))
        slopes = np.concatenate([cut.slope for cut in self.cuts])
        entries = [(row, column, -slopes), (row, arc.size + column, np.ones(row.size))]
        for b in range(len(self.budgets)):
            first, below = self._place(b).start, row.size + b * arc.size + arc
            heat = np.concatenate([cut.heat[b] for cut in self.cuts])
            entries.append((row, first + column, -heat))
            entries.append((below, first + arc, np.full(arc.size, -1.0)))
            entries.append((below[:-1], first + arc[1:], self.passed[b][1:]))
        return entries

    def _jumps(self) -> list[Entries]:
        """Return the rows by which multipliers change at joints: rise less fall."""
        joint = np.arange(self.joints.size)
        one, first = np.ones(joint.size), 2 * self.count
        return [
            (joint, joint, self.shape[self.joints - 1]),
            (joint, joint + 1, -self.shape[self.joints]),
            (joint, first + joint, -one),
            (joint, first + joint.size + joint, one),
        ]

    def excess(self, there: Promise, best: Look) -> np.ndarray:
        """Return by how much the parts of a promise lie above those of the path last added, g."""
        cut = self.cuts[-1]
        known = self._settled(cut, best) + cut.slope * there.factors
        return np.asarray(there.parts - known - (cut.heat * there.prices).sum(axis=0))

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


def _matrix(entries: list[Entries], columns: int) -> Any:
    """Return a sparse matrix."""
    from scipy.sparse import coo_array

    row, column, value = (np.concatenate(part) for part in zip(*entries, strict=True))
    return coo_array((value, (row, column)), shape=(int(row.max()) + 1, columns)).tocsr()


def left_at_ends(kept: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Return the share that is left at the end of each step's arc after the step, (steps,)."""
    left, ends = np.ones(kept.size), set(first.tolist())
    for t in range(kept.size - 2, -1, -1):
        left[t] = 1.0 if t + 1 in ends else kept[t + 1] * left[t + 1]
    return left
