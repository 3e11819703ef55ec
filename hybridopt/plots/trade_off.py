"""Fuel against engine starts, gear shifts or an emission."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from ..base.nomenclature import SPECIES, SPECIES_SHORT
from .axes import TEXT, dress, legend, title
from .colours import FAINT, INK, MOTOR_COLOUR

if TYPE_CHECKING:
    from ..evaluation.trade_off import TradeOff

WORDS = {
    "starts": ("engine starts (-)", "per start (g"),
    "shifts": ("gear shifts (-)", "per shift (g"),
    **{
        name: (f"{text} (g)", f"of {SPECIES_SHORT[name]} (g of fuel per g")
        for name, text in SPECIES.items()
    },
}
"""Label of the axis, and what the prices are of."""


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
    _label_prices(ax, trade)
    ax.set_xlim(low, high)
    ax.set_ylim(floor, best + 1.22 * room)
    label, unit = WORDS[trade.event]
    if not grams:
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    counted = SPECIES_SHORT.get(trade.event, trade.event)
    dress(ax, label, f"cost without the price\nof {counted} (g of fuel)")
    legend(ax, size=TEXT, loc="upper right")
    title(ax, f"Solves at several prices {unit}, at the marks)")


def _label_prices(ax: Axes, trade: "TradeOff") -> None:
    """Write the prices at each mark; those of the same schedule stand together."""
    places: dict[tuple[float, float], list[float]] = {}
    for point in trade.points:
        places.setdefault((point.amount, round(point.cost_g, 3)), []).append(point.price)
    for (count, cost), prices in places.items():
        low, high = min(prices), max(prices)
        text = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        place: Any = {"xytext": (6, 7), "textcoords": "offset points"}
        ax.annotate(text, (count, cost), fontsize=TEXT - 1.0, color=INK, **place)
