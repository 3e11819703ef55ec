"""Varied copies of training cycles: what is learned from them as well is no drive by heart."""

import dataclasses
from collections.abc import Iterator, Sequence

from ..base.errors import HybridoptError
from ..base.progress import Progress, silent
from ..evaluation.batch import solve_each
from ..evaluation.case import Case
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..problem.settings import Settings

PACES = ((0.8, 1.25), (1.1, 1.0))
"""Factors of speed and of time: a slower, gentler driver, and a faster, harder one."""
SOC_POINTS = 501  # at most: copies only guide


def varied(cycle: Cycle) -> Iterator[Cycle]:
    """Yield copies of a cycle at other paces."""
    for speed, time in PACES:
        yield dataclasses.replace(
            cycle,
            name=f"{cycle.name}, speed x {speed:g}, time x {time:g}",
            speed=cycle.speed * speed,
            time=cycle.time[0] + (cycle.time - cycle.time[0]) * time,
        )


def varied_cases(
    cycles: Sequence[Cycle], driveline: Driveline, settings: Settings, progress: Progress = silent
) -> list[Case]:
    """Solve copies of cycles, on devices where they are; those that cannot be driven are left out.

    Parameters
    ----------
    cycles, driveline
        What is varied, and the vehicle.
    settings
        Resolved; the SoC grid is made coarser.
    progress
        Called with the share done, 0 to 1.
    """
    coarse = dataclasses.replace(settings, soc_points=min(settings.grid_points, SOC_POINTS))
    copies = [copy for cycle in cycles for copy in varied(cycle)]
    found = []
    for i, known in enumerate(solve_each((copy, driveline, coarse) for copy in copies)):
        if not isinstance(known, HybridoptError):
            found.append(Case(known))
        progress((i + 1) / len(copies))
    return found
