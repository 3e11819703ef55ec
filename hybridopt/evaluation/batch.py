"""Many problems solved on the devices that are there, their optima made on demand."""

import dataclasses
import warnings
from collections.abc import Callable, Hashable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial

from ..base.errors import HybridoptError
from ..base.warning import InputWarning
from ..dp.bound import known_bound, lower_bound
from ..dp.cost_to_go import ValueLeftOut
from ..dp.forward import ForwardRun
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..optimum.batch import Answer, devices, in_order, solve_statements
from ..optimum.optimum import Optimum
from ..optimum.solve import Solution
from ..physics.demand import Demand
from ..physics.replay import replay_schedule
from ..pipeline import Prepared, find_optimum, prepare
from ..problem.emission_prices import with_prices
from ..problem.settings import Settings
from ..problem.size import settled
from ..problem.statement import Statement, Statements

LOOSE_PERCENT = 5.0  # gap above which a device's bound is left for the CPU's


@dataclass(frozen=True, eq=False)
class BatchItem:
    """A problem of a batch, and what became of it.

    Attributes
    ----------
    cycle, driveline, settings, demand : what was solved; the settings are resolved
    statement : the problem in short
    answer : schedule, SoC path, cost and bound in bare arrays, or why the device gave none
    """

    cycle: Cycle
    driveline: Driveline
    settings: Settings
    demand: Demand
    statement: Statement
    answer: Answer

    @property
    def cost(self) -> float:
        """Cost of the schedule, g of fuel; infinite where there is none."""
        return self.answer.run.cost if self.answer.run else float("inf")

    def optimum(self) -> Optimum:
        """Return the optimum as :func:`find_optimum` does, its cost-to-go left out.

        Where the device gave no answer, or a schedule that cannot be driven here, the problem is
        solved here; errors are those of a solve. A bound with a gap above 5 % is proved here again.
        """
        if (run := self.answer.run) is None:
            return self._solved_here()
        try:
            return self._replayed(run)
        except HybridoptError as error:
            words = f"the device's schedule cannot be driven ({error}); solved on the CPU"
            warnings.warn(f"{self.cycle.name}: {words}", InputWarning, stacklevel=2)
            return self._solved_here()

    def _solved_here(self) -> Optimum:
        prepared = Prepared(self.demand, self.statement.points)
        inputs = self.cycle, self.driveline, self.settings
        return find_optimum(*inputs, prepared=prepared, bound=True, keep_value=False)

    def _replayed(self, run: ForwardRun) -> Optimum:
        bound = None
        problem = self.statement.problem
        known = Solution(
            problem,
            run,
            run.schedule(problem.points),
            self.answer.value_start,
            ValueLeftOut(problem),
        )
        if self.answer.multipliers is not None:
            bound = known_bound(problem, run, self.answer.bound, self.answer.multipliers)
            if bound.gap_percent > LOOSE_PERCENT:
                bound = lower_bound(problem, run, run.costate)
        trace = replay_schedule(
            self.driveline,
            self.demand,
            known.schedule,
            self.settings.socs[2],
            self.settings.gear_start,
            run.costate,
        )
        inputs = self.cycle, self.driveline, self.settings, self.demand
        return Optimum(*inputs, known, trace, bound)


def state_cases(cases: Iterable[tuple[Cycle, Driveline, Settings | None]]) -> Iterator[BatchItem]:
    """Yield problems of a batch, not answered; parameters and errors are those of `solve_batch`."""
    known, prepared = Statements(), dict[Hashable, tuple[Cycle, Prepared]]()
    for cycle, driveline, settings in cases:
        settings = settled(cycle, driveline, settings)
        battery = driveline.battery
        key = (
            *(id(cycle), settings.splits, id(battery.table), battery.derating),
            *(battery.throughput_cost, battery.continuous_share, *settings.emissions),
            *(id(part) for name, part in vars(driveline).items() if name != "battery"),
        )
        if key not in prepared:
            # the key names the cycle by identity, so it must not go away
            prepared[key] = cycle, prepare(cycle, driveline, settings, whole=False)
        made, driveline = prepared[key][1], with_prices(driveline, settings)
        statement = known.state(driveline, settings, made.demand, made.points)
        yield BatchItem(cycle, driveline, settings, made.demand, statement, Answer(None))


def solve_batch(
    cases: Iterable[tuple[Cycle, Driveline, Settings | None]], bound: bool = True
) -> Iterator[BatchItem]:
    """Solve many problems on the devices that are there.

    Parameters
    ----------
    cases
        Cycle, driveline and settings of each; those that are the same objects are shared.
    bound
        Also prove a lower limit of each cost. It is as sound as that of a solve, but may be less
        tight, as multipliers climb by one scale only.

    Returns
    -------
    iterator of BatchItem
        In the order of the cases, as they are found. Where a device cannot take a problem, or
        finds no schedule, the answer says why, and `optimum` solves it here.

    Raises
    ------
    FailedError
        There is no device.
    InputError, InfeasibleError
        As :func:`solve_cycle`, for settings that do not fit a driveline.
    """
    stated: dict[int, BatchItem] = {}

    def statements() -> Iterator[Statement]:
        for i, item in enumerate(state_cases(cases)):
            stated[i] = item
            yield item.statement

    yield from in_order(
        (i, dataclasses.replace(stated.pop(i), answer=answer))
        for i, answer in solve_statements(statements(), bound)
    )


def solve_each(
    cases: Iterable[tuple[Cycle, Driveline, Settings | None]],
) -> Iterator[Optimum | HybridoptError]:
    """Solve cases with their bounds: on the devices that are there, else here, one by one.

    Yields
    ------
    Optimum or HybridoptError
        Of each case in order: the optimum, its cost-to-go left out, or why there is none.
    """
    solves: Iterable[Callable[[], Optimum]]
    if devices():
        solves = (item.optimum for item in solve_batch(cases))
    else:
        solves = (partial(find_optimum, *case, keep_value=False) for case in cases)
    for solve in solves:
        try:
            yield solve()
        except HybridoptError as error:
            yield error


def answered(cycle: Cycle, driveline: Driveline, settings: Settings, answer: Answer) -> Optimum:
    """Return the optimum of a case whose answer a device found; see :class:`BatchItem`."""
    (item,) = state_cases([(cycle, driveline, settings)])
    return dataclasses.replace(item, answer=answer).optimum()
