"""What each step costs at a held price of stored energy, by gear and engine class."""

import numpy as np

from ..physics.battery import Cell, store_power
from ..physics.operating_points import OperatingPoints
from ..problem.choices import Choices
from ..problem.memory import PART


def stage_costs(points: Choices, cell: Cell, soc: float, factors: np.ndarray) -> np.ndarray:
    """Return the lowest fuel plus factor times stored energy of each step, gear and engine class.

    Parameters
    ----------
    points
        Choices of every step.
    cell
        The battery, taken at one SoC.
    soc
        0 to 1.
    factors
        Equivalence factors, g/J.

    Returns
    -------
    ndarray, (steps, factors, gears, 3)
        g, infinite where nothing is admissible.
    """
    firsts = range(0, points.steps, PART)
    parts = [points.part(t, min(t + PART, points.steps)) for t in firsts]
    return np.concatenate([_stage_costs(part, cell, soc, factors) for part in parts])


def _stage_costs(
    points: OperatingPoints, cell: Cell, soc: float, factors: np.ndarray
) -> np.ndarray:
    cost, energy = _costs_and_energies(points, cell, soc)
    return np.stack([np.min(cost + factor * energy, axis=3) for factor in factors], axis=1)


def priced_points(points: OperatingPoints, cell: Cell, soc: float, factor: float) -> np.ndarray:
    """Return fuel plus factor times stored energy of each operating point, g.

    Parameters
    ----------
    points
        Of any steps.
    cell, soc
        The battery, and the SoC it is taken at, 0 to 1.
    factor
        Equivalence factor, g/J.

    Returns
    -------
    ndarray, (steps, gears, 3, splits)
        Infinite where nothing is admissible.
    """
    cost, energy = _costs_and_energies(points, cell, soc)
    return cost + factor * energy


def _costs_and_energies(
    points: OperatingPoints, cell: Cell, soc: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return cost, g, infinite where a point is not admissible, and energy from the store, J."""
    energy = store_power(cell, soc, points.power) * points.dt[:, None, None, None]
    used = np.isfinite(points.cost) & np.isfinite(energy)
    return np.where(used, points.cost, np.inf), np.where(used, energy, 0.0)
