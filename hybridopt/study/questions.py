"""What a study answers: Pareto fronts, main effects, and which size is nearly the best."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from ..base.errors import InputError
from .parameters import is_number
from .values import DONE, GOALS

BINS = 8


def finished(results: xr.Dataset, goal: str) -> xr.Dataset:
    """Return the tasks that have a figure for a goal.

    Raises
    ------
    InputError
        The goal is no figure, or no task has it.
    """
    if goal not in GOALS:
        raise InputError(f"--goal {goal}: is no figure of a study; figures: {', '.join(GOALS)}")
    known = (results["status"].values == DONE) & np.isfinite(results[goal].values)
    if not known.any():
        raise InputError(f"no task of the study has {goal} yet; run it first")
    return results.isel(task=np.flatnonzero(known))


def groups(results: xr.Dataset) -> list[tuple[str, str, xr.Dataset]]:
    """Return cycle, run and tasks of each combination, in the order they first come."""
    cycles, runs = results["cycle"].values, results["run"].values
    pairs = dict.fromkeys(zip(cycles.tolist(), runs.tolist(), strict=True))
    return [
        (cycle, run, results.isel(task=np.flatnonzero((cycles == cycle) & (runs == run))))
        for cycle, run in pairs
    ]


def pareto_front(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return which points no other one beats in both, smaller being better, by growing x.

    Parameters
    ----------
    x, y
        Shape (points,).

    Returns
    -------
    ndarray of int
        Positions; of equal points the first.
    """
    order = np.lexsort((y, x))
    before = np.concatenate(([np.inf], np.minimum.accumulate(y[order])[:-1]))
    return np.asarray(order[y[order] < before])


@dataclass(frozen=True)
class Size:
    """A value of a parameter with the best that all else lets it reach.

    Attributes
    ----------
    value : of the parameter
    best : least figure over all other parameters
    above_percent : above the best of all values
    """

    value: float
    best: float
    above_percent: float


def sizes(results: xr.Dataset, parameter: str, goal: str) -> list[Size]:
    """Return every value of a parameter with the best it reaches, by growing value.

    Parameters
    ----------
    results
        Tasks of one cycle and run, from :func:`finished`.
    parameter
        Its path; its values are numbers.
    goal
        Figure to make small.

    Raises
    ------
    InputError
        The study has no such parameter, or its values are no numbers.
    """
    values = parameter_values(results, parameter)
    figures = results[goal].values
    best = figures.min()
    found = [(float(v), float(figures[values == v].min())) for v in np.unique(values)]
    return [Size(value, y, 100.0 * (y - best) / abs(best)) for value, y in found]


def smallest_within(of_cycles: Sequence[Sequence[Size]], percent: float) -> float | None:
    """Return the smallest value that is within some % of the best in every list, or None."""
    near = [{s.value for s in sizes if s.above_percent <= percent} for sizes in of_cycles]
    shared = set.intersection(*near) if near else set()
    return min(shared, default=None)


def parameter_values(results: xr.Dataset, parameter: str) -> np.ndarray:
    """Return the values of a parameter with numbers.

    Raises
    ------
    InputError
        There is no such parameter, or its values are no numbers.
    """
    known = parameters_of(results)
    if parameter not in known:
        raise InputError(
            f"{parameter}: is no parameter of the study; parameters: {', '.join(known)}"
        )
    values = results[parameter].values
    if not all(is_number(value) for value in values.tolist()):
        raise InputError(f"{parameter}: has values that are no numbers; name another parameter")
    return np.asarray(values, dtype=np.float64)


def parameters_of(results: xr.Dataset) -> list[str]:
    """Return the paths of the parameters."""
    return [str(name) for name in results.coords if name not in ("cycle", "run", "digest")]


def main_effect(values: np.ndarray, figures: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return values of a parameter and the mean figure at each, all else being whatever it is.

    Parameters
    ----------
    values, figures
        Shape (tasks,). Where there are more different values than a grid has, as of samples, they
        are put into :data:`BINS` bins of equally many.
    """
    different, place = np.unique(values, return_inverse=True)
    if different.size > 2 * BINS:
        place = (np.argsort(np.argsort(values)) * BINS) // values.size
        counts = np.bincount(place)
        return np.bincount(place, values) / counts, np.bincount(place, figures) / counts
    return different, np.bincount(place, figures) / np.bincount(place)
