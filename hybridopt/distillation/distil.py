"""Optima distilled into rule tables: decision costs, fit, refinement, coverage."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib import metadata

from ..base.errors import InputError
from ..base.progress import Progress, part_of, silent
from ..evaluation.case import Case
from ..foresight.preview_maps import TRAINING
from ..inputs.catalogue import DRIVE, cycle_names
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..problem.settings import Settings
from ..tables.rule_set import Origin, RuleSet, gearbox_facts
from .coverage import cover
from .drafting import fitted, gather
from .family import Sizes
from .limit_costs import LimitCost, limit_costs
from .plan import TablePlan
from .refine import Refined, refine
from .varied import varied_cases


@dataclass(frozen=True, eq=False)
class Distilled:
    """Rule tables and what they were made from.

    Attributes
    ----------
    rules : tables with coverage and origin
    cases : training cycles with their optima, by name
    refined : how far refinement got
    limit_costs : what each limit on shape costs on the training
    """

    rules: RuleSet
    cases: Mapping[str, Case]
    refined: Refined
    limit_costs: Sequence[LimitCost]

    @property
    def content(self) -> RuleSet:
        """What is handed on."""
        return self.rules


def distil(
    cycles: Sequence[Cycle],
    driveline: Driveline,
    settings: Settings | None = None,
    sizes: Sizes | None = None,
    evaluations: int = 8000,
    seed: int = 1,
    title: str = "",
    progress: Progress = silent,
    plan: TablePlan | None = None,
) -> Distilled:
    """Make rule tables from the optima of training cycles.

    Parameters
    ----------
    cycles
        Training cycles, with different names.
    driveline
        The vehicle.
    settings
        As for :func:`hybridopt.solve_cycle`.
    sizes
        Most breakpoints of each axis.
    evaluations, seed
        Sets of tables that refinement tries, and the seed of its random numbers.
    title
        Name of the tables, for people.
    progress
        Called with the share done, 0 to 1.
    plan
        Limits on shape, breakpoints and held cells; the usual limits where it is not given.

    Returns
    -------
    Distilled
        The tables in `made.rules`, with how often the training used each entry.

    Raises
    ------
    InputError
        There is no cycle, two share a name, or limits and held cells leave no value for a cell.
    InfeasibleError
        A cycle cannot be driven.

    Notes
    -----
    An optimum gives the cost of each decision of engine and gear (its Q-value) at a number of
    equivalence factors, with the future that the training and varied copies of it lead one to
    expect. Summed over the training, these costs are least for some threshold of power or speed
    within the limits on shape, which is the table's entry. SoC stands for the equivalence factor:
    the less charge, the dearer. The split between engine and motor needs no cycle, only the factor.
    Last, a few parameters that shape the tables are tuned in closed loop, on the training cycles
    and varied copies of them; every trial is brought within the limits.
    """
    names, plan = check_names(cycles), plan or TablePlan()
    settings = (settings or Settings()).resolved(driveline)
    cases = training_optima(cycles, driveline, settings, part_of(progress, 0.0, 0.1))
    copies = varied_cases(cycles, driveline, settings, part_of(progress, 0.1, 0.2))
    evidence = gather(cases, sizes, copies, plan)
    progress(0.28)
    family = fitted(evidence, plan)
    progress(0.3)
    refined = refine(family, cases, copies, evaluations, seed, part_of(progress, 0.3, 0.95))
    costs = limit_costs(evidence, plan, refined, cases)
    origin = Origin(
        title=title or f"{driveline.name} rules",
        driveline=driveline.name,
        cycles=tuple(names),
        training=training_hash(cycles, driveline, settings, plan.text, evaluations, seed),
        version=metadata.version("hybridopt"),
        shape=plan.limits,
    )
    coverage = cover(refined.table, cases)
    rules = RuleSet(refined.table, gearbox_facts(driveline), origin, coverage)
    progress(1.0)
    return Distilled(rules, dict(zip(names, cases, strict=True)), refined, costs)


def training_names() -> tuple[str, ...]:
    """Return the shipped cycles that tables are trained on where no others are given."""
    return (*TRAINING, *cycle_names(DRIVE))


def check_names(cycles: Sequence[Cycle]) -> list[str]:
    """Return the names of training cycles, which must be there and differ."""
    names = [cycle.name for cycle in cycles]
    if not cycles or len(set(names)) < len(names):
        raise InputError("distil: give one or more training cycles with different names")
    return names


def training_optima(
    cycles: Sequence[Cycle], driveline: Driveline, settings: Settings, progress: Progress
) -> list[Case]:
    """Return the training cycles with their optima."""
    cases = []
    for i, cycle in enumerate(cycles):
        cases.append(Case.solved(cycle, driveline, settings))
        progress((i + 1) / len(cycles))
    return cases


def training_hash(
    cycles: Sequence[Cycle], driveline: Driveline, settings: Settings, *more: int | str
) -> str:
    """Return the SHA-256 of everything the training depends on, hexadecimal."""
    inputs = [driveline.sha256, *(cycle.sha256 for cycle in cycles)]
    record = [inputs, asdict(settings), *more]
    return hashlib.sha256(json.dumps(record, sort_keys=True).encode()).hexdigest()
