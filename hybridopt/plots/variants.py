"""The picture of a comparison of drivelines: a bar for each, its bound, and how far apart."""

import math
from typing import TYPE_CHECKING

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .axes import TEXT, dress, new_figure, plain
from .colours import ALARM_COLOUR, ENGINE_COLOUR, ENGINE_FILL, INK, PAPER

if TYPE_CHECKING:
    from ..evaluation.variants import Figures, Variant, Variants

FUEL, EVENTS, BOUND = "fuel", "charged for starts and shifts", "proved bound of both"
WIDTH = 9.6  # inch
BAR = 0.62
ROW = 0.34  # inch
ROOM = 1.38  # of the longest bar, for the words beside it


def plot_variants(variants: "Variants") -> Figure:
    """Draw a panel per cycle and a bar per driveline.

    A bar is the fuel in l/100 km where all burn the same, else the CO2 in g/km; its end piece is
    what starts and shifts are charged on top, and the mark the proved bound of both together.

    Parameters
    ----------
    variants
        From :func:`hybridopt.solve_variants`.

    Returns
    -------
    Figure
        A panel per cycle.
    """
    cycles, count = variants.cycles, len(variants.drivelines)
    figure = new_figure((WIDTH, 1.0 + len(cycles) * (ROW * count + 0.75)))
    axes = figure.subplots(len(cycles), 1, sharex=True, squeeze=False)[:, 0]
    lengths = [_length(v.figures, variants.one_fuel) for v in variants.variants if v.figures]
    longest = max(lengths, default=0.0) or 1.0
    for ax, cycle in zip(axes, cycles, strict=True):
        _draw(ax, variants.of_cycle(cycle), variants.one_fuel, longest)
        ax.set_title(plain(cycle, 60), loc="left", fontsize=TEXT + 1, color=INK)
        ax.set_xlim(0.0, ROOM * longest)
    label = "fuel (l/100 km)" if variants.one_fuel else "carbon dioxide (g/km)"
    axes[-1].set_xlabel(label, fontsize=TEXT, color=INK)
    known: dict[str, Artist] = {}
    for ax in axes:
        known |= dict(zip(*reversed(ax.get_legend_handles_labels()), strict=True))
    if known:
        shown = [text for text in (FUEL, EVENTS, BOUND) if text in known]
        figure.legend(
            [known[text] for text in shown],
            shown,
            loc="outside upper right",
            ncols=3,
            frameon=False,
            fontsize=TEXT - 0.5,
            labelcolor=INK,
        )
    return figure


def _scale(figures: "Figures", one_fuel: bool) -> float:
    """Return the unit of the picture per gram of fuel."""
    shown = figures.fuel_l_per_100km if one_fuel else figures.co2_g_per_km
    return shown / figures.fuel_g if figures.fuel_g > 0.0 and math.isfinite(shown) else 0.0


def _length(figures: "Figures", one_fuel: bool) -> float:
    return figures.cost_g * _scale(figures, one_fuel)


def _draw(ax: Axes, variants: "list[Variant]", one_fuel: bool, longest: float) -> None:
    marks, places = [], []
    for place, variant in enumerate(variants):
        figures = variant.figures
        if figures is None:
            ax.text(
                0.0,
                place,
                f" cannot be solved: {plain(variant.reason, 84)}",
                va="center",
                fontsize=TEXT - 1.5,
                color=ALARM_COLOUR,
            )
            continue
        scale = _scale(figures, one_fuel)
        fuel = figures.fuel_g * scale
        events = (figures.cost_g - figures.fuel_g) * scale
        ax.barh(place, fuel, BAR, color=ENGINE_FILL, label=FUEL)
        ax.barh(
            place,
            events,
            BAR,
            left=fuel,
            color=PAPER,
            edgecolor=ENGINE_COLOUR,
            hatch="////",
            linewidth=0.8,
            label=EVENTS,
        )
        if figures.bound_g is not None:
            marks.append(figures.bound_g * scale)
            places.append(place)
        ax.text(
            fuel + max(events, 0.0) + 0.012 * longest,
            place,
            _words(variant, one_fuel),
            va="center",
            fontsize=TEXT - 1.0,
            color=INK,
        )
    if marks:
        ax.plot(marks, places, "|", color=INK, markersize=17, markeredgewidth=1.6, label=BOUND)
    names = [plain(variant.driveline, 28) for variant in variants]
    dress(ax)
    ax.set_yticks(range(len(variants)), names, fontsize=TEXT, color=INK)
    ax.set_ylim(len(variants) - 0.4, -0.6)
    ax.grid(False, axis="y")
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)


def _words(variant: "Variant", one_fuel: bool) -> str:
    """Return what stands beside a bar: the figure, and how far it is from the first."""
    figures = variant.figures
    assert figures is not None  # only solved variants have a bar
    if not math.isfinite(figures.fuel_g_per_km):
        return f"{figures.fuel_g:.1f} g of fuel, no distance"
    percent = variant.fuel_percent if one_fuel else variant.co2_percent
    shown = (
        f"{figures.fuel_l_per_100km:.2f} l/100 km"
        if one_fuel
        else f"{figures.co2_g_per_km:.1f} g, of {figures.fuel_g_per_km:.1f} g fuel"
    )
    return shown if percent is None else f"{shown}, {round(percent, 1) + 0.0:+.1f} %"
