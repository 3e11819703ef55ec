"""Boxes of stored energy, with the battery at which a power takes the least of it."""

import numpy as np

from ..physics.battery import root_voltage, stored_energy, voltage_at
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
    window = problem.settings.socs
    edges = np.linspace(window[0], window[1], count + 1)
    lowest, highest = (of[:-1] for of in reached(problem, end, corridor))
    slack = 1e-9
    first = np.searchsorted(edges, lowest - slack, side="right") - 1
    last = np.searchsorted(edges, highest + slack, side="left") - 1
    first, last = np.clip(first, 0, count - 1), np.clip(last, 0, count - 1)
    last = np.maximum(last, first)
    ranges, which = np.unique(np.column_stack((first, last + 1)), axis=0, return_inverse=True)
    wide = box_rows(problem, edges[ranges[:, 0]], edges[ranges[:, 1]])
    return Boxes(
        rows=box_rows(problem, edges[:-1], edges[1:]),
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


def reached(
    problem: Problem, end: float | None, corridor: Corridor | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return lowest and highest SoC before each step and at the end, (steps + 1,) each.

    Parameters are those of :func:`make_boxes`.
    """
    rise, drop = problem.reach(*problem.power_ranges, problem.points.dt)
    lowest = problem.soc - np.concatenate(([0.0], np.cumsum(drop)))
    highest = problem.soc + np.concatenate(([0.0], np.cumsum(rise)))
    if end is not None and problem.grid.penalty > 0.0:
        left = np.append(np.cumsum(rise[::-1])[::-1], 0.0)
        lowest = np.maximum(lowest, end - left)
    if corridor is not None:
        lowest, highest = np.maximum(lowest, corridor.low), np.minimum(highest, corridor.high)
    return lowest, highest


def box_rows(problem: Problem, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the boxes of SoC ranges, (ranges, 6)."""
    cell, step = problem.cell, problem.max_move * problem.grid.spacing  # farthest in a step
    soc = np.clip(cell.soc, low[:, None], high[:, None])  # the battery is linear between these
    soc = np.column_stack((low, soc, high))
    voltage = voltage_at(cell, soc)
    discharge = np.interp(soc, cell.soc, cell.discharge)
    charge = np.interp(soc, cell.soc, cell.charge)
    near = (cell.soc[1:] > low[:, None] - step) & (cell.soc[:-1] < high[:, None] + step)
    slope = np.diff(cell.voltage) / np.diff(cell.soc)
    rise = np.where(near, slope, 0.0).max(axis=1, initial=0.0)
    ratio = _current_ratios(voltage, discharge, float(problem.power_ranges[1].max()))
    bend = 0.5 * rise / cell.capacity * ratio**2
    z_low, z_high = stored_energy(cell, low), stored_energy(cell, high)
    lowest = voltage.max(axis=1), discharge.min(axis=1), charge.min(axis=1)
    return np.column_stack((z_low, z_high, *lowest, bend))


def _current_ratios(voltage: np.ndarray, resistance: np.ndarray, power: float) -> np.ndarray:
    """Most that currents in boxes can exceed those at highest voltage, lowest resistance.

    A current lies between P / U and 2 P / U, which counts where the power is beyond what the
    battery gives at the lowest voltage and highest resistance. Arrays are (boxes, SoCs).
    """
    low, high = voltage.min(axis=1), voltage.max(axis=1)
    worst = root_voltage(low, resistance.max(axis=1), power)
    best = root_voltage(high, resistance.min(axis=1), power)
    usual = np.maximum(high / low, best / worst)
    return np.asarray(np.where(worst <= low, 2.0 * high / low, usual))
