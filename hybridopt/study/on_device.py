"""Optima of a study from devices: tasks come back with answers, which workers replay and store.

The devices are those of this machine, or those of a cluster's workers.
"""

import dataclasses
import itertools
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from typing import Any

from ..base.errors import HybridoptError
from ..evaluation.case import OPTIMUM
from ..inputs.driveline import Driveline
from ..optimum.batch import solve_statements
from ..pipeline import Prepared, prepare
from ..problem.emission_prices import with_prices
from ..problem.size import settled
from ..problem.statement import Statement, Statements
from .tasks import Executor, Report, TaskInput

REMEMBERED = 64  # sets of operating points that later tasks may share


class DeviceExecutor:
    """Has devices solve the optima of tasks, and an executor do the rest.

    Tasks that devices cannot take, or find no schedule for, go to the executor unsolved; so do all
    that are left where the devices fail.

    Parameters
    ----------
    rest
        Makes outcomes of answers, and does whole tasks.

    Attributes
    ----------
    on_cpu : why tasks were solved without a device, and how many for it
    """

    def __init__(self, rest: Executor) -> None:
        self.rest = rest
        self.on_cpu: Counter[str] = Counter()

    def run(self, tasks: Iterable[TaskInput], count: int, report: Report) -> None:
        """Do all tasks; see :class:`.tasks.Executor`."""
        self.rest.run(self._answered(iter(tasks)), count, report)

    def _answered(self, tasks: Iterator[TaskInput]) -> Iterator[TaskInput]:
        """Yield tasks with their answers as these are found, and those without one."""
        first = next(tasks, None)
        if first is None:
            return
        waiting: dict[int, TaskInput] = {}
        others: deque[TaskInput] = deque()
        numbers, maker = itertools.count(), StatementMaker()

        def statements() -> Iterator[Statement]:
            for task in itertools.chain([first], tasks):
                if statement := self._statement(maker, task):
                    waiting[next(numbers)] = task
                    yield statement
                else:
                    others.append(task)

        try:
            for number, answer in solve_statements(statements(), first.bound):
                while others:
                    yield others.popleft()
                task = waiting.pop(number)
                if answer.run is None:
                    self.on_cpu[answer.reason] += 1
                    yield task
                else:
                    yield dataclasses.replace(task, answer=answer)
        except GeneratorExit:
            raise
        except Exception as error:  # whatever a device raises, the study goes on
            left = [*waiting.values(), *others, *tasks]
            self.on_cpu[f"the device failed ({type(error).__name__}: {error})"] += len(left)
            yield from left
            return
        yield from others

    def _statement(self, maker: "StatementMaker", task: TaskInput) -> Statement | None:
        """Return the problem of a task; None where it is none for a device."""
        if task.run != OPTIMUM or task.keeps_optimum:
            self.on_cpu["controllers drive its variant"] += 1
        elif task.variant is not None:
            try:
                return maker.statement(task)
            except HybridoptError:
                pass  # a worker finds the same fault and keeps it as the outcome
        return None


class StatementMaker:
    """States the problems of tasks; those of one `points_digest` share what they can."""

    def __init__(self) -> None:
        self._statements = Statements()
        self._known: dict[bytes, tuple[Driveline, Prepared]] = {}

    def statement(self, task: TaskInput) -> Statement:
        """Return the problem of a task.

        Raises
        ------
        HybridoptError
            The variant's parts do not fit, or the cycle cannot be driven.
        """
        variant: Any = task.variant
        driveline = variant.driveline()
        settings = settled(task.cycle, driveline, variant.settings)
        driveline = with_prices(driveline, settings)
        known = self._known.get(task.points_digest) if task.points_digest else None
        if known is None:
            known = driveline, prepare(task.cycle, driveline, settings, whole=False)
            if len(self._known) >= REMEMBERED:
                self._known.clear()
                self._statements = Statements()
            self._known[task.points_digest] = known
        alike, prepared = known
        shared = dataclasses.replace(alike, battery=driveline.battery)
        return self._statements.state(shared, settings, prepared.demand, prepared.points)
