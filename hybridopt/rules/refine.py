"""Refinement of drafted tables in closed loop, on the training cycles only."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..controllers.rule_table import RuleTable
from ..course import Course
from ..dp.progress import Progress, silent
from ..errors import InfeasibleError
from .draft import KNOB_RANGES, Bends, Draft, Knobs

WORST = 0.3  # weight of the worst cycle beside the mean
DRIFT = 0.043  # of SoC, distance from the target at the end that costs nothing
DRIFT_COST = 60.0  # % of the cost per unit of SoC beyond
STARTS, STARTS_COST = 1.4, 2.0  # times the optimum's starts that cost nothing; % per time beyond
CLIPPED_COST = 20.0  # % of the cost if every step were clipped
ENGINE_STEP, LINE_STEP = 2e3, 0.08  # W and exponent, size of a move of a bend
ENGINE_RANGE, LINE_RANGE = 4e4, 0.6
LINES = 6  # of search that begin; half of them go on, and at last the best one
KNOB_SHARE = 0.3  # of the moves that change a knob instead of bends
KNOB_MOVE = 0.12  # of a knob's range


@dataclass(frozen=True, eq=False)
class Refined:
    """Knobs and bends found, and what they reach.

    Attributes
    ----------
    table : the tables
    first, best : %, figure of merit of the draft and of the refined tables
    evaluations : closed-loop runs of all training cycles
    """

    table: RuleTable
    first: float
    best: float
    evaluations: int


def refine(
    draft: Draft,
    courses: Sequence[Course],
    evaluations: int = 3000,
    seed: int = 1,
    progress: Progress = silent,
) -> Refined:
    """Tune knobs and bends for the least cost at equal final SoC, by random moves that pay.

    Single lines of search get stuck at very different places, so several begin.

    Parameters
    ----------
    draft
        What tables are drawn from.
    courses
        Training cycles with their optima.
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

    def cost(x: np.ndarray) -> float:
        return merit(_table(draft, x), courses)

    def move(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
        return np.asarray(_moved(x, width, low.size, random).clip(lowest, highest))

    first = cost(begin)
    lines = [Line(begin, first, np.random.default_rng([seed, i])) for i in range(LINES)]
    used = 0
    for keep in (LINES, LINES // 2, 1):
        lines = sorted(lines, key=lambda line: line.cost)[:keep]
        for line in lines:
            for _ in range(round(evaluations / (3 * keep))):
                line.try_move(cost, move)
                used += 1
                progress(min(used / evaluations, 1.0))
    return Refined(_table(draft, lines[0].x), first, lines[0].cost, used)


@dataclass
class Line:
    """One line of search: where it is, what that costs, and its own random numbers."""

    x: np.ndarray
    cost: float
    random: np.random.Generator

    def try_move(
        self,
        cost: Callable[[np.ndarray], float],
        move: Callable[[np.ndarray, np.random.Generator], np.ndarray],
    ) -> None:
        """Move if that costs less."""
        trial = move(self.x, self.random)
        value = cost(trial)
        if value < self.cost:
            self.x, self.cost = trial, value


def merit(table: RuleTable, courses: Sequence[Course]) -> float:
    """Mean gap to the optimum at equal final SoC and a part of the worst one, with penalties, %.

    Penalised are a final SoC far from the target, many more starts than the optimum's, and
    clipped steps. Infinite where a cycle ends in a dead end.
    """
    gaps, extra = [], 0.0
    for course in courses:
        try:
            drive = course.drive(table)
        except InfeasibleError:
            return np.inf
        gaps.append(100.0 * (course.equal_cost(drive) / course.optimum_cost - 1.0))
        extra += DRIFT_COST * max(abs(drive.soc_end - course.worth.soc_end) - DRIFT, 0.0)
        starts = np.count_nonzero(drive.schedule.engine_class == 2)
        extra += STARTS_COST * max(starts / max(course.optimum_starts, 1) - STARTS, 0.0)
        extra += CLIPPED_COST * float(np.mean(drive.clipped > 0))
    return float(np.mean(gaps) + WORST * max(gaps) + extra)


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


def _moved(x: np.ndarray, width: np.ndarray, knobs: int, random: np.random.Generator) -> np.ndarray:
    """Move one knob, or one to three figures of any kind, by a step of random size."""
    chosen = random.choice(x.size, random.integers(1, 4), replace=False)
    if random.random() < KNOB_SHARE:
        chosen = random.choice(knobs, 1)
    trial = x.copy()
    size = random.choice([0.3, 1.0, 3.0])
    trial[chosen] += size * width[chosen] * random.standard_normal(chosen.size)
    return np.asarray(trial)
