"""Refinement of drafted tables in closed loop, on training cycles and varied copies of them."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import get_num_threads

from ..base.progress import Progress, silent
from ..evaluation.case import Case
from ..tables.rule_table import RuleTable
from .draft import KNOB_RANGES, Bends, Draft, Knobs
from .evolution import evolve
from .fast_loop import DriveTotals, FastLoop

WORST = 0.5  # weight of the worst cycle beside the mean
DRIFT = 0.03  # of SoC, distance from the target at the end that costs nothing
DRIFT_COST = 60.0  # % of the cost per unit of SoC beyond
STARTS, STARTS_COST = 1.3, 2.0  # times the optimum's starts that cost nothing; % per time beyond
CLIPPED_COST = 20.0  # % of the cost if every step were clipped
ENGINE_STEP, LINE_STEP = 2e3, 0.08  # W and exponent, size of a move of a bend
ENGINE_RANGE, LINE_RANGE = 4e4, 0.6
OUTSIDE_COST = 1e-3  # % per squared step outside the ranges, which count at their edge
KNOB_MOVE = 0.12  # of a knob's range
COPY_WEIGHT = 0.3  # of a varied copy, over that of a training cycle
AWAY_COST = 0.1  # % per mean squared step away from the draft: what fits chance does not pay that


@dataclass(frozen=True, eq=False)
class Refined:
    """Knobs and bends found, and what they reach.

    Attributes
    ----------
    table : the tables
    first, best : %, figure of merit of the draft and of the refined tables, with what going away
        from the draft costs
    """

    table: RuleTable
    first: float
    best: float


def refine(
    draft: Draft,
    cases: Sequence[Case],
    copies: Sequence[FastLoop] = (),
    evaluations: int = 8000,
    seed: int = 1,
    progress: Progress = silent,
) -> Refined:
    """Tune knobs and bends for the least cost at equal final SoC.

    Parameters
    ----------
    draft
        What tables are drawn from.
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
    low, high = (np.array(side) for side in zip(*KNOB_RANGES.values(), strict=True))
    reach = _bend_scale(draft, ENGINE_RANGE, LINE_RANGE)
    lowest, highest = np.concatenate((low, -reach)), np.concatenate((high, reach))
    width = np.concatenate((KNOB_MOVE * (high - low), _bend_scale(draft, ENGINE_STEP, LINE_STEP)))
    begin = np.concatenate(([getattr(Knobs(), name) for name in KNOB_RANGES], 0.0 * reach))
    loops = [*map(FastLoop, cases), *copies]
    weight = np.array([1.0] * len(cases) + [COPY_WEIGHT] * len(copies))
    with ThreadPoolExecutor(min(len(loops), get_num_threads())) as pool:

        def cost(x: np.ndarray) -> float:
            inside = x.clip(lowest, highest)
            outside = float(np.sum(((x - inside) / width) ** 2))
            away = float(np.mean(((inside - begin) / width) ** 2))
            found = merit(_table(draft, inside), loops, weight, pool.map)
            return found + OUTSIDE_COST * outside + AWAY_COST * away

        first = cost(begin)
        best, value = evolve(cost, begin, width, evaluations, seed, progress)
    return Refined(_table(draft, best.clip(lowest, highest)), first, value)


def merit(
    table: RuleTable, loops: Sequence[FastLoop], weight: np.ndarray, each: Callable[..., Any] = map
) -> float:
    """Mean gap to the optimum at equal final SoC and a part of the worst one, with penalties, %.

    Penalised are a final SoC far from the target, many more starts than the optimum's, and
    clipped steps. Infinite where a cycle ends in a dead end.

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
        if run is None:
            return np.inf
        gaps[:, i] = loops[i].gap(run), _penalty(loops[i], run)
    worst = gaps[0, weight == weight.max()].max()
    return float(np.average(gaps.sum(axis=0), weights=weight) + WORST * worst)


def _penalty(loop: FastLoop, run: DriveTotals) -> float:
    yardstick = loop.yardstick
    drift = max(abs(run.soc_end - yardstick.worth.soc_end) - DRIFT, 0.0)
    more = max(run.starts / max(yardstick.starts, 1) - STARTS, 0.0)
    return DRIFT_COST * drift + STARTS_COST * more + CLIPPED_COST * run.clipped / loop.steps


def knobs_of(x: np.ndarray) -> Knobs:
    """Return knobs from their figures, in the order of their ranges."""
    return Knobs(**dict(zip(KNOB_RANGES, (float(value) for value in x), strict=True)))


def _table(draft: Draft, x: np.ndarray) -> RuleTable:
    knobs, rest = x[: len(KNOB_RANGES)], x[len(KNOB_RANGES) :]
    speeds, gears = draft.speeds.size, draft.up.shape[0]
    start, stop, up, down = np.split(rest, np.cumsum((speeds, speeds, 2 * gears)))
    bends = Bends(start, stop, up.reshape(gears, 2), down.reshape(gears, 2))
    return draft.table(knobs_of(knobs), bends)


def _bend_scale(draft: Draft, engine: float, line: float) -> np.ndarray:
    lines = 4 * draft.up.shape[0]
    return np.concatenate((np.full(2 * draft.speeds.size, engine), np.full(lines, line)))
