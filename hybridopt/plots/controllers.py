"""Controllers beside the optimum: states of charge, and regret over time."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes

from ..base.units import PERCENT
from .axes import TEXT, dress_time, edges, legend_beside, plain
from .colours import DASHES, INK, SERIES

if TYPE_CHECKING:
    from ..evaluation.case import Score

MARKED = 3  # costliest moments that are named


def plot_soc_paths(ax: Axes, scores: "Sequence[Score]") -> None:
    """Draw the state of charge of several drives over one cycle; the first is the optimum.

    Parameters
    ----------
    ax
        Where.
    scores
        Of one cycle, the optimum first; `comparison.of_cycle(name)`.
    """
    for number, score in enumerate(scores):
        soc = np.append(score.trace["soc"].values, score.soc_end) / PERCENT
        ax.plot(edges(score.trace), soc, label=plain(score.controller, 24), **_style(number))
    dress_time(ax, scores[0].trace, "state of charge (%)", "time (s)")
    legend_beside(ax)


def plot_regret(ax: Axes, scores: "Sequence[Score]") -> None:
    """Draw what each drive has lost up to each time, g; its dearest moments are marked.

    Parameters
    ----------
    ax
        Where.
    scores
        Of one cycle, the optimum first. Curves hold what decisions cost; what a different charge
        at the end is worth is only in the number beside the name.
    """
    sums = [np.concatenate(([0.0], np.cumsum(_decided(score)))) for score in scores]
    most = max(float(lost[-1]) for lost in sums)
    for number, (score, lost) in enumerate(zip(scores, sums, strict=True)):
        if number:
            ends, style = edges(score.trace), _style(number)
            above = f"cost {score.cost_above_optimum_percent:.2f} % above optimum"
            name = f"{plain(score.controller, 22)}\n{above}"
            ax.plot(ends, lost, label=name, **style)
            for moment in list(score.regret.moments)[:MARKED]:
                if moment.loss > 0.03 * most:
                    height = float(np.interp(moment.stop, ends, lost))
                    text = f"{moment.cause}, {moment.loss:.1f} g"
                    _mark(ax, moment.stop, height, text, style["color"])
    dress_time(ax, scores[0].trace, "lost by decisions so far\n(g of fuel)", "time (s)")
    ax.margins(y=0.08)
    legend_beside(ax)


def _mark(ax: Axes, x: float, y: float, text: str, colour: str) -> None:
    """Draw a dot and write a word left of it."""
    edge: Any = {"markeredgecolor": INK, "markeredgewidth": 0.5}
    ax.plot(x, y, "o", color=colour, markersize=5, **edge)
    place: Any = {"xytext": (-5, 4), "textcoords": "offset points", "ha": "right"}
    ax.annotate(text, (x, y), fontsize=TEXT - 2.0, color=INK, **place)


def _decided(score: "Score") -> np.ndarray:
    """Return what the decisions of each step lost, g."""
    causes = score.regret.causes
    return np.asarray(causes["engine"] + causes["gear"] + causes["split"])


def _style(number: int) -> dict[str, Any]:
    return {
        "color": SERIES[number % len(SERIES)],
        "linestyle": DASHES[number % len(DASHES)],
        "linewidth": 2.2 if number == 0 else 1.5,
    }
