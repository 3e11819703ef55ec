"""A trip of a plug-in hybrid: charge and fuel over distance, depleted first and blended."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..base.units import PERCENT
from .axes import SIZE, TEXT, dress, legend, new_figure, title
from .colours import ENGINE_COLOUR, FAINT, MOTOR_COLOUR

if TYPE_CHECKING:
    from xarray import Dataset

    from ..evaluation.plug_in import PlugIn


def plug_in_figure(found: "PlugIn") -> Figure:
    """Return the trip's page: state of charge above, fuel used below, over distance.

    Parameters
    ----------
    found
        From :func:`hybridopt.plug_in`.

    Returns
    -------
    Figure
        Of matplotlib, A4 landscape.
    """
    figure = new_figure(SIZE)
    top, bottom = figure.subplots(2, 1, sharex=True)
    ends = found.distance / 1e3 * np.arange(1, len(found.parts))
    for ax in (top, bottom):
        for end in ends:
            ax.axvline(end, color=FAINT, linewidth=1.0, zorder=0)
    _draw(top, bottom, found.parts, MOTOR_COLOUR, "-", "depleted first, then sustained")
    _draw(top, bottom, [found.blended.trace], ENGINE_COLOUR, "--", "blended over the trip")
    top.tick_params(labelbottom=False)
    dress(top, "", "state of charge (%)")
    dress(bottom, "distance (km)", "fuel used (g)")
    bottom.set_xlim(0.0, found.distance / 1e3 * len(found.parts))
    bottom.set_ylim(bottom=0.0)
    legend(top, size=TEXT, loc="upper right")
    title(
        top,
        f"{found.driveline}, {len(found.parts)} x {found.cycle}: blended takes "
        f"{found.blending_saves_percent:.1f} % less fuel",
    )
    return figure


def _draw(
    top: Axes, bottom: Axes, traces: "Sequence[Dataset]", colour: str, dashes: str, label: str
) -> None:
    """Draw SoC and fuel of successive drives."""
    gone = np.concatenate([(one.speed * one.dt).values for one in traces])
    fuel = np.concatenate([(one.fuel_rate * one.dt).values for one in traces])
    soc = np.concatenate([one.soc.values for one in traces])
    far = np.concatenate(([0.0], np.cumsum(gone))) / 1e3
    end = float(traces[-1].attrs["soc_end"])
    style: Any = {"color": colour, "linestyle": dashes, "linewidth": 1.6}
    top.plot(far, np.append(soc, end) / PERCENT, label=label, **style)
    bottom.plot(far, np.concatenate(([0.0], np.cumsum(fuel))), **style)
