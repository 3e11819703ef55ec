"""Refinement of rule tables in closed loop, on training cycles and varied copies of them."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import get_num_threads

from ..base.progress import Progress, silent
from ..evaluation.case import Case
from ..evaluation.search import minimise
from ..tables.rule_table import RuleTable
from .family import SHAPE_RANGES, TableFamily, TableShape
from .fast_loop import DriveTotals, FastLoop

WORST = 0.5  # weight of the worst cycle beside the mean
DRIFT = 0.03  # of SoC, distance from the target at the end that costs nothing
DRIFT_COST = 60.0  # % of the cost per unit of SoC beyond
STARTS, STARTS_COST = 1.3, 2.0  # times the optimum's starts that cost nothing; % per time beyond
SHIFTS, SHIFTS_COST = 1.1, 4.0  # the same of gear shifts
CLIPPED_COST = 20.0  # % of the cost if every step were clipped
POWER_STEP, LINE_STEP = 2e3, 0.08  # W and exponent, first change of an offset
POWER_RANGE, LINE_RANGE = 4e4, 0.6
SHAPE_STEP = 0.12  # of the range of a shape's parameter, its first change
COPY_WEIGHT = 0.3  # of a varied copy, over that of a training cycle
AWAY_COST = 20.0  # % per mean squared step from where it began: what fits chance does not pay that
NEAR = 1.0 / 3.0  # of the first changes, the search's: where going away costs, it begins near


@dataclass(frozen=True, eq=False)
class Refined:
    """The tables found, and what they reach.

    Attributes
    ----------
    table : the tables
    first, best : %, figure of merit before and after refinement, with what going away from the
        first tables costs
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
    """Tune shape and offsets of tables for the least cost at equal final SoC.

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
    reach = _offsets(family, POWER_RANGE, LINE_RANGE)
    box = np.concatenate((low, -reach)), np.concatenate((high, reach))
    step = _offsets(family, POWER_STEP, LINE_STEP)
    scale = np.concatenate((SHAPE_STEP * (high - low), step))
    begin = np.concatenate((TableShape(), 0.0 * reach))
    loops = [FastLoop(case) for case in (*cases, *copies)]
    weight = np.array([1.0] * len(cases) + [COPY_WEIGHT] * len(copies))
    with ThreadPoolExecutor(min(len(loops), get_num_threads())) as pool:

        def cost(x: np.ndarray) -> float:
            away = float(np.mean(((x - begin) / scale) ** 2))
            return merit(drawn(family, x), loops, weight, pool.map) + AWAY_COST * away

        first = cost(begin)
        best, value = minimise(cost, begin, NEAR * scale, box, evaluations, seed, progress)
    return Refined(drawn(family, best), first, value, best)


def merit(
    table: RuleTable, loops: Sequence[FastLoop], weight: np.ndarray, each: Callable[..., Any] = map
) -> float:
    """Return the mean cost at equal SoC above the optimum's and a part of the worst one, %.

    Penalties are in it for a final SoC far from the target, many more starts or shifts than the
    optimum's, clipped steps, and steps in which power was lacking.

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
    yardstick = loop.yardstick
    drift = max(abs(run.soc_end - yardstick.worth.soc_end) - DRIFT, 0.0)
    more = max(run.starts / max(yardstick.starts, 1) - STARTS, 0.0)
    busy = max(run.shifts / max(loop.optimum_shifts, 1) - SHIFTS, 0.0)
    clipped = CLIPPED_COST * run.clipped / loop.steps
    events = STARTS_COST * more + SHIFTS_COST * busy
    return DRIFT_COST * drift + events + clipped + run.lacking_cost


def drawn(family: TableFamily, x: np.ndarray) -> RuleTable:
    """Return the tables of the search's parameters: a shape, then offsets."""
    shapes = len(SHAPE_RANGES)
    powers = shapes + 2 * family.speeds.size
    offsets = family.offsets(x[shapes:powers], x[powers:])
    return family.table(TableShape(*x[:shapes].tolist()), offsets)


def _offsets(family: TableFamily, power: float, line: float) -> np.ndarray:
    """Return equal offsets as the search's parameters."""
    return np.concatenate([values.ravel() for values in family.offsets(power, line)])
