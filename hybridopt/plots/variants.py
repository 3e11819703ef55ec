"""The picture of a comparison of drivelines: a bar for each, its bound, and how far apart."""

import math
from typing import Any

import numpy as np
import xarray as xr
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..study.values import DONE
from .axes import TEXT, dress, new_figure, plain
from .colours import ALARM_COLOUR, ENGINE_COLOUR, ENGINE_FILL, INK, PAPER

FUEL, EVENTS, BOUND = "fuel", "charged for starts and shifts", "proved bound of both"
WIDTH = 9.6  # inch
BAR = 0.62
ROW = 0.34  # inch
ROOM = 1.38  # of the longest bar, for the words beside it


def plot_variants(variants: xr.Dataset) -> Figure:
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
    cycles, count = variants["cycle"].values.tolist(), variants.sizes["driveline"]
    one_fuel = bool(variants.attrs["one_fuel"])
    shown = variants["fuel_l_per_100km" if one_fuel else "co2_g_per_km"]
    per_gram = (shown / variants["fuel_g"].where(variants["fuel_g"] > 0.0)).fillna(0.0)
    longest = float((variants["cost_g"] * per_gram).max().fillna(0.0)) or 1.0
    figure = new_figure((WIDTH, 1.0 + len(cycles) * (ROW * count + 0.75)))
    axes = figure.subplots(len(cycles), 1, sharex=True, squeeze=False)[:, 0]
    for ax, cycle in zip(axes, cycles, strict=True):
        _draw(ax, variants.assign(per_gram=per_gram).sel(cycle=cycle), longest)
        ax.set_title(plain(cycle, 60), loc="left", fontsize=TEXT + 1, color=INK)
        ax.set_xlim(0.0, ROOM * longest)
    label = "fuel (l/100 km)" if one_fuel else "carbon dioxide (g/km)"
    axes[-1].set_xlabel(label, fontsize=TEXT, color=INK)
    _legend(figure, list(axes))
    return figure


def _legend(figure: Figure, axes: list[Axes]) -> None:
    known: dict[str, Artist] = {}
    for ax in axes:
        known |= dict(zip(*reversed(ax.get_legend_handles_labels()), strict=True))
    shown = {text: known[text] for text in (FUEL, EVENTS, BOUND) if text in known}
    if shown:
        style: Any = {"frameon": False, "fontsize": TEXT - 0.5, "labelcolor": INK}
        handles = list(shown.values())
        figure.legend(handles, list(shown), loc="outside upper right", ncols=3, **style)


def _draw(ax: Axes, variants: xr.Dataset, longest: float) -> None:
    """Draw the bars of one cycle; `longest` is that of all cycles, in the unit of the axis."""
    solved = np.flatnonzero(variants["status"].values == DONE)
    done = variants.isel(driveline=solved)
    scale = done["per_gram"].values
    fuel, cost, bound = (done[name].values * scale for name in ("fuel_g", "cost_g", "bound_g"))
    hatched: Any = {"color": PAPER, "edgecolor": ENGINE_COLOUR, "hatch": "////", "linewidth": 0.8}
    if solved.size:
        ax.barh(solved, fuel, BAR, color=ENGINE_FILL, label=FUEL)
        ax.barh(solved, cost - fuel, BAR, left=fuel, label=EVENTS, **hatched)
    if np.isfinite(bound).any():
        ax.plot(bound, solved, "|", color=INK, markersize=17, markeredgewidth=1.6, label=BOUND)
    ends = dict(zip(solved.tolist(), np.maximum(fuel, cost) + 0.012 * longest, strict=True))
    for place in range(variants.sizes["driveline"]):
        variant = variants.isel(driveline=place)
        if place in ends:
            x, text, size, colour = ends[place], _words(variant), TEXT - 1.0, INK
        else:
            reason = plain(variant["reason"].item(), 84)
            x, text, size, colour = 0.0, f" cannot be solved: {reason}", TEXT - 1.5, ALARM_COLOUR
        ax.text(x, place, text, va="center", fontsize=size, color=colour)
    dress(ax)
    names = [plain(name, 28) for name in variants["driveline"].values]
    ax.set_yticks(range(len(names)), names, fontsize=TEXT, color=INK)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.grid(False, axis="y")
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)


def _words(variant: xr.Dataset) -> str:
    """Return what stands beside a bar: its length, and how far it is from the first."""
    value = {str(name): variant[name].item() for name in variant.data_vars}
    if not math.isfinite(value["fuel_g_per_km"]):
        return f"{value['fuel_g']:.1f} g of fuel, no distance"
    if variant.attrs["one_fuel"]:
        percent, text = value["fuel_percent"], f"{value['fuel_l_per_100km']:.2f} l/100 km"
    else:
        percent = value["co2_percent"]
        text = f"{value['co2_g_per_km']:.1f} g, of {value['fuel_g_per_km']:.1f} g fuel"
    return f"{text}, {round(percent, 1) + 0.0:+.1f} %" if math.isfinite(percent) else text
