"""Refinement of rule tables in closed loop, on training cycles and varied copies of them."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import get_num_threads

from ..base.progress import Progress, part_of, silent
from ..evaluation.case import Case
from ..evaluation.search import minimise
from ..tables.rule_table import RuleTable
from .family import SHAPE_RANGES, TableFamily, TableShape
from .fast_loop import DriveTotals, FastLoop
from .waves import line_waves, power_waves

WORST = 0.5  # weight of the worst cycle beside the mean
DRIFT = 0.03  # of SoC, distance from the target at the end that costs nothing
DRIFT_COST = 60.0  # % of the cost per unit of SoC beyond
SHIFTS, SHIFTS_COST = 1.15, 4.0  # times the optimum's shifts that cost nothing; % per time beyond
CLIPPED_COST = 20.0  # % of the cost if every step were clipped
POWER_STEP, LINE_STEP = 700.0, 0.027  # W and exponent, first change of a wave's size
POWER_RANGE, LINE_RANGE = 4e4, 0.6
SHAPE_STEP = 0.04  # of the range of a shape's parameter, its first change
TURN = 4000  # trials, after which a search is stuck; another begins at the best of all so far
COPY_WEIGHT = 0.3  # of a varied copy, over that of a training cycle


@dataclass(frozen=True, eq=False)
class Refined:
    """The tables found, and what they reach.

    Attributes
    ----------
    table : the tables
    first, best : %, figure of merit before and after refinement
    parameters : of the search, from which :func:`drawn` gives the tables
    """

    table: RuleTable
    first: float
    best: float
    parameters: np.ndarray


def refine(
    family: TableFamily,
    cases: Sequence[Case],
    copies: Sequence[Case] = (),
    evaluations: int = 8000,
    seed: int = 1,
    progress: Progress = silent,
) -> Refined:
    """Tune shape and lines of tables for the least cost at equal final SoC.

    Parameters
    ----------
    family
        What the tables are drawn from.
    cases
        Training cycles with their optima.
    copies
        Varied copies of them, which count less.
    evaluations
        Sets of tables that are tried.
    seed
        The same seed gives the same tables.
    progress
        Called with the share done, 0 to 1.
    """
    low, high = np.array(list(SHAPE_RANGES.values())).T
    reach = _sizes(family, POWER_RANGE, LINE_RANGE)
    box = np.concatenate((low, -reach)), np.concatenate((high, reach))
    step = _sizes(family, POWER_STEP, LINE_STEP)
    scale = np.concatenate((SHAPE_STEP * (high - low), step))
    begin = np.concatenate((TableShape(), 0.0 * reach))
    loops = [FastLoop(case) for case in (*cases, *copies)]
    weight = np.array([1.0] * len(cases) + [COPY_WEIGHT] * len(copies))
    with ThreadPoolExecutor(min(len(loops), get_num_threads())) as pool:

        def cost(x: np.ndarray) -> float:
            return merit(drawn(family, x), loops, weight, pool.map)

        first = cost(begin)
        best, value = begin, first
        turns = max(round(evaluations / TURN), 1)
        for turn in range(turns):
            part = part_of(progress, turn / turns, (turn + 1) / turns)
            best, value = minimise(cost, best, scale, box, evaluations // turns, seed + turn, part)
    return Refined(drawn(family, best), first, value, best)


def merit(
    table: RuleTable, loops: Sequence[FastLoop], weight: np.ndarray, each: Callable[..., Any] = map
) -> float:
    """Return the mean cost at equal SoC above the optimum's and a part of the worst one, %.

    Penalties are in it for a final SoC far from the target, many more shifts than the optimum's,
    clipped steps, and steps in which power was lacking.

    Parameters
    ----------
    table
        The tables.
    loops, weight
        Where to drive, and how much each counts in the mean, (loops,); the worst one is among
        those that count most.
    each
        Maps the runs over the loops.
    """
    gaps, packed = np.empty((2, len(loops))), loops[0].pack(table)
    for i, run in enumerate(each(lambda loop: loop.run(packed), loops)):
        gaps[:, i] = loops[i].cost_above(run), _penalty(loops[i], run)
    worst = gaps[0, weight == weight.max()].max()
    return float(np.average(gaps.sum(axis=0), weights=weight) + WORST * worst)


def _penalty(loop: FastLoop, run: DriveTotals) -> float:
    drift = max(abs(run.soc_end - loop.yardstick.worth.soc_end) - DRIFT, 0.0)
    busy = max(run.shifts / max(loop.optimum_shifts, 1) - SHIFTS, 0.0)
    clipped = CLIPPED_COST * run.clipped / loop.steps
    return DRIFT_COST * drift + SHIFTS_COST * busy + clipped + run.lacking_cost


def drawn(family: TableFamily, x: np.ndarray) -> RuleTable:
    """Return the tables of the search's parameters: a shape, then sizes of waves."""
    powers, lines = _waves(family)
    shape, power, line = np.split(x, np.cumsum((len(SHAPE_RANGES), powers.shape[1])))
    return family.table(TableShape(*shape.tolist()), family.offsets(powers @ power, lines @ line))


def _waves(family: TableFamily) -> tuple[np.ndarray, np.ndarray]:
    return power_waves(family.speeds.size), line_waves(family.up.shape[0])


def _sizes(family: TableFamily, power: float, line: float) -> np.ndarray:
    """Return equal sizes of waves as the search's parameters."""
    powers, lines = _waves(family)
    return np.concatenate((np.full(powers.shape[1], power), np.full(lines.shape[1], line)))
