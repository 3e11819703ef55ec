"""Exhaustive backward sweeps that share no code with the package's kernels.

Both evaluate every admissible split at every SoC point in every step, gear and engine class:
`numpy_sweep` as arrays over splits and SoC points, `plain_sweep` as nested loops in numba. The
problem is that of `hybridopt.dp.solve.solve`: current I = 2 P / (U + sqrt(U^2 - 4 R P)), linear
interpolation of the value, flat above the window, rising by the floor penalty below it.
"""

import numpy as np
from numba import njit

OFF, RUNNING, STARTING = 0, 1, 2


def numpy_sweep(problem):
    """Return the cost-to-go before the first step, g, (2 engine states, gears, SoC points)."""
    points, grid = problem.points.part(0, problem.points.steps), problem.grid
    battery, value = battery_at(problem), terminal_value(problem)
    for t in reversed(range(points.steps)):
        best = np.full((3, points.gears, grid.points), np.inf)
        for g, c in np.ndindex(points.gears, 3):
            used = np.flatnonzero(np.isfinite(points.cost[t, g, c, : points.count[t, g, c]]))
            if used.size:
                cost, power = points.cost[t, g, c, used], points.power[t, g, c, used]
                landing = landings(problem.cell, grid, battery, power, points.dt[t])
                after = interpolated(value[int(c != OFF), g], landing, grid)
                best[c, g] = np.min(cost[:, None] + after, axis=0)
        value = with_events(best, problem.shift[t], problem.start_cost)
    return value


def battery_at(problem):
    """Voltage, resistances (discharge, charge), highest and lowest power at the SoC points."""
    cell, grid = problem.cell, problem.grid
    soc = grid.low + grid.spacing * np.arange(grid.points)
    columns = (cell.voltage, cell.discharge, cell.charge, cell.power_max, cell.power_min)
    voltage, discharge, charge, most, least = (np.interp(soc, cell.soc, c) for c in columns)
    with np.errstate(divide="ignore"):
        most = np.minimum(most, voltage**2 / (4.0 * discharge))
    return np.array([voltage, discharge, charge, most, least])


def terminal_value(problem):
    """Penalty of the final SoC in every engine state and gear."""
    grid = problem.grid
    miss = grid.target - (grid.low + grid.spacing * np.arange(grid.points))
    cost = grid.penalty * (np.abs(miss) if grid.two_sided else np.maximum(miss, 0.0))
    return np.tile(cost, (2, problem.points.gears, 1))


def landings(cell, grid, battery, power, dt):
    """Where each split leads from each SoC point, in grid cells, (splits, SoC points), or NaN."""
    voltage, discharge, charge, most, least = battery
    power = power[:, None]
    resistance = np.where(power > 0.0, discharge, charge)
    root = np.sqrt(np.maximum(voltage**2 - 4.0 * resistance * power, 0.0))
    current = 2.0 * power / (voltage + root) * np.where(power < 0.0, cell.efficiency, 1.0)
    landing = np.arange(grid.points) - current * dt / (cell.capacity * grid.spacing)
    return np.where((power <= most) & (power >= least), landing, np.nan)


def interpolated(row, landing, grid):
    """Value at landings, infinite where the landing or a neighbour it needs is not allowed."""
    inside = np.clip(landing, 0.0, grid.points - 1.0)
    i = np.where(np.isnan(inside), 0.0, inside).astype(np.int64)
    share = inside - i
    here, ahead = row[i], row[np.minimum(i + 1, grid.points - 1)]
    with np.errstate(invalid="ignore"):
        between = np.where(share == 0.0, here, here + share * (ahead - here))
    below = grid.floor_penalty * grid.spacing * np.maximum(-landing, 0.0)
    return np.where(np.isnan(between), np.inf, between + below)


def with_events(best, shift, start_cost):
    """Least over the next gear and engine state, of best[class, gear, SoC point] and events."""
    own = np.min(best[:, None] + shift[..., None], axis=2)
    off, running, starting = own[OFF], own[RUNNING], own[STARTING] + start_cost
    return np.array([np.minimum(off, starting), np.minimum(off, running)])


def plain_sweep(problem):
    """As `numpy_sweep`, by nested loops in numba."""
    points, cell, grid = problem.points.part(0, problem.points.steps), problem.cell, problem.grid
    value = terminal_value(problem)
    _plain(points.cost, points.power, points.count, points.dt, battery_at(problem),
           1.0 / (cell.capacity * grid.spacing), cell.efficiency,
           grid.floor_penalty * grid.spacing, problem.shift, problem.start_cost,
           value)  # fmt: skip
    return value


@njit(cache=True)
def _after(row, landing, floor_slope):
    if landing <= 0.0:
        return row[0] - floor_slope * landing
    i = int(landing)
    if i >= row.size - 1:
        return row[-1]
    share = landing - i
    return row[i] + share * (row[i + 1] - row[i]) if share > 0.0 else row[i]


@njit(cache=True)
def _plain(cost, power, count, dt, battery, per_charge, efficiency, floor_slope, shift,
           start_cost, value):  # fmt: skip
    steps, gears, points = cost.shape[0], cost.shape[1], value.shape[2]
    best = np.empty((3, gears, points))
    for t in range(steps - 1, -1, -1):
        best[:] = np.inf
        for c in range(3):
            for g in range(gears):
                row = value[min(c, 1), g]
                for k in range(count[t, g, c]):
                    watts = power[t, g, c, k]
                    if cost[t, g, c, k] == np.inf:
                        continue
                    for x in range(points):
                        if not battery[4, x] <= watts <= battery[3, x]:
                            continue
                        u, r = battery[0, x], battery[1 if watts > 0.0 else 2, x]
                        current = 2.0 * watts / (u + np.sqrt(max(u * u - 4.0 * r * watts, 0.0)))
                        charge = current * dt[t] * (efficiency if watts < 0.0 else 1.0)
                        total = cost[t, g, c, k] + _after(row, x - charge * per_charge, floor_slope)
                        if total < best[c, g, x]:
                            best[c, g, x] = total
        value[:] = np.inf
        for e in range(2):
            for c in (OFF, RUNNING if e == 1 else STARTING):
                extra = start_cost if c == STARTING else 0.0
                for g in range(gears):
                    for g2 in range(gears):
                        for x in range(points):
                            total = best[c, g2, x] + shift[t, c, g, g2] + extra
                            if total < value[e, g, x]:
                                value[e, g, x] = total
