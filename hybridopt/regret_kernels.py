"""Numba kernels of the regret of decisions: the best of a step against the cost-to-go."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np
from numba import njit

from .dp.kernels import _next_soc, _state, _terminal, _value
from .step import OFF, RUNNING, STARTING


@njit(cache=True)
def _shifted_value(grid, row, final, soc, aim):
    """Cost-to-go with its SoC axis shifted by `aim`, but never out of the window by that."""
    top = grid.low + grid.spacing * (grid.points - 1)
    shifted = soc - aim
    if grid.low <= soc <= top:
        shifted = min(max(shifted, grid.low), top)
    return _terminal(grid, shifted) if final else _value(grid, row, shifted)


@njit(cache=True)
def _best_splits(cost, power, count, dt, cell, grid, shift, start_cost, row, final, aim, soc,
                 engine, gear, best, split):  # fmt: skip
    """Fill the least cost plus value of every engine state and gear, and the split it has."""
    state = _state(cell, soc)
    for c in (OFF, RUNNING if engine == 1 else STARTING):
        for g in range(cost.shape[0]):
            on = min(c, 1)
            event = shift[c, gear, g] + (start_cost if c == STARTING else 0.0)
            best[on, g], split[on, g] = np.inf, -1
            for k in range(count[g, c]):
                if cost[g, c, k] == np.inf:
                    continue
                after = _next_soc(cell, state, soc, power[g, c, k], dt)
                if np.isnan(after):
                    continue
                total = cost[g, c, k] + event + _shifted_value(grid, row[on, g], final, after, aim)
                if total < best[on, g]:
                    best[on, g], split[on, g] = total, k
