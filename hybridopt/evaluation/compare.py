"""Controllers compared with the optimum and its bound on the same cycles."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TypeVar

from ..base.errors import HybridoptError, InfeasibleError, InputError
from ..base.progress import Progress, silent
from ..controllers.builtin import BuiltIn, Playback
from ..controllers.closed_loop import AnyController
from ..controllers.preview import Preview
from ..foresight.held_price import training_optimum
from ..foresight.preview_maps import TRAINING, make_preview_maps
from ..inputs.cycle import Cycle, read_cycle
from ..inputs.driveline import Driveline
from ..optimum.optimum import Optimum
from ..pipeline import find_optimum
from ..problem.settings import Settings
from .case import OPTIMUM, Case, Score, score
from .tuning import Tuned, tune

TUNING = ("all", "each", "none")
T = TypeVar("T")


@dataclass(frozen=True)
class Failure:
    """What a comparison could not do.

    Attributes
    ----------
    cycle, controller : where; the controller is "optimum" where the cycle itself cannot be driven,
        the cycle empty where the tuning for all cycles failed
    reason : why
    of_input : whether input is wrong, such as a user's controller, for the user to mend; else what
        was asked could not be done
    """

    cycle: str
    controller: str
    reason: str
    of_input: bool = False


@dataclass(frozen=True, eq=False)
class Comparison:
    """All scores of a comparison.

    Attributes
    ----------
    driveline : the vehicle
    settings : resolved
    scores : by cycle, and in it by controller in the order given, the optimum first
    tuned : by controller and cycle (an empty cycle where one tuning serves all)
    failures : what is missing among the scores, and why
    trained : names of the training cycles, where the tuning was not on the compared ones
    """

    driveline: Driveline
    settings: Settings
    scores: Sequence[Score]
    tuned: Mapping[tuple[str, str], Tuned] = field(default_factory=dict)
    failures: Sequence[Failure] = ()
    trained: Sequence[str] = ()

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
    train: Sequence[Cycle] = (),
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
        by itself; "none": they are taken as they are, and `preview` without maps gets those of the
        shipped training cycles :data:`hybridopt.foresight.preview_maps.TRAINING`.
    evaluations, seed
        Sets of parameters that a tuning tries, and the seed of its random numbers.
    train
        Training cycles; with them built-in controllers are tuned once, on these alone, and know
        nothing of the cycles they are compared on. Wants tuning "all".
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    Comparison
        With a row for the replayed optimum of each cycle as well. A cycle that cannot be driven, a
        tuning or a controller that fails takes no other row with it: see its `failures`.

    Raises
    ------
    InputError
        Two cycles share a name, there is none, or a setting is wrong.
    """
    _check(cycles, controllers, tuning, train)
    settings = (settings or Settings()).resolved(driveline)
    built_in = sum(isinstance(c, BuiltIn) for c in controllers.values()) if tuning != "none" else 0
    previews = {name: c for name, c in controllers.items() if isinstance(c, Preview)}
    blank = {name: preview for name, preview in previews.items() if preview.maps is None}
    shipped = list(map(read_cycle, TRAINING)) if tuning == "none" and blank else []
    tasks = len(cycles) + len(train) + len(shipped) + built_in * len(train or cycles)
    work, failures = SharedProgress(progress, tasks), Failures()

    def solved(cycle: Cycle) -> Case | None:
        make = partial(find_optimum, cycle, driveline, settings, work.part(1))
        return failures.caught(cycle.name, OPTIMUM, lambda: Case(make()))

    def trained(cycle: Cycle) -> Optimum | None:
        make = partial(training_optimum, cycle, driveline, settings, work.part(1))
        return failures.caught(cycle.name, OPTIMUM, make)

    cases = [case for case in map(solved, cycles) if case]
    known = [case for case in map(solved, train) if case] if train else cases
    groups = {"": known} if tuning == "all" else {c.optimum.cycle.name: [c] for c in cases}
    tuned: dict[tuple[str, str], Tuned] = {}
    for name, controller in controllers.items():
        if not isinstance(controller, BuiltIn) or tuning == "none" or not cases:
            continue
        for cycle_name, group in groups.items():
            part = work.part(len(group))
            make = partial(tune, controller, group, evaluations, seed, part)
            if found := failures.caught(cycle_name, name, make):
                tuned[name, cycle_name] = found
    if shipped and cases:
        training = [known for known in map(trained, shipped) if known]
        maps = make_preview_maps(training) if training else None
        controllers = dict(controllers) | {n: replace(p, maps=maps) for n, p in blank.items()}
    scores = []
    for case in cases:
        cycle_name = case.optimum.cycle.name
        plan = Playback(schedule=case.optimum.solution.schedule)
        for name, controller in ({OPTIMUM: plan} | dict(controllers)).items():
            if (cycle_name, name) in failures or ("", name) in failures:
                continue
            found = tuned.get((name, cycle_name)) or tuned.get((name, ""))
            make_score = partial(score, case, name, found.controller if found else controller)
            if row := failures.caught(cycle_name, name, make_score):
                scores.append(row)
    learned = [cycle.name for cycle in train]
    return Comparison(driveline, settings, scores, tuned, failures.all, learned)


class Failures:
    """What failed, by cycle and controller; everything else goes on."""

    def __init__(self) -> None:
        self.all: list[Failure] = []

    def __contains__(self, place: tuple[str, str]) -> bool:
        return any((failure.cycle, failure.controller) == place for failure in self.all)

    def caught(self, cycle: str, controller: str, make: Callable[[], T]) -> T | None:
        """Return what is made; None where that fails, which is kept in mind."""
        try:
            return make()
        except HybridoptError as error:
            wrong = isinstance(error, InputError) and not isinstance(error, InfeasibleError)
            self.all.append(Failure(cycle, controller, str(error), wrong))
            return None


def _check(
    cycles: Sequence[Cycle],
    controllers: Mapping[str, AnyController],
    tuning: str,
    train: Sequence[Cycle],
) -> None:
    check_names(cycles)
    if OPTIMUM in controllers:
        raise InputError(f"a controller cannot be named {OPTIMUM!r}; that row is always there")
    if tuning not in TUNING:
        raise InputError(f"tuning is {tuning!r}; allowed is {' or '.join(TUNING)}")
    if train and tuning != "all":
        raise InputError(
            f"tuning is {tuning!r} and training cycles are given; leave one of the two out"
        )


def check_names(cycles: Sequence[Cycle]) -> None:
    """Raise InputError where there is no cycle, or two share a name."""
    names = [cycle.name for cycle in cycles]
    twice = sorted({name for name in names if names.count(name) > 1})
    if not names:
        raise InputError("a comparison needs a cycle")
    if twice:
        raise InputError(f"cycle {twice[0]} is given twice; give each cycle once")


class SharedProgress:
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
