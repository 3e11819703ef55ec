"""The picture of what foresight is worth: loss over the seconds seen ahead."""

import math
from itertools import cycle as again
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .axes import dress, head, new_figure, plain, title
from .colours import INK, SERIES

if TYPE_CHECKING:
    from ..evaluation.foresight_worth import ForesightWorth

COLUMNS = 3
PANEL = (4.2, 3.3)  # inch
ONE = (8.6, 5.2)  # inch, of a single panel
BESIDE = 1.8  # inch, for the legend


def plot_foresight(worth: "ForesightWorth") -> Figure:
    """Draw the loss over the seconds seen ahead, a panel per kind of preview.

    Parameters
    ----------
    worth
        From :func:`hybridopt.foresight_worth`.

    Returns
    -------
    Figure
        Cycles thin, their mean bold. Horizons stand evenly spaced, losses on one linear scale.
    """
    kinds = worth.previews
    columns = min(COLUMNS, max(len(kinds), 1))
    rows = math.ceil(len(kinds) / columns)
    size = ONE if len(kinds) <= 1 else (PANEL[0] * columns + BESIDE, PANEL[1] * rows + 0.5)
    figure = new_figure(size)
    axes = figure.subplots(max(rows, 1), columns, sharey=True, squeeze=False).ravel()
    for ax, kind in zip(axes, kinds, strict=False):
        _draw(ax, worth, kind)
    for ax in axes[len(kinds) :]:
        ax.set_visible(False)
    lowest = min((row.cost_above_optimum_percent for row in worth.rows), default=0.0)
    axes[0].set_ylim(bottom=min(0.0, 1.1 * lowest))
    entries = axes[0].get_legend_handles_labels()
    figure.legend(*entries, loc="outside right upper", frameon=False, labelcolor=INK)
    text = f"Driveline {plain(worth.driveline.name, 40)}: loss of the controller preview"
    return head(figure, text)


def _draw(ax: Axes, worth: "ForesightWorth", kind: str) -> None:
    places = np.arange(len(worth.horizons))
    losses, colours = worth.losses(kind), again(SERIES[1:])
    for name, values in losses.items():
        ax.plot(places, values, ".-", color=next(colours), linewidth=0.9, label=plain(name, 24))
    if len(losses) > 1:
        ax.plot(places, worth.mean(kind), "o-", color=INK, linewidth=2.6, label="mean")
    ax.set_xticks(places, [f"{horizon:g}" for horizon in worth.horizons])
    left = ax.get_subplotspec()
    first = left is None or left.is_first_col()
    dress(ax, "seconds seen ahead (not to scale)", "cost above optimum (%)" if first else "")
    title(ax, f"Preview {kind}")
