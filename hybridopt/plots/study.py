"""Pictures of a study: Pareto front of two quantities, and main effect of every parameter."""

import math
from itertools import cycle as again

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ..base.errors import InputError
from ..study.questions import (
    check_numeric,
    groups,
    is_numeric,
    main_effect,
    pareto_front,
    varying_parameters,
)
from ..study.values import VALUES
from .axes import dress, head, new_figure, plain
from .colours import INK, SERIES

COLUMNS = 3
PANEL = (3.9, 3.1)  # inch
MAX_PANELS = 12


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
    _check_axis(results, against)
    cycles = list(dict.fromkeys(results["cycle"].values.tolist()))[:MAX_PANELS]
    colours = dict(zip(dict.fromkeys(results["run"].values.tolist()), again(SERIES), strict=False))
    figure, axes = _panels(len(cycles))
    panels = dict(zip(cycles, axes, strict=True))
    for cycle, run, tasks in groups(results):
        if cycle in panels:
            x, y = (tasks[name].to_numpy(dtype=float) for name in (against, goal))
            _draw_front(panels[cycle], x, y, run, colours[run])
    for i, (cycle, ax) in enumerate(panels.items()):
        _dress(ax, cycle, against, "" if i % COLUMNS else goal)
    _legend(figure, axes[0], f"{results.attrs['study']}: least {goal} against least {against}")
    return figure


def _check_axis(results: xr.Dataset, name: str) -> None:
    if name not in VALUES:
        try:
            check_numeric(results, name)
        except InputError as error:
            raise InputError(f"--against {error}; or a value: {', '.join(VALUES)}") from None


def _draw_front(ax: Axes, x: np.ndarray, y: np.ndarray, run: str, colour: str) -> None:
    front = pareto_front(x, y)
    ax.plot(x, y, ".", color=colour, markersize=4, alpha=0.35)
    name = plain(run.rpartition("/")[2], 28)
    ax.step(x[front], y[front], "o-", where="post", color=colour, markersize=5, label=name)


def plot_effects(results: xr.Dataset, goal: str) -> Figure:
    """Draw the mean of a value over every parameter, a panel each, a line per cycle and run.

    Each line is relative to its own mean over all tasks, in %, so that cycles can be compared; the
    bars beside a point of a grid reach from the least to the largest value there.

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
        No parameter has more than one value.
    """
    parameters = varying_parameters(results)[:MAX_PANELS]
    if not parameters:
        raise InputError("no parameter of the study has more than one value that is done")
    figure, axes = _panels(len(parameters))
    for i, (ax, parameter) in enumerate(zip(axes, parameters, strict=True)):
        numeric = is_numeric(results, parameter)
        for (cycle, run, tasks), colour in zip(groups(results), again(SERIES), strict=False):
            percent = 100.0 * (tasks[goal] / tasks[goal].mean() - 1.0)
            name = plain(f"{cycle}, {run.rpartition('/')[2]}", 40)
            _draw_effect(ax, tasks[parameter], percent, numeric, name, colour)
        _dress(ax, "", parameter, "" if i % COLUMNS else "% from the mean of all")
    low = min(ax.get_ylim()[0] for ax in axes)
    high = max(ax.get_ylim()[1] for ax in axes)
    for ax in axes:
        ax.set_ylim(low, high)
    what = "points are means, bars reach from least to largest"
    _legend(figure, axes[0], f"{results.attrs['study']}: {goal} over each parameter; {what}")
    return figure


def _draw_effect(
    ax: Axes, values: pd.Series, percent: pd.Series, numeric: bool, name: str, colour: str
) -> None:
    """Draw a goal over a parameter: its words, where it has no numbers, in alphabetical order."""
    if not numeric:
        words = sorted(set(values))
        ax.set_xticks(range(len(words)), [word[:14] for word in words])
        values = values.map(words.index)
    effect = main_effect(values.to_numpy(dtype=float), percent.to_numpy())
    x = effect["value"]
    if effect["binned"].any():
        ax.plot(values, percent, ".", color=colour, markersize=3, alpha=0.3)
    else:
        ax.vlines(x, effect["min"], effect["max"], color=colour, linewidth=3.0, alpha=0.18)
    ax.plot(x, effect["mean"], "o-", color=colour, markersize=4, label=name)


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
    unit = VALUES[name].unit if name in VALUES else "1"
    return f"{name} ({unit})" if unit != "1" else name


def _legend(figure: Figure, ax: Axes, title: str) -> None:
    handles, labels = ax.get_legend_handles_labels()
    head(figure, plain(title, 240))
    columns = max(min(len(labels), int(figure.get_figwidth() // 2.6)), 1)
    figure.legend(
        handles, labels, loc="outside lower left", ncols=columns, frameon=False, fontsize=9
    )


def panel_note(results: xr.Dataset) -> str:
    """Return a sentence on what did not fit into the pictures; empty where all did."""
    cycles = len(set(results["cycle"].values.tolist()))
    count = max(cycles, len(varying_parameters(results)))
    return f"only the first {MAX_PANELS} of {count} panels are drawn" if count > MAX_PANELS else ""
