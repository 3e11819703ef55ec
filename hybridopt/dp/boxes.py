"""Boxes of stored energy, with the battery at which a power takes the least of it."""

import numpy as np

from ..physics.battery import corners, root_voltage, stored_energy, voltage_at
from ..problem.problem import Problem
from .bound_kernels import Boxes
from .corridor import Corridor
from .hulls import GATED, stage_classes

BOXES = 64  # sub-boxes of the SoC window
NARROW_BOXES = 256  # likewise, where a corridor leaves few of them


def make_boxes(
    problem: Problem, count: int, end: float | None, corridor: Corridor | None = None
) -> Boxes:
    """Cut the SoC window into boxes, and find which of them each step can reach.

    Parameters
    ----------
    end
        Lowest SoC at the end; None for any in the window.
    corridor
        What schedules keep to; None for all that the battery's power can reach.
    """
    grid, window = problem.grid, problem.settings.socs
    edges = np.linspace(window[0], window[1], count + 1)
    step = problem.max_move * grid.spacing
    pairs = zip(edges[:-1], edges[1:], strict=True)
    rise, drop = problem.reach(*problem.power_ranges, problem.points.dt)
    lowest = problem.soc - np.concatenate(([0.0], np.cumsum(drop)[:-1]))
    highest = problem.soc + np.concatenate(([0.0], np.cumsum(rise)[:-1]))
    if end is not None and grid.penalty > 0.0:
        lowest = np.maximum(lowest, end - np.cumsum(rise[::-1])[::-1])
    if corridor is not None:
        lowest = np.maximum(lowest, corridor.low[:-1])
        highest = np.minimum(highest, corridor.high[:-1])
    slack = 1e-9
    first = np.searchsorted(edges, lowest - slack, side="right") - 1
    last = np.searchsorted(edges, highest + slack, side="left") - 1
    first, last = np.clip(first, 0, count - 1), np.clip(last, 0, count - 1)
    last = np.maximum(last, first)
    ranges, which = np.unique(np.column_stack((first, last + 1)), axis=0, return_inverse=True)
    wide = np.array([_box(problem, edges[a], edges[b], step) for a, b in ranges])
    return Boxes(
        rows=np.array([_box(problem, a, b, step) for a, b in pairs]),
        wide=wide[which.ravel()],
        first=first.astype(np.int64),
        last=last.astype(np.int64),
        floor=_floors(problem, slack),
        z_start=float(stored_energy(problem.cell, problem.soc)),
        z_end=float(stored_energy(problem.cell, window[0] if end is None else end)),
    )


def _floors(problem: Problem, slack: float) -> np.ndarray:
    """Return the least stored energy before a step of each class of stages, J."""
    taken = stage_classes(problem)
    floor = np.full(int(taken.max()) + 1, -np.inf)
    if (taken == GATED).any():
        opens = problem.events.soc_min[taken == GATED].min() - slack
        floor[GATED] = stored_energy(problem.cell, min(opens, problem.settings.socs[1]))
    return floor


def _box(problem: Problem, low: float, high: float, step: float) -> list[float]:
    """Box of one SoC range; `step` is the farthest SoC can move in a step."""
    cell = problem.cell
    soc = corners(cell, low, high)
    voltage = voltage_at(cell, soc)
    discharge = np.interp(soc, cell.soc, cell.discharge)
    charge = np.interp(soc, cell.soc, cell.charge)
    near = (cell.soc[1:] > low - step) & (cell.soc[:-1] < high + step)
    rise = float(np.max((np.diff(cell.voltage) / np.diff(cell.soc))[near], initial=0.0))
    power = float(problem.power_ranges[1].max())
    ratio = _current_ratio(voltage, discharge, power)
    bend = 0.5 * rise / cell.capacity * ratio**2
    z_low, z_high = stored_energy(cell, np.array([low, high]))
    return [z_low, z_high, voltage.max(), discharge.min(), charge.min(), bend]


def _current_ratio(voltage: np.ndarray, resistance: np.ndarray, power: float) -> float:
    """Most that a current in a box can exceed the one at highest voltage, lowest resistance.

    A current lies between P / U and 2 P / U, which counts where the power is beyond what the
    battery gives at the lowest voltage and highest resistance.
    """
    plain, low = float(voltage.max() / voltage.min()), float(voltage.min())
    worst = float(root_voltage(low, resistance.max(), power))
    if worst <= low:
        return 2.0 * plain
    best = float(root_voltage(voltage.max(), resistance.min(), power))
    return max(plain, best / worst)
