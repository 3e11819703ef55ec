"""Numba kernels of the regret of decisions: the best of a step against the cost-to-go."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel
from ..dp.kernels import _value
from ..physics.battery import _next_soc, _state
from ..problem.graph import _gear_fits
from ..problem.grid import _terminal


@kernel
def _shifted_value(grid, row, final, soc, aim):
    """Cost-to-go with its SoC axis shifted by `aim`, but never out of the window by that."""
    top = grid.low + grid.spacing * (grid.points - 1)
    shifted = soc - aim
    if grid.low <= soc <= top:
        shifted = min(max(shifted, grid.low), top)
    return _terminal(grid, shifted) if final else _value(grid, row, shifted)


@kernel
def _best_splits(
    cost,
    power,
    count,
    dt,
    cell,
    grid,
    shift,
    graph,
    move_cost,
    soc_least,
    row,
    final,
    aim,
    soc,
    source,
    gear,
    best,
    split,
):
    """Fill the least cost plus value of every engine state and gear, and the split it has."""
    state = _state(cell, soc)
    best[:], split[:] = np.inf, -1
    for m in range(graph.source.size):
        if graph.source[m] != source or soc < soc_least[m]:
            continue
        for g in range(cost.shape[0]):
            c, target = graph.engine[m], graph.target[m]
            on, event = min(c, 1), shift[c, gear, g] + move_cost[m]
            if event == np.inf or not _gear_fits(graph, m, gear, g):
                continue
            for k in range(count[g, c]):
                if cost[g, c, k] == np.inf:
                    continue
                after = _next_soc(cell, state, soc, power[g, c, k], dt)
                if np.isnan(after):
                    continue
                total = cost[g, c, k] + event
                total += _shifted_value(grid, row[target, g], final, after, aim)
                if total < best[on, g]:
                    best[on, g], split[on, g] = total, k
