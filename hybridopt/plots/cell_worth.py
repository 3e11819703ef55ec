"""What cells of rule tables are worth as a picture; cells that no drive reaches are hatched."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from ..distillation.drive_figures import DriveFigures
from ..tables.rule_table import FACTORS, LAYOUT
from .axes import TEXT, colour_bar, dress, head, new_figure, plain, title
from .colours import BALANCE, FAINT, QUIET
from .rule_tables import AXIS_WORDS, TABLE_WORDS

if TYPE_CHECKING:
    from ..distillation.cell_worth import CellWorth

COST = DriveFigures._fields.index("cost_equal_g")
STRONGEST = (
    98.0  # percentile of the cells that are read, from which colours are as strong as can be
)
LEAST = 1e-3  # g per unit, at which colours are never as strong as can be
STATES = ("engine off", "engine on")


def cell_worth_figure(worth: "CellWorth") -> Figure:
    """Return what every cell is worth: cost at equal SoC over all drives per unit of the cell.

    Parameters
    ----------
    worth
        From :func:`hybridopt.cell_worth`.

    Returns
    -------
    Figure
        Of the motor torque each cell's strongest SoC; shift lines with the engine off and on apart.
    """
    figure = new_figure((17.0, 9.0))
    axes = iter(figure.subplots(2, 4).flat)
    for name, table in worth.tables.items():
        values = np.where(table.seconds > 0.0, table.per_unit[..., COST], np.nan)
        if name.startswith("shift"):
            for state, words in enumerate(STATES):
                _draw(next(axes), worth, name, values[:, :, state], f", {words}")
        elif values.ndim == 3:
            _draw(next(axes), worth, name, _strongest(values), ", strongest SoC")
        else:
            _draw(next(axes), worth, name, values.reshape(len(values), -1), "")
    hatched: Any = {"facecolor": FAINT, "edgecolor": QUIET, "hatch": "////"}
    marks = [Patch(label="no drive reaches the cell", **hatched)]
    figure.legend(handles=marks, loc="outside lower right", frameon=False, fontsize=TEXT)
    drives = plain(", ".join(worth.cycles), 90)
    text = f"Cost at equal SoC per unit of the cell, {drives}; below 0: raise the cell to save"
    return head(figure, text)


def _strongest(values: np.ndarray) -> np.ndarray:
    """Return along the last axis the value farthest from 0, NaN where there is none."""
    size = np.where(np.isnan(values), -1.0, np.abs(values))
    at = np.expand_dims(size.argmax(axis=-1), -1)
    return np.asarray(np.take_along_axis(values, at, axis=-1)[..., 0])


def _draw(ax: Axes, worth: "CellWorth", name: str, values: np.ndarray, more: str) -> None:
    keys, found = LAYOUT[name], worth.rule_set.map(name)
    known = np.abs(values[np.isfinite(values)])
    most = max(float(np.percentile(known, STRONGEST)) if known.size else 0.0, LEAST)
    ax.set_facecolor(FAINT)
    shape = values.shape
    box: Any = {"hatch": "////", "edgecolor": QUIET, "facecolor": "none", "linewidth": 0.0}
    ax.fill_between([-0.5, shape[0] - 0.5], -0.5, shape[1] - 0.5, zorder=0, **box)
    mesh = ax.imshow(
        values.T, origin="lower", aspect="auto", cmap=BALANCE, vmin=-most, vmax=most, zorder=1
    )
    unit = worth.rule_set.form.value(name).file_unit
    colour_bar(ax, mesh, f"g per {unit}", extend="both")
    dress(ax, AXIS_WORDS[keys[0]], AXIS_WORDS[keys[1]] if len(found.axes) > 1 else "")
    ax.grid(False)
    ax.set_yticks([])
    sides = zip((ax.xaxis, ax.yaxis), keys, found.axes, (6, 9), strict=False)
    for axis, key, breakpoints, room in sides:
        places = np.arange(0, breakpoints.size, -(-breakpoints.size // room)).tolist()
        axis.set_ticks(places, [f"{breakpoints[i] / FACTORS[key]:.0f}" for i in places])
    title(ax, f"{TABLE_WORDS[name]}{more}")
