"""What limits on the shape of tables cost: the training driven with and without each."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..evaluation.case import Case, score
from ..tables.rule_table import RuleTable
from ..tables.shape import NO_LIMITS, SHAPE_LIMITS
from .drafting import Evidence, fitted
from .plan import TablePlan
from .refine import Refined, drawn

ALL = "all limits"


@dataclass(frozen=True)
class LimitCost:
    """What a limit costs on the training, the tables drawn alike otherwise.

    Attributes
    ----------
    limit : name of the limit, or :data:`ALL`
    fuel_with, fuel_without : %, mean fuel at equal SoC above the optima's
    shifts_with, shifts_without : over the optima's
    """

    limit: str
    fuel_with: float
    fuel_without: float
    shifts_with: float
    shifts_without: float


def limit_costs(
    evidence: Evidence, plan: TablePlan, refined: Refined, cases: Sequence[Case]
) -> list[LimitCost]:
    """Drive the training with tables that leave out each limit in turn, then all of them.

    Parameters
    ----------
    evidence, plan, refined
        What the tables were made from; lines are fitted anew, all else is drawn as refined.
    cases
        The training.

    Notes
    -----
    Refinement was done within the limits, so a limit may well cost less than nothing here; what
    tables refined without it would reach is told by making them so.
    """
    usual = plan.limits
    left_out = {name: usual.without(name) for name in SHAPE_LIMITS}
    left_out = {name: limits for name, limits in left_out.items() if limits != usual}
    if left_out:
        left_out[ALL] = NO_LIMITS
    fuel, shifts = _driven(refined.table, cases)
    found = []
    for name, limits in left_out.items():
        table = drawn(fitted(evidence, replace(plan, limits=limits)), refined.parameters)
        found.append(LimitCost(name, fuel, (other := _driven(table, cases))[0], shifts, other[1]))
    return found


def _driven(table: RuleTable, cases: Sequence[Case]) -> tuple[float, float]:
    """Return mean fuel above the optima's, %, and shifts over the optima's."""
    scores = [score(case, "tables", table, moments=None) for case in cases]
    optimal = sum(int(np.count_nonzero(np.diff(c.optimum.trace.gear.values))) for c in cases)
    shifts = sum(int(np.count_nonzero(np.diff(one.trace.gear.values))) for one in scores)
    fuel = float(np.mean([one.fuel_above_optimum_percent for one in scores]))
    return fuel, shifts / max(optimal, 1)
