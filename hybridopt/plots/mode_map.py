"""Which mode at which speed and power: maps in the colours of the modes."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from ..base.units import KM_PER_H, KW
from ..evaluation.mode_map import NOWHERE
from ..physics.modes import Mode
from .axes import TEXT, dress
from .colours import INK, MODE_COLOURS, PAPER

HATCH = "////"


def plot_mode_map(
    ax: Axes,
    speeds: np.ndarray,
    powers: np.ndarray,
    modes: np.ndarray,
    undecided: np.ndarray | None = None,
) -> None:
    """Draw modes over vehicle speed and power at the wheels.

    Parameters
    ----------
    ax
        Where.
    speeds, powers
        m/s and W: edges of cells, or their middles; (n + 1,) and (m + 1,), or (n,) and (m,).
    modes
        Codes of :class:`hybridopt.Mode`, (n, m); `NOWHERE` stays blank.
    undecided
        Cells where the mode before decides (hysteresis), bool, (n, m); they are hatched.
    """
    colours = ListedColormap([MODE_COLOURS[mode] for mode in Mode])
    shown = np.ma.masked_equal(modes, NOWHERE)
    x, y = speeds / KM_PER_H, powers / KW
    edges = x.size == modes.shape[0] + 1
    ax.set_facecolor(PAPER)
    ax.pcolormesh(
        x,
        y,
        shown.T,
        cmap=colours,
        norm=BoundaryNorm(np.arange(-0.5, len(Mode) + 0.5), len(Mode)),
        shading="flat" if edges else "nearest",
        rasterized=True,
    )
    if undecided is not None and undecided.any() and not edges:
        marked = undecided.T.astype(float)
        ax.contourf(x, y, marked, levels=[0.5, 1.5], colors="none", hatches=[HATCH])
    dress(ax, "vehicle speed (km/h)", "power at the wheels (kW)")
    ax.axhline(0.0, color=INK, linewidth=0.8)


def mode_legend(figure: Figure, modes: Sequence[np.ndarray], undecided: bool = False) -> None:
    """Put one legend of all modes that occur below the panels of a figure."""
    present = set(np.unique(np.concatenate([np.ravel(m) for m in modes])).tolist())
    shown = [(MODE_COLOURS[mode], mode.text, "") for mode in Mode if int(mode) in present]
    shown += [(PAPER, "none", "")] if NOWHERE in present else []
    shown += [(PAPER, "stays as before", HATCH)] if undecided else []
    handles = [
        Patch(facecolor=colour, edgecolor=INK, linewidth=0.5, label=text, hatch=hatch)
        for colour, text, hatch in shown
    ]
    style: Any = {"frameon": False, "fontsize": TEXT, "labelcolor": INK}
    figure.legend(handles=handles, loc="outside lower center", ncols=5, **style)
