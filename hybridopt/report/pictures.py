"""Still pictures of a report: figures, with what each shows in words."""

import base64
from collections.abc import Iterator
from io import BytesIO
from typing import TYPE_CHECKING, NamedTuple

from matplotlib.figure import Figure

from ..plots.pages import energy_figure, gears_figure, points_figure, visited_figure

if TYPE_CHECKING:
    from .contents import Entry

PIXELS = 110  # per inch, of pictures in the page


class Picture(NamedTuple):
    """A figure and what it shows, in words."""

    caption: str
    figure: Figure


def pictures(entry: "Entry") -> Iterator[Picture]:
    """Yield the still pictures of a result."""
    result, driveline = entry.result, entry.driveline
    maps = "over its map" if driveline is not None else "without its map"
    text = (
        "Energy from tank, battery and braking to wheels and losses; the table of energies holds "
        "the same values."
    )
    yield Picture(text, energy_figure(result))
    for part in ("engine", "motor"):
        text = f"Operating points of the {part} {maps}; area is time."
        yield Picture(text, points_figure(part, result, driveline))
    text = "Mode with the most time at each speed and wheel power."
    yield Picture(text, visited_figure([result]))
    text = "Time in each gear by mode, and the speeds each gear was used at."
    yield Picture(text, gears_figure(result))


def data_address(figure: Figure) -> str:
    """Return a figure as the address of an image inside the page."""
    content = BytesIO()
    figure.savefig(content, format="png", dpi=PIXELS)
    return "data:image/png;base64," + base64.b64encode(content.getvalue()).decode()
