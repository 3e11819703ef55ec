"""Fuel against engine starts, gear shifts or an emission."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from ..base.nomenclature import SPECIES, SPECIES_SHORT
from .axes import TEXT, dress, legend, title
from .colours import FAINT, INK, MOTOR_COLOUR

if TYPE_CHECKING:
    from ..evaluation.trade_off import TradeOff, TradePoint

WORDS = {
    "starts": ("engine starts (-)", "per start (g"),
    "shifts": ("gear shifts (-)", "per shift (g"),
    **{
        name: (f"{text} that leave the {{}} (g)", f"of {SPECIES_SHORT[name]} (g of fuel per g")
        for name, text in SPECIES.items()
    },
}
"""Label of the axis, and what the prices are of."""
NEAR = 0.12, 0.06  # of the widths of amounts and costs: marks this close share a label


def plot_trade_off(ax: Axes, trade: "TradeOff") -> None:
    """Draw the schedules of all prices, and what is proved to be out of reach below them.

    Parameters
    ----------
    ax
        Where.
    trade
        From :func:`hybridopt.trade_off`.
    """
    counts = np.array([point.amount for point in trade.points], dtype=float)
    costs = np.array([point.cost_g for point in trade.points])
    grams = trade.event in SPECIES
    span = max(float(np.ptp(counts)), 0.1 * counts.max() if grams else 2.0)
    low, high = max(counts.min() - 0.12 * span, 0.0), counts.max() + 0.12 * span
    fine = np.linspace(low, high, 400)
    limit = trade.least_cost(fine)
    best = min(float(costs.min()), float(limit.min()))
    room = max(float(costs.max()) - best, 1e-3 * best)
    floor = best - 0.12 * room
    ax.fill_between(fine, floor, limit, color=FAINT, linewidth=0.0, label="proved: none there")
    ax.plot(fine, limit, color=INK, linewidth=1.0)
    order = np.argsort(counts)
    style: Any = {"color": MOTOR_COLOUR, "markersize": 8, "markeredgecolor": INK, "zorder": 3}
    ax.plot(counts[order], costs[order], "o", label="schedule found", **style)
    _label_prices(ax, trade, (NEAR[0] * span, NEAR[1] * room))
    ax.set_xlim(low, high)
    ax.set_ylim(floor, best + 1.22 * room)
    label, unit = WORDS[trade.event]
    if not grams:
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    counted = SPECIES_SHORT.get(trade.event, trade.event)
    label = label.format("catalyst" if trade.tailpipe else "engine")
    dress(ax, label, f"cost without the price\nof {counted} (g of fuel)")
    legend(ax, size=TEXT, loc="upper right")
    title(ax, f"Solves at several prices {unit}, at the marks)")


def _label_prices(ax: Axes, trade: "TradeOff", near: tuple[float, float]) -> None:
    """Write the prices beside the marks; those of marks close to each other stand together."""
    groups: list[list[TradePoint]] = []
    for point in sorted(trade.points, key=lambda point: point.price):
        beside = [
            group
            for group in groups
            if abs(group[0].amount - point.amount) < near[0]
            and abs(group[0].cost_g - point.cost_g) < near[1]
        ]
        if beside:
            beside[0].append(point)
        else:
            groups.append([point])
    for group in groups:
        low, high = group[0].price, group[-1].price
        text = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        mark = max(point.amount for point in group), max(point.cost_g for point in group)
        place: Any = {"xytext": (6, 7), "textcoords": "offset points"}
        ax.annotate(text, mark, fontsize=TEXT - 1.0, color=INK, **place)
