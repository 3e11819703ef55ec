"""The size of a solve before it: SoC points that fit into the memory, and what is kept."""

import dataclasses

from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.operating_points import split_room
from ..physics.starts import start_steps
from .emission_prices import with_prices
from .graph import event_graph
from .memory import Memory
from .settings import FEWER_POINTS, Settings


def settled(cycle: Cycle, driveline: Driveline, settings: Settings | None = None) -> Settings:
    """Return resolved settings with what the cycle decides, as a solve takes them.

    Where the SoC points are not given and the usual ones do not fit into the memory, the most of
    :data:`hybridopt.problem.settings.FEWER_POINTS` that do are taken.

    Raises
    ------
    InputError
        As :meth:`Settings.resolved`.
    """
    asked = (settings or Settings()).resolved(driveline)
    known = asked.for_cycle(cycle)
    if asked.soc_points is None and not _fits(cycle, driveline, known):
        for points in FEWER_POINTS:
            fewer = dataclasses.replace(known, soc_points=points)
            if points < known.grid_points and _fits(cycle, driveline, fewer):
                return fewer
    return known


def fewer_points(cycle: Cycle, settled: Settings, given: Settings | None = None) -> list[str]:
    """Return a sentence on SoC points that were not taken for want of memory, where it is so."""
    usual = (given or Settings()).for_cycle(cycle).grid_points
    if settled.grid_points == usual:
        return []
    return [
        f"{settled.grid_points:,} SoC points are taken for cycle {cycle.name}: the usual "
        f"{usual:,} do not fit into a memory_limit of {settled.memory_limit / 1e9:g} GB; give a "
        "higher one, or soc_points, for others"
    ]


def _fits(cycle: Cycle, driveline: Driveline, known: Settings) -> bool:
    memory = _memory(cycle, driveline, known)
    return memory.minimum <= memory.limit


def plan_memory(
    cycle: Cycle, driveline: Driveline, settings: Settings, whole: bool = True
) -> Memory:
    """Return what a solve would keep in memory, with operating points kept whole or not."""
    return _memory(cycle, driveline, settled(cycle, driveline, settings), whole)


def _memory(cycle: Cycle, driveline: Driveline, known: Settings, whole: bool = True) -> Memory:
    starts = start_steps(driveline.start.span, cycle.dt)
    states = event_graph(known, cycle.dt, starts).states
    if known.warms:
        states *= known.temperature_nodes
    return Memory(
        cycle.dt.size,
        driveline.gearbox.gears,
        known.grid_points,
        split_room(with_prices(driveline, known), known.splits),
        known.memory_limit,
        states,
        whole,
    )
