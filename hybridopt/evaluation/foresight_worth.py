"""What foresight is worth: loss of the predictive controller over how far it sees, and how well."""

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from ..base.errors import InputError
from ..base.percent import percent_above
from ..base.progress import Progress, silent
from ..controllers.foreseen import Predict
from ..controllers.preview import LONGEST, Preview, PreviewMaps
from ..foresight.expected_cost import ExpectedCost, make_expected_cost
from ..foresight.held_price import training_optimum
from ..foresight.predictions import PREDICTIONS, SpeedError
from ..foresight.preview_maps import TRAINING, make_preview_maps
from ..foresight.priced_preview import priced_losses
from ..inputs.cycle import Cycle, read_cycle
from ..inputs.driveline import Driveline
from ..optimum.optimum import Optimum
from ..physics.demand import Demand
from ..pipeline import find_optimum
from ..problem.graph import begins_start
from ..problem.settings import Settings
from .case import OPTIMUM, Case
from .compare import Failure, Failures, SharedProgress, check_names

HORIZONS = (0.0, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 60.0)  # s
PRICE_HELD = "exact, price held"  # at which SoC needs no watching
TRAPPED = "it came to a step with an engine state in which nothing can drive it"
SOLVE_TASKS, MAP_TASKS = 12, 8  # tasks that a solve, and the maps of a training, count as


@dataclass(frozen=True)
class ForesightRow:
    """What one horizon of one kind of preview is worth on one cycle.

    Attributes
    ----------
    cycle : name
    preview : one of :data:`hybridopt.foresight.predictions.PREDICTIONS`, or `PRICE_HELD`
    horizon : s, how far is seen
    seen : whether the controller's expectations were trained on the cycle
    cost_above_optimum_percent : cost at equal SoC above the replayed optimum's, % of that; with the
        price held, cost above the shortest path's at that price, % of the optimum's cost
    gap_percent : cost at equal SoC above the proved bound, %; NaN with the price held
    soc_end : 0 to 1; NaN with the price held
    starts, optimum_starts : counts; 0 with the price held
    clipped_steps : steps in which the driveline could not do as asked
    lacking : s, for which power was lacking; optimum and bound are then of the speed driven
    """

    cycle: str
    preview: str
    horizon: float
    seen: bool
    cost_above_optimum_percent: float
    gap_percent: float = math.nan
    soc_end: float = math.nan
    starts: int = 0
    optimum_starts: int = 0
    clipped_steps: int = 0
    lacking: float = 0.0


@dataclass(frozen=True, eq=False)
class ForesightWorth:
    """What foresight is worth on some cycles.

    Attributes
    ----------
    driveline : the vehicle
    settings : resolved
    horizons : s, increasing
    rows : by kind of preview, cycle and horizon
    training : names of the cycles that the controller's expectations are from
    left_out : whether each of them was left out of the training where it was driven
    wrong : the error of the kind "wrong"
    destination : whether the controller knew when the drive ends
    failures : what is missing among the rows, and why
    """

    driveline: Driveline
    settings: Settings
    horizons: Sequence[float]
    rows: Sequence[ForesightRow]
    training: Sequence[str]
    left_out: bool = False
    wrong: SpeedError = field(default_factory=SpeedError)
    destination: bool = False
    failures: Sequence[Failure] = ()

    @property
    def previews(self) -> list[str]:
        """Kinds of preview that there are rows of."""
        return list(dict.fromkeys(row.preview for row in self.rows))

    def losses(self, preview: str) -> dict[str, list[float]]:
        """Return the losses of a kind over the horizons, %, by cycle; NaN where there is none."""
        found: dict[str, dict[float, float]] = {}
        for row in self.rows:
            if row.preview == preview:
                of_cycle = found.setdefault(row.cycle, {})
                of_cycle[row.horizon] = row.cost_above_optimum_percent
        return {name: [of.get(h, math.nan) for h in self.horizons] for name, of in found.items()}

    def mean(self, preview: str) -> list[float]:
        """Return the mean losses over the horizons, %, of the cycles that have all of them."""
        rows = [losses for losses in self.losses(preview).values() if not np.isnan(losses).any()]
        return [math.nan] * len(self.horizons) if not rows else np.mean(rows, axis=0).tolist()


def foresight_worth(
    cycles: Sequence[Cycle],
    driveline: Driveline,
    settings: Settings | None = None,
    horizons: Sequence[float] = HORIZONS,
    previews: Sequence[str] = ("exact",),
    train: Sequence[Cycle] = (),
    leave_out: bool = False,
    wrong: SpeedError | None = None,
    destination: bool = False,
    progress: Progress = silent,
) -> ForesightWorth:
    """Drive cycles with the predictive controller, seeing more and more of what comes.

    Parameters
    ----------
    cycles
        With different names.
    driveline
        The vehicle.
    settings
        As for :func:`hybridopt.solve_cycle`.
    horizons
        How far is seen, s, 0 to 600.
    previews
        Kinds of preview: "exact"; "wrong", with an error of speed that grows with the look-ahead;
        "limits", speed limits and grade only; "grade" only; and guesses of a car without preview:
        "usual", the mean of what followed in the training, "fading" acceleration, "steady" speed.
        With "exact", the loss at a held price of stored energy is given too.
    train
        Training cycles of what the controller expects behind what it sees; none are WLTC class 3b
        and Artemis urban, rural and motorway 130.
    leave_out
        Leave a cycle out of the training where it is driven.
    wrong
        The error of the kind "wrong".
    destination
        Whether the controller knows when the drive ends, whatever else it sees.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    ForesightWorth
        A row per kind of preview, cycle and horizon. A cycle or drive that fails takes no other
        with it: see its `failures`.

    Raises
    ------
    InputError
        Two cycles share a name, there is none, a horizon or kind of preview is not allowed, or
        nothing is left to train on.
    """
    training = list(train) or [read_cycle(name) for name in TRAINING]
    horizons = _checked(cycles, horizons, previews)
    settings = (settings or Settings()).resolved(driveline)
    every = {cycle.sha256: cycle for cycle in (*training, *cycles)}
    driven = {cycle.sha256 for cycle in cycles}
    tasks = len(every) * SOLVE_TASKS + len(cycles) * (len(previews) * len(horizons) + MAP_TASKS)
    work, failures = SharedProgress(progress, tasks), Failures()

    def solved(cycle: Cycle) -> Optimum:
        solve = find_optimum if cycle.sha256 in driven else training_optimum
        return solve(cycle, driveline, settings, work.part(SOLVE_TASKS))

    found = {sha: failures.caught(c.name, OPTIMUM, partial(solved, c)) for sha, c in every.items()}
    cases = {sha: Case(known) for sha, known in found.items() if known and sha in driven}
    known = [optimum for cycle in training if (optimum := found.get(cycle.sha256))]
    learned, rows = _Learned(known, leave_out), []
    for cycle in cycles:
        make = partial(learned.without, cycle)
        if cycle.sha256 not in cases or not (
            knows := failures.caught(cycle.name, "its training", make)
        ):
            continue
        work.part(MAP_TASKS)(1.0)
        sweep = _Sweep(cases[cycle.sha256], knows, wrong or SpeedError(), destination, failures)
        rows += sweep.rows(horizons, previews, lambda: work.part(1)(1.0))
    order = [kind for name in previews for kind in (name, PRICE_HELD)[: 1 + (name == "exact")]]
    rows.sort(key=lambda row: order.index(row.preview))  # cycles and horizons stay in order
    names = [optimum.cycle.name for optimum in known]
    return ForesightWorth(
        driveline=driveline,
        settings=settings,
        horizons=horizons,
        rows=rows,
        training=names,
        left_out=leave_out,
        wrong=wrong or SpeedError(),
        destination=destination,
        failures=failures.all,
    )


def _checked(
    cycles: Sequence[Cycle], horizons: Sequence[float], previews: Sequence[str]
) -> list[float]:
    """Return the horizons in order, each once; raise InputError where something is not allowed."""
    check_names(cycles)
    for kind in previews:
        if kind not in PREDICTIONS:
            known = ", ".join(PREDICTIONS)
            raise InputError(f"preview is {kind!r}; allowed is {known}")
    for horizon in horizons:
        if not (0.0 <= horizon <= LONGEST and float(horizon).is_integer()):
            raise InputError(
                f"horizon is {horizon:g} s; allowed are whole seconds from 0 to {LONGEST:g}"
            )
    if not (horizons and previews):
        raise InputError("foresight needs a horizon and a kind of preview; give one or more")
    return sorted({float(horizon) for horizon in horizons})


@dataclass(frozen=True, eq=False)
class _Knowledge:
    """What was learned from a training: maps, cost-to-go at the held price, and the demands."""

    maps: PreviewMaps
    expected: ExpectedCost
    price: float
    demands: Sequence[Demand]
    seen: frozenset[str]  # SHA-256 of the cycles


class _Learned:
    """Trainings with all cycles, or without the one that is driven."""

    def __init__(self, optima: Sequence[Optimum], leave_out: bool) -> None:
        self.optima, self.leave_out = optima, leave_out
        self._known: dict[tuple[str, ...], _Knowledge] = {}

    def without(self, cycle: Cycle) -> _Knowledge:
        """Return what is known where a cycle is driven."""
        sha = cycle.sha256
        kept = [o for o in self.optima if not self.leave_out or o.cycle.sha256 != sha]
        key = tuple(known.cycle.sha256 for known in kept)
        if not key:
            raise InputError("no other training cycle is left; train on more with --train")
        if key not in self._known:
            self._known[key] = _learn(kept)
        return self._known[key]


def _learn(optima: Sequence[Optimum]) -> _Knowledge:
    maps = make_preview_maps(optima)
    return _Knowledge(
        maps=maps,
        expected=make_expected_cost(optima, np.array([maps.factor])),
        price=maps.factor,
        demands=[known.demand for known in optima],
        seen=frozenset(known.cycle.sha256 for known in optima),
    )


class _Sweep:
    """All horizons and kinds of preview on one case."""

    def __init__(
        self,
        case: Case,
        knows: _Knowledge,
        wrong: SpeedError,
        destination: bool,
        failures: Failures,
    ) -> None:
        self.case, self.knows, self.wrong, self.failures = case, knows, wrong, failures
        self.name = case.optimum.cycle.name
        self.preview = Preview(maps=knows.maps, destination=destination)
        self.seen = case.optimum.cycle.sha256 in knows.seen

    def rows(
        self, horizons: Sequence[float], previews: Sequence[str], step: Callable[[], None]
    ) -> list[ForesightRow]:
        """Return the rows of all that could be driven, calling `step` after each drive."""
        rows: list[ForesightRow] = []
        at_once: ForesightRow | None = None
        for kind in previews:
            predict = PREDICTIONS[kind](self.knows.demands, self.wrong)
            for horizon in horizons:
                what = f"{kind} {horizon:g} s"
                make = partial(self._row, kind, horizon, predict)
                if horizon == 0.0 and at_once:  # nothing is foreseen: all kinds are alike
                    rows.append(dataclasses.replace(at_once, preview=kind))
                elif row := self.failures.caught(self.name, what, make):
                    rows.append(row)
                    at_once = row if horizon == 0.0 else at_once
                step()
        return rows + (self._held(horizons) if "exact" in previews else [])

    def _row(self, kind: str, horizon: float, predict: Predict) -> ForesightRow:
        controller = dataclasses.replace(self.preview, horizon=horizon, predict=predict)
        drive = self.case.drive(controller)
        case = self.case.driven(drive)
        return ForesightRow(
            cycle=self.name,
            preview=kind,
            horizon=horizon,
            seen=self.seen,
            cost_above_optimum_percent=case.yardstick.cost_above(drive.cost, drive.soc_end),
            gap_percent=percent_above(case.equal_cost(drive), case.bound.bound),
            soc_end=drive.soc_end,
            starts=int(begins_start(drive.schedule.engine_class).sum()),
            optimum_starts=case.optimum_starts,
            clipped_steps=int(np.count_nonzero(drive.clipped)),
            lacking=drive.shortfall.seconds if drive.shortfall else 0.0,
        )

    def _held(self, horizons: Sequence[float]) -> list[ForesightRow]:
        rows, known = [], self.knows
        losses = priced_losses(self.case.optimum, known.expected, known.price, horizons)
        for horizon, loss in zip(horizons, losses, strict=True):
            if math.isfinite(loss):
                rows.append(ForesightRow(self.name, PRICE_HELD, horizon, self.seen, loss))
            else:
                what = f"{PRICE_HELD} {horizon:g} s"
                self.failures.all.append(Failure(self.name, what, TRAPPED))
        return rows
