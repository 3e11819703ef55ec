"""The multipliers that prove most: a common scale first, then one factor per arc.

The bound is concave in the multipliers, so the tangent of every evaluation lies above it
everywhere, and all of them together say how much may still be gained, and where.
"""

import numpy as np

from .arc_model import ArcModel
from .dual import Dual, Look

WANTED_PERCENT = 0.01  # gap at which the ascent stops
SCALINGS, MOVES = 20, 15  # evaluations at most: for the scale of a start, and for the arcs
LONG_MOVES = 80  # likewise, with prices of heat, which begin at 0, or a wanted gap
GAIN, LEAST_GAIN = 1e-6, 1e-7  # of the cost: what must be promised to go on, by arcs and scale
FIRST_STRIDE, LARGEST_SCALE = 3e-4, 1e3  # of the common scale
LEAST_RADIUS, RADIUS, LARGEST_RADIUS = (
    1e-5,
    0.02,
    1.0,
)  # how far factors move in one evaluation, shares of them


class Ascent:
    """The search for the best multipliers; any give a sound bound, so the best ones count.

    Parameters
    ----------
    dual
        The bound as a function of the multipliers.
    upper
        Cost of a schedule, g: the bound cannot rise above it.
    arcs
        Number of each step's arc, from 0, (steps,): steps of one arc move together. Several such
        arrays are taken one after the other.
    wanted
        Gap at which the ascent stops, % of the cost.
    moves
        Of each such array at most, where heat has no prices.
    worth
        Share of the gap that a move must promise to close.

    Attributes
    ----------
    best : the highest bound found and its path
    evaluations : of the bound
    """

    def __init__(
        self,
        dual: Dual,
        upper: float,
        arcs: list[np.ndarray],
        wanted: float = WANTED_PERCENT,
        moves: int = MOVES,
        worth: float = 0.0,
    ) -> None:
        self.dual, self.upper, self.arcs, self.wanted = dual, upper, arcs, wanted
        self.moves, self.worth = moves, worth
        self.best: Look | None = None
        self.evaluations = 0

    @property
    def bound(self) -> float:
        """The highest bound found, g."""
        return -np.inf if self.best is None else self.best.value

    @property
    def multipliers(self) -> np.ndarray:
        """Where the highest bound was found, g/J, (steps,)."""
        assert self.best is not None  # a climb looks somewhere
        return self.best.multipliers

    @property
    def gap(self) -> float:
        """How far the highest bound lies below the schedule, g."""
        return self.upper - self.bound

    @property
    def above(self) -> bool:
        """Whether the gap is above the wanted one."""
        return self.gap > 1e-2 * self.wanted * abs(self.upper)

    def climb(self, starts: list[np.ndarray], others: float = WANTED_PERCENT) -> None:
        """Scale the first start; above another gap, %, the others too; then move the arcs.

        Parameters
        ----------
        starts
            Guesses of the multipliers, g/J, (steps,) each, the best guess first.
        others
            Gap from which the other starts are looked at, % of the cost.
        """
        self._scale(starts[0])
        if self.gap > 1e-2 * others * abs(self.upper):
            for start in starts[1:]:
                self._scale(start)
        for arcs in self.arcs:
            if self.above and arcs.any() and self.multipliers.any():
                self._move_arcs(arcs)

    def _look(self, multipliers: np.ndarray, prices: np.ndarray | None = None) -> Look:
        self.evaluations += 1
        dual = self.dual if prices is None or not prices.size else self.dual.with_prices(prices)
        look = dual.look(multipliers)
        if look.value > self.bound:
            self.best, self.dual = look, dual
        return look

    def _scale(self, start: np.ndarray) -> None:
        """Maximise over one common scale: the next is where the tangents beside the top meet.

        Source: Kelley, *The cutting-plane method for solving convex programs*, J. SIAM 8(4), 1960,
        DOI 10.1137/0108053.
        """
        sides: list[tuple[float, float, float] | None] = [None, None]
        scale, stride, best = 1.0, FIRST_STRIDE, self.bound  # of other starts too
        for _ in range(SCALINGS):
            here = self._look(scale * start)
            slope, best = float(start @ here.slope), max(best, here.value)
            sides[int(slope < 0.0)] = scale, here.value, slope
            if slope == 0.0 or scale > LARGEST_SCALE or not self.above:
                return
            left, right = sides
            if left and right:
                scale = (right[1] - left[1] + left[2] * left[0] - right[2] * right[0]) / (
                    left[2] - right[2]
                )
                if left[1] + left[2] * (scale - left[0]) < best + LEAST_GAIN * abs(self.upper):
                    return
            else:
                scale *= 1.0 + stride if left else 1.0 / (1.0 + stride)
                stride *= 4.0

    def _move_arcs(self, arcs: np.ndarray) -> None:
        """Go where the model of the arcs promises most within a radius of the best factors.

        The radius of an arc shrinks where its part of a promise fails, and grows where it is kept.
        Source, from memory: Marsten, Hogan and Blankenship, *The boxstep method for large-scale
        optimization*, Operations Research 23(3), 1975, DOI 10.1287/opre.23.3.389.
        """
        assert self.best is not None  # the scale was looked for
        budgets = self.dual.heat.budgets if self.dual.heat else ()
        model = ArcModel(arcs, self.best, self.dual.boxes, budgets)
        known = np.array_equal(model.multipliers(model.factors), self.multipliers)
        model.add(self.best if known else self._look(model.multipliers(model.factors)))
        radius = np.full(model.count, RADIUS)
        scale = abs(self.upper) / np.maximum(self.best.rise.sum(axis=1), 1e-300)
        for _ in range(LONG_MOVES if budgets else self.moves):
            before, there = self.best, model.promise(self.best, radius, scale)
            promised = there.bound - before.value if there else 0.0
            least = (10 * GAIN if budgets else GAIN) * abs(self.upper)
            if there is None or promised < max(least, self.worth * self.gap) or not self.above:
                return
            prices = model.prices(there.prices)
            model.add(self._look(model.multipliers(there.factors), prices))
            share = model.excess(there, before) * model.count / promised
            radius[share > 1.0] *= 0.5
            radius[share < 0.5] *= 2.0
            radius = np.clip(radius, LEAST_RADIUS, LARGEST_RADIUS)
