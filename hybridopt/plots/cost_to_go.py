"""Cost-to-go and costate: what charge is worth, along the path and beside it."""

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Normalize
from matplotlib.patheffects import withStroke

from ..base.units import PERCENT
from .axes import TEXT, colour_bar, dress, dress_time, edges, legend, title
from .colours import FAINT, INK, MOTOR_COLOUR, PAPER, QUIET, SCALE

if TYPE_CHECKING:
    from xarray import Dataset

    from ..optimum.solve import Solution

COLUMNS, ROWS = 360, 240  # most times and SoC that are drawn


def plot_costate(ax: Axes, dataset: "Dataset") -> None:
    """Draw the fuel worth of one percent of charge along the path, g; outliers are cut.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    """
    worth = dataset["costate"].values * PERCENT
    ends = edges(dataset)[1:]
    known = np.isfinite(worth)
    ax.plot(ends[known], worth[known], color=MOTOR_COLOUR, linewidth=1.2, label="worth of charge")
    if known.any():
        low, middle, high = np.percentile(worth[known], [1.0, 50.0, 99.0])
        margin = max(0.15 * (high - low), 0.05 * abs(middle), 1e-9)
        label = f"median {middle:.3g} g per %"
        ax.axhline(middle, color=QUIET, linestyle="--", linewidth=1.0, label=label)
        ax.set_ylim(low - margin, high + margin)
        if (np.abs(worth[known] - middle) > high - middle + margin).any():
            title(ax, "single steps beyond the axis are cut off")
    dress_time(ax, dataset, "fuel worth of\ncharge (g per % SoC)", "time (s)")
    legend(ax, size=TEXT - 0.5, loc="lower left")


def value_surface(
    solution: "Solution", times: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return step ends, SoC points and the cost-to-go over both, least over engine and gear.

    Parameters
    ----------
    solution
        With its cost-to-go.
    times
        s, ends of all steps, (steps + 1,).

    Returns
    -------
    tuple of ndarray
        Times s, (n,); SoC, (m,); g, (n, m), NaN where no run from the start can be.
    """
    steps = np.unique(np.linspace(0, len(solution.value) - 1, COLUMNS).astype(int))
    stride = max(1, solution.soc_grid.size // ROWS)
    rows = []
    for t in steps.tolist():
        value = solution.value[t][:, :, ::stride]
        least = np.where(np.isnan(value), np.inf, value).min(axis=(0, 1))
        rows.append(np.where(np.isfinite(least), least, np.nan))
    return times[steps], solution.soc_grid[::stride], np.array(rows)


def plot_cost_to_go(ax: Axes, solution: "Solution", times: np.ndarray) -> None:
    """Draw the cost-to-go over time and SoC, less that at the path, with the path on it.

    Parameters
    ----------
    ax
        Where.
    solution
        Of an :class:`hybridopt.Optimum`, `optimum.solution`.
    times
        Ends of all steps, s, (steps + 1,), the start first; `optimum.cycle.time`.
    """
    when, socs, value = value_surface(solution, times)
    path = np.interp(when, times, solution.soc)
    on_path = np.array([_at(socs, row, soc) for row, soc in zip(value, path, strict=True)])
    dearer = value - on_path[:, None]
    far = max(float(np.nanpercentile(np.abs(dearer), 98.0)), 1e-6)
    label = "cost to the end, less\nthat on the path (g)"
    _surface(ax, when, socs, dearer, Normalize(-far, far), label)
    lines = ax.contour(when, socs / PERCENT, dearer.T, levels=9, colors=PAPER, linewidths=0.7)
    for text in ax.clabel(lines, fmt="%+.3g g", fontsize=TEXT - 2.0, colors=INK):
        text.set_path_effects([withStroke(linewidth=2.5, foreground=PAPER)])
    _path(ax, solution, times)


def plot_costate_surface(ax: Axes, solution: "Solution", times: np.ndarray) -> None:
    """Draw the fuel worth of charge, g per % of SoC, over time and SoC, with the path on it.

    Parameters
    ----------
    ax
        Where.
    solution
        Of an :class:`hybridopt.Optimum`, `optimum.solution`.
    times
        Ends of all steps, s, (steps + 1,), the start first; `optimum.cycle.time`.
    """
    when, socs, value = value_surface(solution, times)
    worth = -np.diff(value, axis=1) / np.diff(socs) * PERCENT
    middles = 0.5 * (socs[1:] + socs[:-1])
    low, high = np.nanpercentile(worth, [10.0, 90.0])
    norm = Normalize(low, max(high, low + 1e-9))
    _surface(ax, when, middles, worth, norm, "fuel worth of charge\n(g per % SoC)")
    _path(ax, solution, times)


def _at(socs: np.ndarray, row: np.ndarray, soc: float) -> float:
    known = np.isfinite(row)
    return float(np.interp(soc, socs[known], row[known])) if known.any() else np.nan


def _surface(
    ax: Axes, when: np.ndarray, socs: np.ndarray, values: np.ndarray, norm: Normalize, label: str
) -> None:
    ax.set_facecolor(FAINT)
    mesh = ax.pcolormesh(
        when, socs / PERCENT, values.T, norm=norm, cmap=SCALE, shading="nearest", rasterized=True
    )
    colour_bar(ax, mesh, label, extend="both")


def _path(ax: Axes, solution: "Solution", times: np.ndarray) -> None:
    ax.plot(times, solution.soc / PERCENT, color=PAPER, linewidth=3.4)
    ax.plot(times, solution.soc / PERCENT, color=INK, linewidth=1.5, label="optimal path")
    dress(ax, "time (s)", "state of charge (%)")
    ax.grid(False)
    ax.set_xlim(times[0], times[-1])
    legend(ax, size=TEXT - 0.5, frameon=True, framealpha=0.9, loc="upper right")
