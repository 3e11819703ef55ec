"""Controllers compared with the optimum and its bound on the same cycles."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ..base.errors import InputError
from ..base.progress import Progress, silent
from ..controllers.builtin import BuiltIn, Playback
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..pipeline import find_optimum
from ..problem.settings import Settings
from .case import OPTIMUM, AnyController, Case, Score, score
from .tuning import Tuned, tune

TUNING = ("all", "each", "none")


@dataclass(frozen=True, eq=False)
class Comparison:
    """All scores of a comparison.

    Attributes
    ----------
    driveline : the vehicle
    settings : resolved
    scores : by cycle, and in it by controller in the order given, the optimum first
    tuned : by controller and cycle (an empty cycle where one tuning serves all)
    """

    driveline: Driveline
    settings: Settings
    scores: Sequence[Score]
    tuned: Mapping[tuple[str, str], Tuned] = field(default_factory=dict)

    def of_cycle(self, cycle: str) -> list[Score]:
        """Return the scores of a cycle."""
        return [score for score in self.scores if score.cycle == cycle]

    @property
    def cycles(self) -> list[str]:
        """Names of the cycles, each once."""
        return list(dict.fromkeys(score.cycle for score in self.scores))


def compare(
    cycles: Sequence[Cycle],
    driveline: Driveline,
    controllers: Mapping[str, AnyController],
    settings: Settings | None = None,
    tuning: str = "all",
    evaluations: int = 400,
    seed: int = 1,
    progress: Progress = silent,
) -> Comparison:
    """Drive cycles with controllers and measure each against the optimum and the proved bound.

    Parameters
    ----------
    cycles
        With different names.
    driveline
        The vehicle.
    controllers
        By name: built-in ones, functions from :class:`Observation` to :class:`Command`, or objects
        with `reset` and `decide`.
    settings
        As for :func:`hybridopt.solve_cycle`.
    tuning
        "all": built-in controllers are tuned once, on all cycles together; "each": on every cycle
        by itself; "none": they are taken as they are.
    evaluations, seed
        Sets of parameters that a tuning tries, and the seed of its random numbers.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    Comparison
        With a row for the replayed optimum of each cycle as well.

    Raises
    ------
    InputError
        Two cycles share a name, there is none, or a setting is wrong.
    InfeasibleError
        A cycle cannot be driven, or a controller leads to a dead end.
    FailedError
        Code of a user's controller failed.
    """
    _check(cycles, controllers, tuning)
    settings = (settings or Settings()).resolved(driveline)
    tasks = 1 if tuning == "none" else 1 + sum(isinstance(c, BuiltIn) for c in controllers.values())
    work = _SharedProgress(progress, len(cycles) * tasks)
    cases = [Case(find_optimum(cycle, driveline, settings, work.part(1))) for cycle in cycles]
    groups = {"": cases} if tuning == "all" else {c.optimum.cycle.name: [c] for c in cases}
    tuned: dict[tuple[str, str], Tuned] = {}
    for name, controller in controllers.items():
        if not isinstance(controller, BuiltIn) or tuning == "none":
            continue
        for cycle_name, group in groups.items():
            part = work.part(len(group))
            tuned[name, cycle_name] = tune(controller, group, evaluations, seed, part)
    scores = []
    for case in cases:
        scores.append(score(case, OPTIMUM, Playback(schedule=case.optimum.solution.schedule)))
        for name, controller in controllers.items():
            found = tuned.get((name, case.optimum.cycle.name)) or tuned.get((name, ""))
            scores.append(score(case, name, found.controller if found else controller))
    return Comparison(driveline, settings, scores, tuned)


def _check(cycles: Sequence[Cycle], controllers: Mapping[str, AnyController], tuning: str) -> None:
    names = [cycle.name for cycle in cycles]
    twice = sorted({name for name in names if names.count(name) > 1})
    if not names:
        raise InputError("a comparison needs a cycle")
    if twice:
        raise InputError(f"cycle {twice[0]} is given twice; give each cycle once")
    if OPTIMUM in controllers:
        raise InputError(f"a controller cannot be named {OPTIMUM!r}; that row is always there")
    if tuning not in TUNING:
        raise InputError(f"tuning is {tuning!r}; allowed is {' or '.join(TUNING)}")


class _SharedProgress:
    """One progress report shared by tasks of equal length; it never goes back."""

    def __init__(self, progress: Progress, tasks: int) -> None:
        self.progress, self.tasks, self.begun, self.shown = progress, tasks, 0, 0.0

    def part(self, tasks: int) -> Progress:
        """Return the report of so many of the next tasks."""
        before, self.begun = self.begun, self.begun + tasks

        def report(share: float) -> None:
            self.shown = max(self.shown, (before + tasks * share) / self.tasks)
            self.progress(self.shown)

        return report
