"""Pictures of a study: Pareto front of two quantities, and main effect of every parameter."""

import math
from collections.abc import Sequence

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ..base.errors import InputError
from ..study.parameters import is_number
from ..study.questions import groups, main_effect, parameter_values, parameters_of, pareto_front
from ..study.values import FIGURES
from .axes import dress, new_figure, plain
from .colours import INK, SERIES

COLUMNS = 3
PANEL = (3.9, 3.1)  # inch
MOST_PANELS = 12


def plot_pareto(results: xr.Dataset, against: str, goal: str) -> Figure:
    """Draw all tasks and the front, a panel per cycle and a colour per run.

    Parameters
    ----------
    results
        From :func:`hybridopt.study_results`, with a goal.
    against
        Parameter or value on the horizontal axis; smaller is better.
    goal
        Value on the vertical axis; smaller is better.

    Returns
    -------
    Figure
        A panel per cycle.

    Raises
    ------
    InputError
        `against` is neither, or has values that are no numbers.
    """
    cycles = list(dict.fromkeys(results["cycle"].values.tolist()))[:MOST_PANELS]
    runs = list(dict.fromkeys(results["run"].values.tolist()))
    figure, axes = _panels(len(cycles))
    for i, (ax, cycle) in enumerate(zip(axes, cycles, strict=True)):
        for run, colour in zip(runs, _colours(len(runs)), strict=True):
            tasks = results.isel(task=_where(results, cycle, run))
            if tasks.sizes["task"]:
                _front(ax, _axis(tasks, against), tasks[goal].values, run, colour)
        _dress(ax, cycle, against, "" if i % COLUMNS else goal)
    _legend(figure, axes[0], f"{results.attrs['study']}: least {goal} against least {against}")
    return figure


def _front(ax: Axes, x: np.ndarray, y: np.ndarray, run: str, colour: str) -> None:
    front = pareto_front(x, y)
    ax.plot(x, y, ".", color=colour, markersize=4, alpha=0.35)
    name = plain(run.rpartition("/")[2], 28)
    ax.step(x[front], y[front], "o-", where="post", color=colour, markersize=5, label=name)


def plot_effects(results: xr.Dataset, goal: str) -> Figure:
    """Draw the mean of a figure over every parameter, a panel each, a line per cycle and run.

    Each line is relative to its own mean over all tasks, in %, so that cycles can be compared; the
    bars beside a point of a grid reach from the least to the largest figure there.

    Parameters
    ----------
    results
        From :func:`hybridopt.study_results`, with a goal.
    goal
        The value that is shown.

    Returns
    -------
    Figure
        A panel per parameter.

    Raises
    ------
    InputError
        No parameter has more than one value that is done.
    """
    parameters = [name for name in parameters_of(results) if _varies(results, name)][:MOST_PANELS]
    if not parameters:
        raise InputError("no parameter of the study has more than one value that is done")
    combinations = groups(results)
    figure, axes = _panels(len(parameters))
    for i, (ax, parameter) in enumerate(zip(axes, parameters, strict=True)):
        for (cycle, run, tasks), colour in zip(
            combinations, _colours(len(combinations)), strict=True
        ):
            name = plain(f"{cycle}, {run.rpartition('/')[2]}", 40)
            _effect(ax, tasks, parameter, goal, name, colour)
        _dress(ax, "", parameter, "" if i % COLUMNS else "% from the mean of all")
    low = min(ax.get_ylim()[0] for ax in axes)
    high = max(ax.get_ylim()[1] for ax in axes)
    for ax in axes:
        ax.set_ylim(low, high)
    _legend(
        figure,
        axes[0],
        f"{results.attrs['study']}: {goal} over each parameter; points are "
        "means, bars reach from least to largest",
    )
    return figure


def _effect(ax: Axes, tasks: xr.Dataset, parameter: str, goal: str, name: str, colour: str) -> None:
    percent = 100.0 * (tasks[goal].values / tasks[goal].values.mean() - 1.0)
    values = tasks[parameter].values
    if all(is_number(value) for value in values.tolist()):
        numbers = parameter_values(tasks, parameter)
    else:
        words, numbers = np.unique(values.astype(str), return_inverse=True)
        ax.set_xticks(range(words.size), [word[:14] for word in words.tolist()])
        numbers = numbers.astype(np.float64)
    x, y = main_effect(numbers, percent)
    if x.size == np.unique(numbers).size:
        lows = [percent[numbers == at].min() for at in x]
        highs = [percent[numbers == at].max() for at in x]
        ax.vlines(x, lows, highs, color=colour, linewidth=3.0, alpha=0.18)
    else:
        ax.plot(numbers, percent, ".", color=colour, markersize=3, alpha=0.3)
    ax.plot(x, y, "o-", color=colour, markersize=4, label=name)


def _varies(results: xr.Dataset, parameter: str) -> bool:
    return len(set(results[parameter].values.tolist())) > 1


def _where(results: xr.Dataset, cycle: str, run: str) -> np.ndarray:
    return np.flatnonzero((results["cycle"].values == cycle) & (results["run"].values == run))


def _axis(tasks: xr.Dataset, name: str) -> np.ndarray:
    if name in FIGURES:
        return np.asarray(tasks[name].values, dtype=np.float64)
    try:
        return parameter_values(tasks, name)
    except InputError as error:
        raise InputError(f"--against {error}; or a figure: {', '.join(FIGURES)}") from None


def _colours(count: int) -> list[str]:
    return [SERIES[i % len(SERIES)] for i in range(count)]


def _panels(count: int) -> tuple[Figure, list[Axes]]:
    """Return a figure with as many axes as asked for, in rows of :data:`COLUMNS`."""
    columns = min(count, COLUMNS)
    rows = math.ceil(count / columns)
    width, height = max(PANEL[0] * columns, 6.5), PANEL[1] * rows + 1.0
    figure = new_figure((width, height))
    axes = figure.subplots(rows, columns, squeeze=False).ravel().tolist()
    for ax in axes[count:]:
        ax.remove()
    return figure, axes[:count]


def _dress(ax: Axes, name: str, x: str, y: str) -> None:
    ax.set_title(plain(name, 40), loc="left", fontsize=10, color=INK)
    dress(ax, _with_unit(x), _with_unit(y))
    if not ax.get_xticklabels() or not ax.get_xticklabels()[0].get_text():
        ax.xaxis.set_major_locator(MaxNLocator(6))


def _with_unit(name: str) -> str:
    """Return a name as an axis shows it; parameters have their unit in their name."""
    unit = FIGURES[name].unit if name in FIGURES else "1"
    return f"{name} ({unit})" if unit != "1" else name


def _legend(figure: Figure, ax: Axes, title: str) -> None:
    handles, labels = ax.get_legend_handles_labels()
    figure.suptitle(plain(title, 120), x=0.01, ha="left", fontsize=11, color=INK)
    columns = max(min(len(labels), int(figure.get_figwidth() // 2.6)), 1)
    figure.legend(
        handles, labels, loc="outside lower left", ncols=columns, frameon=False, fontsize=9
    )


def panel_note(results: xr.Dataset, shown: Sequence[str]) -> str:
    """Return a sentence on what did not fit into the pictures; empty where all did."""
    cycles = len(set(results["cycle"].values.tolist()))
    most = max(cycles, len(shown))
    return f"only the first {MOST_PANELS} of {most} panels are drawn" if most > MOST_PANELS else ""
