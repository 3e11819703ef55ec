"""What all plots share: pages, labels, legends, steps over time, names that are shown."""

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure

from ..base.errors import InputError
from ..base.words import cut
from ..files.writing import Write, write_atomically
from .colours import FAINT, INK, QUIET

if TYPE_CHECKING:
    from xarray import Dataset

SIZE = (11.69, 8.27)  # inch, A4 landscape
CHART = (8.6, 5.2)  # inch, a single chart
DOTS_PER_INCH = 160
TEXT = 10.5  # points, of labels and ticks
LETTER = 0.1  # inch of a heading, more than most letters take
HEAD_LINES = 3
FORMATS = ("png", "pdf", "svg")


def new_figure(size: tuple[float, float] = CHART, layout: str | None = "constrained") -> Figure:
    """Return an empty figure that no window system knows of.

    Parameters
    ----------
    size
        Width and height, inch.
    layout
        Of matplotlib; by default nothing overlaps, None leaves all places to the caller.

    Returns
    -------
    Figure
        Of matplotlib, without axes.
    """
    figure = Figure(figsize=size, layout=layout)  # type: ignore[arg-type]
    FigureCanvasAgg(figure)
    return figure


def figure_of(ax: Axes) -> Figure:
    """Return the figure an Axes belongs to."""
    figure = ax.figure.get_figure(root=True)
    assert figure is not None  # every Axes made by a Figure has one
    return figure


def figure_writer(figure: Figure, kind: str = "png") -> Write:
    """Return what writes a figure to a path, for :func:`hybridopt.files.writing.write_together`.

    Parameters
    ----------
    figure
        What is written.
    kind
        One of :data:`FORMATS`. No date goes into the file: the same figure gives the same bytes.
    """
    undated: dict[str, Any] = {"pdf": {"CreationDate": None}, "svg": {"Date": None}}

    def write(out: Any) -> None:
        with matplotlib.rc_context({"svg.hashsalt": "hybridopt"}):
            figure.savefig(out, format=kind, dpi=DOTS_PER_INCH, metadata=undated.get(kind))

    return write


def save_figure(figure: Figure, path: str | Path, *, overwrite: bool = False) -> None:
    """Write a figure as PNG, PDF or SVG; the same figure gives the same bytes.

    Parameters
    ----------
    figure
        Of matplotlib, such as the plots here return.
    path
        File to write; its suffix says the format.
    overwrite
        Whether a file that is there already is replaced.

    Raises
    ------
    InputError
        The suffix is another one, the file exists already, or its folder does not.
    FailedError
        The system refused to write it.
    """
    path = Path(path)
    kind = path.suffix.lower().removeprefix(".")
    if kind not in FORMATS:
        raise InputError(f"{path}: give a name that ends in .png, .pdf or .svg")
    write_atomically(path, figure_writer(figure, kind), overwrite)


def plain(text: Any, room: int = 60) -> str:
    """Return a text as matplotlib shows it letter by letter: one line, cut, no formulas."""
    return cut(text, room).replace("$", r"\$")


def dress(ax: Axes, horizontal: str = "", vertical: str = "") -> None:
    """Give an Axes its labels (with units), grid and quiet frame."""
    if horizontal:
        ax.set_xlabel(horizontal, fontsize=TEXT, color=INK)
    if vertical:
        ax.set_ylabel(vertical, fontsize=TEXT, color=INK)
    ax.tick_params(labelsize=TEXT, colors=INK, length=3)
    ax.grid(True, color=FAINT, linewidth=0.6)
    ax.set_axisbelow(True)
    for name, side in ax.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(QUIET)


def title(ax: Axes, text: str) -> None:
    """Put a title above the left edge of an Axes."""
    ax.set_title(text, loc="left", fontsize=TEXT + 1, color=INK)


def head(figure: Figure, text: str) -> Figure:
    """Put a heading, broken to fit, above the left edge of a figure, and return the figure."""
    room = int(figure.get_figwidth() / LETTER)
    broken = "\n".join(textwrap.wrap(text, room, max_lines=HEAD_LINES, placeholder=" ..."))
    figure.suptitle(broken, x=0.01, ha="left", color=INK, fontsize=TEXT + 2.0)
    return figure


def legend(ax: Axes, *entries: Any, size: float = TEXT - 1.0, **style: Any) -> None:
    """Put a legend without a frame; `entries` are handles and labels, else those of the Axes."""
    ax.legend(*entries, **{"frameon": False, "fontsize": size, "labelcolor": INK, **style})


def legend_beside(*axes: Axes, offset: float = 1.01) -> None:
    """Put one legend for the axes right of the first, outside the data."""
    found = [ax.get_legend_handles_labels() for ax in axes]
    entries = ([one for part in found for one in part[i]] for i in (0, 1))
    place: Any = {"loc": "center left", "bbox_to_anchor": (offset, 0.5), "borderaxespad": 0.0}
    legend(axes[0], *entries, size=TEXT - 0.5, handlelength=1.6, **place)


def colour_bar(ax: Axes, coloured: ScalarMappable, label: str, **style: Any) -> None:
    """Put the scale of colours, with what they stand for and its unit, right of an Axes."""
    bar = figure_of(ax).colorbar(coloured, ax=ax, pad=0.01, **style)
    bar.set_label(label, fontsize=TEXT, color=INK)
    bar.ax.tick_params(labelsize=TEXT - 1.0, colors=INK)


def dress_time(ax: Axes, dataset: "Dataset", vertical: str, horizontal: str = "") -> None:
    """Give a panel over time its labels, grid and limits."""
    ends = edges(dataset)
    ax.set_xlim(ends[0], ends[-1])
    dress(ax, horizontal, vertical)


def edges(dataset: "Dataset") -> np.ndarray:
    """Return the ends of all steps, s, (steps + 1,)."""
    time, dt = dataset["time"].values, dataset["dt"].values
    ends: np.ndarray = np.append(time, time[-1] + dt[-1])
    return ends


def draw_steps(ax: Axes, dataset: "Dataset", values: np.ndarray, **style: Any) -> None:
    """Draw one value per step as a line of steps."""
    ax.stairs(values, edges(dataset), baseline=None, **{"linewidth": 1.0, **style})
