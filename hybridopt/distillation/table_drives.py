"""Drives that are driven again and again by changed rule tables."""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

from numba import get_num_threads

from ..base.errors import InputError
from ..base.percent import percent_above
from ..base.progress import Progress, silent
from ..controllers.closed_loop import Drive
from ..controllers.shared_kernels import PackedController
from ..evaluation.case import Case
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..problem.settings import Settings
from ..tables.rule_set import RuleSet
from ..tables.rule_table import RuleTable
from .drive_figures import DriveFigures, drive_comfort, drive_figures
from .verify import check_gears


@dataclass(frozen=True)
class Driven:
    """What tables reach on a drive.

    Attributes
    ----------
    figures : what it comes to
    gap_percent : cost at equal SoC above the proved bound, % of that; None where power was lacking,
        since the bound is that of the whole speed
    lacking : s, without the power that the drive asks for
    comfort : what limits of comfort come to, see :func:`drive_comfort`; empty without limits
    """

    figures: DriveFigures
    gap_percent: float | None
    lacking: float
    comfort: Mapping[str, float] = field(default_factory=dict)


def solve_cases(
    rule_set: RuleSet,
    cycles: Sequence[Cycle],
    driveline: Driveline,
    settings: Settings | None = None,
    progress: Progress = silent,
) -> dict[str, Case]:
    """Solve cycles for rule tables to be driven on; return the cases by name.

    Raises
    ------
    InputError
        There is no cycle, two have the same name, or the tables have other gears than the
        driveline.
    InfeasibleError
        A cycle cannot be driven.
    """
    check_gears(rule_set.gears, driveline)
    names = [cycle.name for cycle in cycles]
    if not names:
        raise InputError("there is no cycle to drive; name one at least")
    if twice := [name for name in names if names.count(name) > 1]:
        raise InputError(f"the cycle {twice[0]} is there twice; name each once")
    settings, cases = (settings or Settings()).resolved(driveline), {}
    for cycle in cycles:
        cases[cycle.name] = Case.solved(cycle, driveline, settings)
        progress(len(cases) / len(names))
    return cases


class TableDrives:
    """Cases of one driveline and settings, ready for many sets of rule tables.

    Parameters
    ----------
    cases
        Solved cycles, by name.
    """

    def __init__(self, cases: Mapping[str, Case]) -> None:
        self.cases = dict(cases)
        self._pool = ThreadPoolExecutor(min(len(cases), get_num_threads()))
        for case in self.cases.values():
            case.yardstick  # noqa: B018  worked out now, in one thread

    def driven(self, table: RuleTable) -> dict[str, Driven]:
        """Return what tables reach on each drive.

        Raises
        ------
        InfeasibleError
            A step of a drive cannot be driven with them at any speed.
        """
        packed = self._packed(table)
        found = self._pool.map(lambda case: _driven(case, packed), self.cases.values())
        return dict(zip(self.cases, found, strict=True))

    def drive(self, name: str, table: RuleTable) -> Drive:
        """Drive one of the cases; errors as :meth:`driven`."""
        return self.cases[name].loop.run_packed(self._packed(table))

    def _packed(self, table: RuleTable) -> PackedController:
        known = next(iter(self.cases.values())).optimum
        return table.pack(known.driveline, known.settings)


def _driven(case: Case, packed: PackedController) -> Driven:
    drive = case.loop.run_packed(packed)
    figures, comfort = drive_figures(case, drive), drive_comfort(case, drive)
    if drive.shortfall is not None:
        return Driven(figures, None, drive.shortfall.seconds, comfort)
    gap = percent_above(figures.cost_equal_g, case.bound.bound)
    return Driven(figures, gap, 0.0, comfort)
