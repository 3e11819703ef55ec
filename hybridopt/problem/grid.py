"""The grid of states of charge, and the penalties beyond its window and target."""

import math
from typing import NamedTuple

from ..base.compiled import kernel
from .settings import Settings

FLOOR_FACTOR = 100.0  # penalty below the window over the terminal one: even idling is cheaper


class Grid(NamedTuple):
    """The SoC grid and the value beyond it and at the end.

    Rows of values may hold a part of the points: those from number `first` on. No step may charge
    beyond `top`, the top of the window; the last point lies there or less than a cell above it.
    """

    low: float
    top: float
    spacing: float
    points: int
    penalty: float
    floor_penalty: float
    target: float
    two_sided: float
    first: int = 0


def make_grid(settings: Settings, penalty: float) -> Grid:
    """Return the SoC grid of resolved settings; `penalty` is in g per unit of SoC.

    The target is a grid point, so that the kink of the terminal penalty is not blurred; the
    spacing is stretched for it, and the last point may lie up to one cell above the window.
    """
    low, high, _, target = settings.socs
    if not settings.has_target:
        target = low
    spacing = (high - low) / (settings.grid_points - 1)
    cells = max(round((target - low) / spacing), 1)
    if target - low > 0.5 * spacing:
        spacing = (target - low) / cells
    return Grid(
        low=low,
        top=high,
        spacing=spacing,
        points=math.ceil((high - low) / spacing - 1e-6) + 1,
        penalty=float(penalty) if settings.has_target else 0.0,
        floor_penalty=FLOOR_FACTOR * float(penalty),
        target=target,
        two_sided=float(settings.two_sided),
    )


@kernel
def _terminal(grid: Grid, soc: float) -> float:
    """Terminal value: exact penalty for missing the target."""
    miss = grid.target - soc
    if miss > 0.0:
        return grid.penalty * miss
    return -miss * grid.penalty if grid.two_sided > 0.0 else 0.0
