"""Stored energy over SoC, and boxes of it with what makes a battery power take least of it."""

from dataclasses import dataclass

import numpy as np

from .kernels import Cell
from .problem import Problem


@dataclass(frozen=True, eq=False)
class Boxes:
    """Boxes of SoC, those in reach of each step, and where the schedule begins and ends.

    Attributes
    ----------
    rows : (boxes, 6), as in bound_kernels
    wide : (steps, 6), likewise: the box that holds all boxes of a step
    first, last : int64, (steps,), range of boxes of each step
    z_start, z_end : J, stored energy at the start and the least one at the end
    """

    rows: np.ndarray
    wide: np.ndarray
    first: np.ndarray
    last: np.ndarray
    z_start: float
    z_end: float


def make_boxes(problem: Problem, count: int, end: float | None) -> Boxes:
    """Cut the SoC window into boxes, and find which of them each step can reach.

    Parameters
    ----------
    end
        Least SoC at the end; None for any in the window.
    """
    grid, window = problem.grid, problem.settings.socs
    edges = np.linspace(window[0], window[1], count + 1)
    step = problem.largest_fall * grid.spacing
    pairs = zip(edges[:-1], edges[1:], strict=True)
    rise, fall = problem.reach(*problem.power_ranges, problem.points.dt)
    lowest = problem.soc - np.concatenate(([0.0], np.cumsum(fall)[:-1]))
    highest = problem.soc + np.concatenate(([0.0], np.cumsum(rise)[:-1]))
    if end is not None and grid.penalty > 0.0:
        lowest = np.maximum(lowest, end - np.cumsum(rise[::-1])[::-1])
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
        z_start=float(stored_energy(problem.cell, problem.soc)),
        z_end=float(stored_energy(problem.cell, window[0] if end is None else end)),
    )


def _box(problem: Problem, low: float, high: float, step: float) -> list[float]:
    """Box of one SoC range; `step` is the farthest SoC can move in a step."""
    cell = problem.cell
    inside = cell.soc[(cell.soc > low) & (cell.soc < high)]
    soc = np.concatenate(([low], inside, [high]))
    voltage = np.interp(soc, cell.soc, cell.voltage)
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
    """Most that a current in a box can exceed the one at highest voltage, lowest resistance."""
    worst = voltage.min() ** 2 - 4.0 * resistance.max() * power
    plain = float(voltage.max() / voltage.min())
    if worst <= 0.0:
        return 2.0 * plain
    best = voltage.max() ** 2 - 4.0 * resistance.min() * power
    return max(plain, float((voltage.max() + best**0.5) / (voltage.min() + worst**0.5)))


def stored_energy(cell: Cell, soc: float | np.ndarray) -> np.ndarray:
    """Energy stored up to a SoC, J: charge times the integral of the piecewise linear voltage."""
    steps = 0.5 * np.diff(cell.soc) * (cell.voltage[1:] + cell.voltage[:-1])
    at_nodes = np.concatenate(([0.0], np.cumsum(steps)))
    i = np.clip(np.searchsorted(cell.soc, soc, side="right") - 1, 0, cell.soc.size - 2)
    past = np.asarray(soc) - cell.soc[i]
    slope = (cell.voltage[i + 1] - cell.voltage[i]) / (cell.soc[i + 1] - cell.soc[i])
    return np.asarray(cell.capacity * (at_nodes[i] + past * (cell.voltage[i] + 0.5 * slope * past)))


def voltage_slope(cell: Cell, soc: np.ndarray) -> np.ndarray:
    """Return dz/dx at states of charge: capacity times open-circuit voltage, J."""
    return np.asarray(cell.capacity * np.interp(soc, cell.soc, cell.voltage))


def resistance_at(cell: Cell, soc: float | np.ndarray, sign: np.ndarray) -> np.ndarray:
    """Return the resistance at states of charge for a sign of current or power, ohm."""
    discharge, charge = (np.interp(soc, cell.soc, r) for r in (cell.discharge, cell.charge))
    return np.asarray(np.where(sign > 0.0, discharge, charge))


def inner_power(cell: Cell, soc: float | np.ndarray, power: np.ndarray) -> np.ndarray:
    """Return the power out of the store for powers at the terminals, limits not counted, W."""
    voltage, resistance = np.interp(soc, cell.soc, cell.voltage), resistance_at(cell, soc, power)
    root = np.sqrt(np.maximum(voltage**2 - 4.0 * resistance * power, 0.0))
    current = 2.0 * power / (voltage + root)
    return np.asarray(voltage * current * np.where(power < 0.0, cell.efficiency, 1.0))
