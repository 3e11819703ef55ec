"""How the gears are used: time by gear and mode, and the speeds they are used at."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from ..base.units import KM_PER_H
from ..physics.modes import Mode
from .axes import TEXT, dress, legend, title
from .colours import INK, MODE_COLOURS, MOTOR_COLOUR

if TYPE_CHECKING:
    from xarray import Dataset

BAR = 0.72
EDGE: Any = {"edgecolor": INK, "linewidth": 0.4}


def plot_gear_use(ax: Axes, dataset: "Dataset") -> None:
    """Draw the share of driving time in each gear, by mode; standstill is left out.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    """
    seconds = np.where(dataset["speed"].values > 0.0, dataset["dt"].values, 0.0)
    gear, modes = dataset["gear"].values.astype(int), dataset["mode"].values
    gears = np.arange(1, max(int(gear.max()), 2) + 1)
    left, total = np.zeros(gears.size), max(float(seconds.sum()), 1e-9)
    shares = 100.0 * seconds / total
    for mode in Mode:
        width = np.array([shares[(gear == g) & (modes == mode)].sum() for g in gears])
        if width.any():
            colour = MODE_COLOURS[mode]
            ax.barh(gears, width, BAR, left=left, color=colour, label=mode.text, **EDGE)
            left = left + width
    for g, share in zip(gears.tolist(), left.tolist(), strict=True):
        ax.text(share + 0.6, g, f"{share:.1f} %", va="center", fontsize=TEXT - 1.0, color=INK)
    ax.set_xlim(0.0, 1.16 * max(float(left.max()), 1.0))
    _gear_axis(ax, gears)
    dress(ax, "share of driving time (%)", "gear (-)")
    above: Any = {"loc": "lower center", "bbox_to_anchor": (0.5, 1.0)}
    legend(ax, ncols=3, columnspacing=1.2, handlelength=1.2, **above)


def plot_gear_speeds(ax: Axes, dataset: "Dataset") -> None:
    """Draw the speeds each gear is used at: height is time, one row per gear.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    """
    moving = dataset["speed"].values > 0.0
    speed = dataset["speed"].values[moving] / KM_PER_H
    gear, seconds = dataset["gear"].values[moving].astype(int), dataset["dt"].values[moving]
    gears = np.arange(1, max(int(gear.max(initial=1)), 2) + 1)
    bins = np.linspace(0.0, 1.02 * max(float(speed.max(initial=1.0)), 1.0), 41)
    heights = [np.histogram(speed[gear == g], bins, weights=seconds[gear == g])[0] for g in gears]
    most = max(float(height.max()) for height in heights) or 1.0
    for g, height in zip(gears.tolist(), heights, strict=True):
        low = g - 0.4
        rise = 0.85 * height / most
        ax.stairs(low + rise, bins, baseline=low, fill=True, color=MOTOR_COLOUR, **EDGE)
    _gear_axis(ax, gears)
    dress(ax, "vehicle speed (km/h)", "gear (-)")
    title(ax, f"full height: {most:.3g} s in {bins[1]:.3g} km/h")


def _gear_axis(ax: Axes, gears: np.ndarray) -> None:
    ax.set_ylim(0.4, gears[-1] + 0.75)
    ax.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=10))
