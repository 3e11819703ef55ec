"""The picture of a comparison: how far above the bound, and what it was lost by."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..base.words import cut
from .axes import new_figure
from .colours import CAUSE_COLOURS, FAINT, INK

if TYPE_CHECKING:
    from ..evaluation.case import Score
    from ..evaluation.compare import Comparison

CAUSES = {
    "engine": ("engine on or off", CAUSE_COLOURS["engine"]),
    "gear": ("gear", CAUSE_COLOURS["gear"]),
    "split": ("torque split", CAUSE_COLOURS["split"]),
    "other": ("SoC window and grid", CAUSE_COLOURS["other"]),
}
BAR = 0.62
ROW = 0.32  # inch


def plot_comparison(comparison: "Comparison") -> Figure:
    """Draw a bar per cycle and controller: cost above the optimum's, %, split by cause.

    The optimum itself is left out. The pieces add up to the mark; what lies left of zero counts
    against the others. Right of a bar stand fuel above the optimum's and cost above the bound, all
    at equal SoC.

    Parameters
    ----------
    comparison
        From :func:`hybridopt.compare`.

    Returns
    -------
    Figure
        A panel per cycle.
    """
    cycles = comparison.cycles
    heights = [max(len(comparison.of_cycle(cycle)) - 1, 1) + 1.2 for cycle in cycles]
    tall = 1.3 + ROW * sum(heights)
    figure = new_figure((11.0, tall), layout=None)
    grid: Any = {"height_ratios": heights, "hspace": 0.5}
    axes = figure.subplots(len(cycles), 1, sharex=True, squeeze=False, gridspec_kw=grid)[:, 0]
    widest = max((_length(score) for score in comparison.scores), default=1.0)
    for ax, cycle in zip(axes, cycles, strict=True):
        _draw(ax, cycle, comparison.of_cycle(cycle)[1:], widest)
    axes[-1].set_xlabel("cost at equal state of charge, % above the optimum's", color=INK)
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="upper right", ncols=5, frameon=False, fontsize=10)
    figure.suptitle(f"Driveline {cut(comparison.driveline.name, 40)}", x=0.02, ha="left", color=INK)
    figure.subplots_adjust(left=0.22, right=0.97, top=1 - 0.75 / tall, bottom=0.55 / tall)
    return figure


def _parts(score: "Score") -> dict[str, float]:
    """Return the causes in % of the optimum's cost."""
    totals = score.regret.totals
    optimum = score.cost_equal_g / (1.0 + score.cost_above_optimum_percent / 100.0)
    if not totals:  # causes were not sought
        return {"engine": 0.0, "gear": 0.0, "split": 0.0, "other": score.cost_above_optimum_percent}
    grams = {name: totals[name] for name in ("engine", "gear", "split")}
    grams["other"] = totals["window"] + totals["grid"]
    return {name: 100.0 * value / optimum for name, value in grams.items()}


def _length(score: "Score") -> float:
    return max(sum(max(value, 0.0) for value in _parts(score).values()), score.gap_percent)


def _draw(ax: Axes, cycle: str, scores: "list[Score]", widest: float) -> None:
    places = np.arange(float(len(scores)))
    parts = [_parts(score) for score in scores]
    for sign in (1.0, -1.0):
        at = np.zeros(len(scores))
        for name, (label, colour) in CAUSES.items():
            values = np.array([part[name] for part in parts])
            values = np.where(values * sign > 0.0, values, 0.0)
            shown = label if sign > 0.0 else None
            ax.barh(places, values, BAR, left=at, color=colour, label=shown)
            at = at + values
        if sign > 0.0:
            for place, end, score in zip(places.tolist(), at.tolist(), scores, strict=True):
                text = (
                    f"cost {score.gap_percent:.2f} % above bound\n"
                    f"fuel {score.fuel_above_optimum_percent:.2f} % above optimum"
                )
                ax.text(end + 0.01 * widest, place, text, va="center", fontsize=9, color=INK)
    sums = [sum(part.values()) for part in parts]
    ax.plot(sums, places, "|", color=INK, markersize=16, markeredgewidth=2.0, label="sum")
    ax.set_yticks(places, [cut(score.controller, 28) for score in scores], fontsize=10, color=INK)
    ax.set_ylim(len(scores) - 0.4, -0.6)
    ax.set_xlim(right=1.32 * max(widest, 0.1))
    ax.set_title(cut(cycle, 60), loc="left", fontsize=11, color=INK)
    ax.axvline(0.0, color=INK, linewidth=0.8)
    ax.grid(True, axis="x", color=FAINT, linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ax.spines.values():
        side.set_visible(False)
