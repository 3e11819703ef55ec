"""Numba kernels of the regret of decisions: the best of a step against the cost-to-go."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..controllers.situation import _move
from ..dp.kernels import _slope, _value
from ..physics.battery import _landing, _rates, _state
from ..problem.grid import FLOOR_FACTOR, Grid, _terminal

TOO_STEEP = 1.5  # times the penalty for missing the target: a fall that only the floor explains


class CostAhead(NamedTuple):
    """Cost-to-go after a step.

    Attributes
    ----------
    grid : its SoC axis
    row : g, (states, gears, SoC points)
    final : whether the step is the last
    """

    grid: Grid
    row: Any
    final: bool


class BestSplits(NamedTuple):
    """Least cost plus value, g, and its split, of every engine state and gear, (2, gears)."""

    value: Any
    split: Any


@kernel
def _value_at(grid, row, final, soc):
    """Cost-to-go at a SoC, or after the last step what missing the target costs."""
    return _terminal(grid, soc) if final else _value(grid, row, soc)


@kernel
def _leaves_window(grid, row, soc):
    """Whether the window must be left from a SoC, so that the cost-to-go there is penalties.

    Missing the target costs the plain penalty per unit of SoC, the most by which a cost-to-go falls
    over it for any other reason; being below the window costs :data:`FLOOR_FACTOR` times that.
    """
    plain = grid.floor_penalty / FLOOR_FACTOR
    return soc < grid.low or _slope(grid, row, soc) > TOO_STEEP * plain


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
                total += _value_at(ahead.grid, row, ahead.final, after)
                if total < best.value[on, g]:
                    best.value[on, g], best.split[on, g] = total, k
