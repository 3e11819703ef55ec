"""What a study answers: Pareto fronts, main effects, and which size is nearly the best."""

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
import xarray as xr

from ..base.errors import InputError
from .values import DONE, GOALS

BINS = 8


def finished(results: xr.Dataset, goal: str) -> xr.Dataset:
    """Return the tasks that have a value for a goal.

    Raises
    ------
    InputError
        The goal is no value of a task, or no task has it.
    """
    if goal not in GOALS:
        raise InputError(f"--goal {goal}: is no value of a study; values: {', '.join(GOALS)}")
    known = (results["status"].values == DONE) & np.isfinite(results[goal].values)
    if not known.any():
        raise InputError(f"no task of the study has {goal} yet; run it first")
    return results.isel(task=np.flatnonzero(known))


def task_table(results: xr.Dataset) -> pd.DataFrame:
    """Return parameters, cycle, run, digest and values of all tasks, a row each, without traces."""
    return results.drop_dims("step", errors="ignore").to_dataframe()


def groups(results: xr.Dataset) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Yield cycle, run and table of tasks of each combination, in the order they first come."""
    for (cycle, run), tasks in task_table(results).groupby(["cycle", "run"], sort=False):
        yield cycle, run, tasks


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


def best_by_value(tasks: pd.DataFrame, parameter: str, goal: str) -> pd.DataFrame:
    """Return every value of a parameter with the best that all else lets it reach.

    Parameters
    ----------
    tasks
        Of one cycle and run, from :func:`groups`.
    parameter
        Its path; its values are numbers.
    goal
        Value to make small.

    Returns
    -------
    DataFrame
        By growing `value`: `best`, the least goal over all other parameters, and `above_percent`,
        how far that lies above the best of all values, %.
    """
    best = tasks.groupby(parameter)[goal].min().rename_axis("value").rename("best").reset_index()
    lowest = best["best"].min()
    return best.assign(above_percent=100.0 * (best["best"] - lowest) / abs(lowest))


def smallest_within(tables: Sequence[pd.DataFrame], percent: float) -> float | None:
    """Return the smallest value that is within some % of the best in every table, or None.

    Parameters
    ----------
    tables
        From :func:`best_by_value`.
    percent
        How near.
    """
    near = [set(table["value"][table["above_percent"] <= percent].tolist()) for table in tables]
    return min(set.intersection(*near), default=None)


def check_numeric(results: xr.Dataset, parameter: str) -> None:
    """Refuse a parameter that is not there, or whose values are no numbers.

    Raises
    ------
    InputError
        It is so.
    """
    known = parameters_of(results)
    if parameter not in known:
        raise InputError(
            f"{parameter}: is no parameter of the study; parameters: {', '.join(known)}"
        )
    if not is_numeric(results, parameter):
        raise InputError(f"{parameter}: has values that are no numbers; name another parameter")


def is_numeric(results: xr.Dataset, name: str) -> bool:
    """Return whether a parameter or value has numbers."""
    return results[name].dtype.kind in "fiu"


def parameters_of(results: xr.Dataset) -> list[str]:
    """Return the paths of the parameters."""
    return [str(name) for name in results.coords if name not in ("cycle", "run", "digest")]


def varying_parameters(results: xr.Dataset) -> list[str]:
    """Return the paths of the parameters that have more than one value."""
    return [name for name in parameters_of(results) if np.unique(results[name]).size > 1]


def main_effect(values: np.ndarray, goals: np.ndarray) -> pd.DataFrame:
    """Return how a goal goes with a parameter, all else being whatever it is.

    Parameters
    ----------
    values, goals
        Shape (tasks,). Where there are more different values than a grid has, as of samples, these
        are put into :data:`BINS` bins of equally many; tasks of one value stay together, since
        they are what the other parameters make of it.

    Returns
    -------
    DataFrame
        By growing value: `value`, its mean where it is binned; `mean`, `min` and `max` of the
        goal there; and `binned`.
    """
    table = pd.DataFrame({"value": values, "goal": goals})
    different = table["value"].nunique()
    binned = different > 2 * BINS
    place = table["value"].rank(method="dense") - 1.0
    if binned:
        place = place * BINS // different
    by_place = table.groupby(place.rename("place"))
    effect = by_place["goal"].agg(["mean", "min", "max"])
    effect.insert(0, "value", by_place["value"].mean())
    return effect.reset_index(drop=True).assign(binned=binned)
