"""The multipliers that prove most: found by cutting planes.

The bound is concave in the multipliers, so the tangent of every evaluation lies above it
everywhere, and all of them together say how much may still be gained, and where.
"""

from typing import NamedTuple

import numpy as np

from .dual import Dual

WANTED_PERCENT = 0.01  # gap at which the ascent stops
NOTED_PERCENT = 0.1  # gap above which arcs are cut, and the gap's cause is reported
SCALINGS, MOVES = 20, 60  # evaluations at most: for the scale of a start, and for a set of arcs
ARCS = 64  # at most
WORTH = 0.1  # of the gap: what cutting arcs must close to be tried again
GAIN = 1e-7  # of the cost: the ascent goes on while more than this may be gained
FIRST_STRIDE, LARGEST_SCALE = 3e-4, 1e3  # of the common scale
BOX, LARGEST_BOX = 0.05, 1.0  # how far multipliers move in one evaluation, shares of them
LEAST_SHARE = 1e-3  # of the largest multiplier: what shares are taken of at least


class Tangent(NamedTuple):
    """An evaluation of the bound: value, g, supergradient, J, and multipliers, (steps,) each."""

    value: float
    slope: np.ndarray
    multipliers: np.ndarray


class Promise(NamedTuple):
    """What the tangents promise within a box: multipliers, (steps,), and the gain there, g.

    `slope` is the supergradient mixed of all tangents that meet there, J, (steps,).
    """

    multipliers: np.ndarray
    gain: float
    slope: np.ndarray


class Ascent:
    """The search for the best multipliers; any give a sound bound, so the best ones count.

    Parameters
    ----------
    dual
        The bound as a function of the multipliers.
    upper
        Cost of a schedule, g: the bound cannot rise above it.
    arcs
        Number of each step's arc, from 0; steps of one arc move together, (steps,).

    Attributes
    ----------
    best : g, the highest bound found
    multipliers : where, g/J, (steps,)
    tangents : of every evaluation
    """

    def __init__(self, dual: Dual, upper: float, arcs: np.ndarray) -> None:
        self.dual, self.upper, self.arcs = dual, upper, arcs
        self.best, self.multipliers = -np.inf, np.empty(0)
        self.tangents: list[Tangent] = []

    def climb(self, starts: list[np.ndarray], cutting: bool = True) -> None:
        """Scale the first start, and the others; then move arcs, and cut them where that pays.

        Parameters
        ----------
        starts
            Guesses of the multipliers, g/J, (steps,) each. The first proves enough where the
            schedule keeps off its limits, so there the others are looked at only above the gap
            that is noted.
        cutting
            Whether arcs may be cut.
        """
        self._scale(starts[0])
        if self._above(WANTED_PERCENT if self.arcs.any() else NOTED_PERCENT):
            for start in starts[1:]:
                self._scale(start)
        if self._above(WANTED_PERCENT) and self.arcs.any():
            self._move_arcs()
        before = -self.upper
        while cutting and self._above(NOTED_PERCENT):
            if self.best - before < WORTH * (self.upper - before):
                return
            before = self.best
            self._cut_arcs()
            self._move_arcs()

    def _look(self, multipliers: np.ndarray) -> Tangent:
        value, slope = self.dual.value(multipliers)
        self.tangents.append(Tangent(value, slope, multipliers))
        if value > self.best:
            self.best, self.multipliers = value, multipliers
        return self.tangents[-1]

    def _above(self, percent: float) -> bool:
        """Return whether the gap is above so much of the cost."""
        return self.upper - self.best > 1e-2 * percent * abs(self.upper)

    def _scale(self, start: np.ndarray) -> None:
        """Maximise over one common scale: the next is where the tangents beside the top meet.

        Source: Kelley, *The cutting-plane method for solving convex programs*, J. SIAM 8(4), 1960,
        DOI 10.1137/0108053.
        """
        sides: list[tuple[float, float, float] | None] = [None, None]
        scale, stride, best = 1.0, FIRST_STRIDE, -np.inf
        for _ in range(SCALINGS):
            here = self._look(scale * start)
            slope, best = float(start @ here.slope), max(best, here.value)
            sides[int(slope < 0.0)] = scale, here.value, slope
            if slope == 0.0 or scale > LARGEST_SCALE or not self._above(WANTED_PERCENT):
                return
            left, right = sides
            if left and right:
                scale = (right[1] - left[1] + left[2] * left[0] - right[2] * right[0]) / (
                    left[2] - right[2]
                )
                if left[1] + left[2] * (scale - left[0]) < best + GAIN * abs(self.upper):
                    return
            else:
                scale *= 1.0 + stride if left else 1.0 / (1.0 + stride)
                stride *= 4.0

    def _move_arcs(self) -> None:
        """Go where the tangents promise most within a box around the best multipliers.

        The box grows where a promise is kept, and shrinks where it fails. Source, from
        memory: Marsten, Hogan and Blankenship, *The boxstep method for large-scale optimization*,
        Operations Research 23(3), 1975, DOI 10.1287/opre.23.3.389.
        """
        box = BOX
        for _ in range(MOVES):
            there = self._promise(box)
            if there.gain < GAIN * abs(self.upper) or not self._above(WANTED_PERCENT):
                return
            before = self.best
            gain = self._look(there.multipliers).value - before
            if gain > 0.5 * there.gain:
                box = min(2.0 * box, LARGEST_BOX)
            elif gain < -there.gain:
                box *= 0.5

    def _cut_arcs(self) -> None:
        """Cut arcs in two where that promises most.

        At the best multipliers the supergradient adds up to nothing over an arc. Where its sum over
        the first steps is farthest from nothing, these want to move one way and the rest the other.
        """
        slope = self._promise(BOX).slope * self.multipliers
        promises, places = [], []
        for arc in range(self.arcs.max() + 1):
            steps = np.flatnonzero(self.arcs == arc)
            sums = np.abs(np.cumsum(slope[steps]))[:-1]
            if sums.size and sums.max() > 0.0:
                promises.append(sums.max())
                places.append(steps[sums.argmax()] + 1)
        room = min(ARCS - int(self.arcs.max()) - 1, len(places))
        chosen = np.array(places, dtype=np.int64)[np.argsort(promises)[::-1][:room]]
        begins = np.concatenate(([False], np.diff(self.arcs) > 0))
        begins[chosen] = True
        self.arcs = np.cumsum(begins)

    def _promise(self, box: float) -> Promise:
        """Return where in a box around the best multipliers the tangents lie highest."""
        from scipy.optimize import linprog  # 0.25 s that most cycles do not need

        count = int(self.arcs.max()) + 1
        first = np.searchsorted(self.arcs, np.arange(count))
        scale = np.maximum(self.multipliers, LEAST_SHARE * self.multipliers.max())
        rows = np.ones((len(self.tangents), count + 1))
        for row, tangent in zip(rows, self.tangents, strict=True):
            row[:-1] = -np.bincount(self.arcs, tangent.slope * scale, count)
        limits = [tangent.value - tangent.slope @ tangent.multipliers for tangent in self.tangents]
        place = (self.multipliers / scale)[first]
        low, high = np.append(np.maximum(place - box, 0.0), -np.inf), np.append(place + box, np.inf)
        goal = np.append(np.zeros(count), -1.0)
        found = linprog(goal, A_ub=rows, b_ub=limits, bounds=np.column_stack((low, high)))
        if not found.success:
            return Promise(self.multipliers, 0.0, self.tangents[-1].slope)
        mixture = -found.ineqlin.marginals
        slope = np.sum([m * t.slope for m, t in zip(mixture, self.tangents, strict=True)], axis=0)
        factors = np.maximum(found.x[:-1], 0.0)  # the solver keeps limits to its tolerance only
        return Promise(factors[self.arcs] * scale, float(found.x[-1]) - self.best, slope)
