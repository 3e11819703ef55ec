"""Numba kernels of the regret of decisions: the best of a step against the cost-to-go."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..controllers.situation import _move
from ..dp.kernels import _value
from ..physics.battery import _landing, _rates, _state
from ..problem.grid import Grid, _terminal


class CostAhead(NamedTuple):
    """Cost-to-go after a step.

    Attributes
    ----------
    grid : its SoC axis
    row : g, (states, gears, SoC points)
    final : whether the step is the last
    aim : SoC by which the axis is shifted
    """

    grid: Grid
    row: Any
    final: bool
    aim: float


class BestSplits(NamedTuple):
    """Least cost plus value, g, and its split, of every engine state and gear, (2, gears)."""

    value: Any
    split: Any


@kernel
def _shifted_value(grid, row, final, soc, aim):
    """Cost-to-go with its SoC axis shifted by `aim`, but never out of the window by that."""
    shifted = soc - aim
    if grid.low <= soc <= grid.top:
        shifted = min(max(shifted, grid.low), grid.top)
    return _terminal(grid, shifted) if final else _value(grid, row, shifted)


@kernel
def _best_splits(points, cell, dt, moves, ahead, at, best):
    """Fill the least cost plus value of every engine state and gear, and the split it has.

    `at` is where the drive is; steps of points count from their first one.
    """
    t, i = at.t, at.t - points.first
    state, rates = _state(cell, at.soc), _rates(cell, dt)
    best.value[:], best.split[:] = np.inf, -1
    for c in range(points.cost.shape[2]):
        for g in range(points.cost.shape[1]):
            m = _move(moves, at, c, g)
            if m < 0 or at.soc < moves.min_soc[m]:
                continue
            on, event = min(c, 1), moves.shift[t, c, at.gear, g] + moves.cost[t, m]
            if event == np.inf:
                continue
            row = ahead.row[moves.target[m], g]
            for k in range(points.count[i, g, c]):
                if points.cost[i, g, c, k] == np.inf:
                    continue
                after = _landing(state, rates, at.soc, points.power[i, g, c, k])
                if np.isnan(after):
                    continue
                total = points.cost[i, g, c, k] + event
                total += _shifted_value(ahead.grid, row, ahead.final, after, ahead.aim)
                if total < best.value[on, g]:
                    best.value[on, g], best.split[on, g] = total, k
