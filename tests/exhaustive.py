"""Exhaustive backward sweeps that share no code with the package's kernels.

Both evaluate every admissible split at every SoC point in every step, gear and engine class:
`numpy_sweep` as arrays over splits and SoC points, `plain_sweep` as nested loops in numba. The
problem is that of `hybridopt.optimum.solve.solve`: current I = 2 P / (U + sqrt(U^2 - 4 R P)),
linear interpolation of the value, flat above the window, rising by the floor penalty below it.
"""

import itertools

import numpy as np
from numba import njit


def numpy_sweep(problem):
    """Return the cost-to-go before the first step, g, (states, gears, SoC points)."""
    points, grid = problem.points.part(0, problem.points.steps), problem.grid
    battery, value, graph = battery_at(problem), terminal_value(problem), problem.events.graph
    for t in reversed(range(points.steps)):
        arrivals = set(zip(graph.engine.tolist(), graph.target.tolist(), strict=True))
        best = {arrival: np.full((points.gears, grid.points), np.inf) for arrival in arrivals}
        for g, (c, state) in itertools.product(range(points.gears), arrivals):
            used = np.flatnonzero(np.isfinite(points.cost[t, g, c, : points.count[t, g, c]]))
            if used.size:
                cost, power = points.cost[t, g, c, used], points.power[t, g, c, used]
                landing = landings(problem.cell, grid, battery, power, points.dt[t])
                after = interpolated(value[state, g], landing, grid)
                best[c, state][g] = np.min(cost[:, None] + after, axis=0)
        value = with_events(problem, best, t)
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
    return np.tile(cost, (problem.events.graph.states, problem.points.gears, 1))


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


def with_events(problem, best, t):
    """Least over moves and next gears, of best[class, state][gear, SoC point] and events."""
    events, gears, points = problem.events, problem.points.gears, problem.grid.points
    soc = problem.grid.low + problem.grid.spacing * np.arange(points)
    value = np.full((events.graph.states, gears, points), np.inf)
    same, up = np.eye(gears, dtype=bool), np.triu(np.ones((gears, gears), dtype=bool), 1)
    for m, (s, c, to, kind) in enumerate(zip(*moves_of(problem), strict=True)):
        allowed = {0: same | ~same, 1: same, 2: ~same, 3: up, 4: up.T}[int(kind)]
        paid = np.where(allowed, problem.shift[t, c] + events.cost[t, m], np.inf)
        least = np.min(best[int(c), int(to)] + paid[..., None], axis=1)
        open_ = soc >= events.soc_min[m] - 1e-9 * problem.grid.spacing
        value[s] = np.where(open_, np.minimum(value[s], least), value[s])
    return value


def moves_of(problem):
    """Source, engine class, target and kind of gear of every move."""
    graph = problem.events.graph
    return graph.source, graph.engine, graph.target, graph.gear


def plain_sweep(problem):
    """As `numpy_sweep`, by nested loops in numba."""
    points, cell, grid = problem.points.part(0, problem.points.steps), problem.cell, problem.grid
    value = terminal_value(problem)
    _plain(
        points.cost,
        points.power,
        points.count,
        points.dt,
        battery_at(problem),
        1.0 / (cell.capacity * grid.spacing),
        cell.efficiency,
        grid.floor_penalty * grid.spacing,
        problem.shift,
        problem.events.cost,
        moves_of(problem),
        value,
    )
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
def _plain(
    cost,
    power,
    count,
    dt,
    battery,
    per_charge,
    efficiency,
    floor_slope,
    shift,
    move_cost,
    moves,
    value,
):
    steps, gears, points = cost.shape[0], cost.shape[1], value.shape[2]
    source, engine, target, kind = moves
    best = np.empty((source.size, gears, points))
    for t in range(steps - 1, -1, -1):
        best[:] = np.inf
        for m in range(source.size):
            first = 0  # moves with the same class and target share their values
            while engine[first] != engine[m] or target[first] != target[m]:
                first += 1
            if first < m:
                best[m] = best[first]
                continue
            c = engine[m]
            for g in range(gears):
                row = value[target[m], g]
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
                        if total < best[m, g, x]:
                            best[m, g, x] = total
        value[:] = np.inf
        for m in range(source.size):
            for g in range(gears):
                for g2 in range(gears):
                    if kind[m] in (1, 2) and (kind[m] == 1) != (g == g2):
                        continue
                    if kind[m] == 3 and g2 <= g or kind[m] == 4 and g2 >= g:
                        continue
                    for x in range(points):
                        total = best[m, g2, x] + shift[t, engine[m], g, g2] + move_cost[t, m]
                        if total < value[source[m], g, x]:
                            value[source[m], g, x] = total
