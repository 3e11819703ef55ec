"""The limit of control without foresight: what no controller can win, and where others stand.

In a stated model of driving, on drives drawn from it: the optimum that knows each drive, the best
policy that does not, and controllers in closed loop. Real driving may tell more than the model
remembers (a brake light ahead, a known road), or less: the limit holds in the model.
"""

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..base.errors import InputError
from ..base.progress import Progress, silent
from ..controllers.closed_loop import AnyController, ClosedLoop
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.codes import EngineClass
from ..problem.graph import begins_start
from ..problem.settings import Settings
from .causal import CausalOptimum
from .chain import DriveStatistics, drive_statistics
from .hindsight import KnownDrive, charge_price, know_drive, least_costs
from .model import DriveModel
from .policy import CausalController

HINDSIGHT, HELD, BOUND = "hindsight", "causal optimum at a held price", "proved limit"
SWEPT = "limit with the SoC window, swept"
CAUSAL = "causal optimum in closed loop"
SURE = 1.96  # standard errors on either side that hold the truth in 95 % of all cases
SOC_POINTS = 401  # of the sweeps over drawn drives, where settings name none


@dataclass(frozen=True)
class Share:
    """A mean over drawn drives, % of the mean cost with hindsight.

    Attributes
    ----------
    percent : %
    error : %, half the width of the interval that holds the model's own mean in 95 of 100 cases
    """

    percent: float
    error: float


@dataclass(frozen=True)
class DrawnTotals:
    """What a controller did on the drawn drives, beside its costs.

    Attributes
    ----------
    starts : engine starts over those of the held-price optimum with hindsight
    soc_end : mean SoC at the end
    soc_lowest, soc_highest : of all drives
    clipped_steps : steps in which something was clipped
    lacking : drives in which power was lacking: their costs are too low
    """

    starts: float
    soc_end: float
    soc_lowest: float
    soc_highest: float
    clipped_steps: int
    lacking: int


@dataclass(frozen=True, eq=False)
class CausalLimit:
    """The limit of control without foresight in a model of driving.

    Attributes
    ----------
    model : the model and its best policy
    drawn : statistics of the drawn drives
    costs : g, (drives,) each, by name: `HINDSIGHT`, the optimum that knows the drive, with SoC and
        its limits; `BOUND`, in the mean a proved lower limit of all controllers without foresight,
        whatever the SoC window; `SWEPT`, the same with the window, by a sweep, whose grid adds an
        error that hindsight has as well; `HELD`, the best policy at a held price; `CAUSAL` and the
        controllers, in closed loop. All count what charge at the end lacks at the same price.
    held : g, (drives,), the optimum that knows the drive, at a held price
    driven : what the controllers did, by name
    """

    model: DriveModel
    drawn: DriveStatistics
    costs: Mapping[str, np.ndarray]
    held: np.ndarray
    driven: Mapping[str, DrawnTotals]

    @property
    def drives(self) -> int:
        """Number of drawn drives."""
        return int(self.held.size)

    @property
    def no_foresight(self) -> Share:
        """What the best policy without foresight loses against hindsight, at a held price."""
        return mean_share(self.costs[HELD] - self.held, self.held)

    @property
    def proved(self) -> Share:
        """What any controller without foresight loses at least, SoC and its limits included."""
        return self.above(BOUND)

    def above(self, name: str, other: str = HINDSIGHT) -> Share:
        """Return how far the costs of one lie above another's, in % of those with hindsight."""
        return mean_share(self.costs[name] - self.costs[other], self.costs[HINDSIGHT])

    def split(self, name: str, trained: str) -> tuple[Share, Share, Share]:
        """Split what a controller loses: want of foresight, its form, the rest.

        Parameters
        ----------
        name
            Of the controller.
        trained
            Of one of the same form that was trained on other drives drawn from the model. As
            training is never perfect, its form may lose a little less.

        Returns
        -------
        tuple of Share
            The proved limit above hindsight; the trained one above that; the controller above the
            trained one.
        """
        return self.above(BOUND), self.above(trained, BOUND), self.above(name, trained)


def mean_share(excess: np.ndarray, base: np.ndarray) -> Share:
    """Return the mean excess as a share of the mean base, with its sampling error.

    Parameters
    ----------
    excess, base
        (drives,), drawn independently.

    Notes
    -----
    Error of a ratio of means by its first-order expansion (Cochran, Sampling Techniques, Wiley,
    1977, section 2.11, from memory).
    """
    ratio = float(excess.mean() / base.mean())
    spread = np.std(excess - ratio * base, ddof=1) if base.size > 1 else np.nan
    return Share(100.0 * ratio, float(100.0 * SURE * spread / np.sqrt(base.size) / base.mean()))


def causal_limit(
    model: DriveModel,
    drives: int = 100,
    length: int = 1200,
    seed: int = 1,
    controllers: Mapping[str, AnyController] | None = None,
    progress: Progress = silent,
) -> CausalLimit:
    """Find what no controller without foresight can win, in a model of driving.

    Parameters
    ----------
    model
        From :func:`hybridopt.drive_model`, with vehicle and settings.
    drives, length, seed
        How many drives are drawn, s each at least, and the seed of chance. 2 drives or more.
    controllers
        Controllers to drive them with, by name.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    CausalLimit
        Costs of all, drive by drive, and the shares that follow.

    Raises
    ------
    InputError
        There are fewer than 2 drives, or a length below 10 s.
    """
    if drives < 2 or length < 10:
        raise InputError(
            f"causal limit: {drives} drives of {length} s are too few or too short; give 2 or more "
            "of 10 s or more"
        )
    optimum, driveline, settings = model.optimum, model.driveline, model.settings
    points = SOC_POINTS if settings.soc_points is None else settings.soc_points
    driver = _Driver(optimum, driveline, dataclasses.replace(settings, soc_points=points))
    plain = optimum.chain.memory.max() == 0
    causal = {CAUSAL: CausalController(optimum, driveline, settings)} if plain else {}
    random, found, drawn = np.random.default_rng(seed), list[_Driven](), list[np.ndarray]()

    def known_drives() -> Iterator[KnownDrive]:
        for i in range(drives):
            states = optimum.chain.draw(length, random)
            cycle = optimum.chain.cycle(states, f"drawn {i + 1}")
            drawn.append(cycle.speed)
            knowing, unknowing, driven = driver.drive(
                states, cycle, causal | dict(controllers or {})
            )
            found.append(driven)
            yield from (knowing, unknowing)

    least = least_costs(known_drives())
    for i, (knowing, unknowing) in enumerate(zip(least, least, strict=True)):
        found[i].costs[HINDSIGHT] += knowing
        found[i].costs[SWEPT] += unknowing
        progress((i + 1) / drives)
    costs, done = [one.costs for one in found], [one.done for one in found]
    return CausalLimit(
        model,
        drive_statistics(drawn),
        {name: np.array([one[name] for one in costs]) for name in costs[0]},
        np.array([one.held for one in found]),
        {name: _together([one[name] for one in done]) for name in done[0]},
    )


@dataclass(frozen=True, eq=False)
class _OneDrive:
    """What a controller did on one drive; starts are its own and those with hindsight."""

    starts: tuple[int, int]
    soc: np.ndarray
    clipped: int
    lacked: bool


class _Driven(NamedTuple):
    """Costs of a drive by name, the one with hindsight at a held price, and what was done."""

    costs: dict[str, float]
    held: float
    done: dict[str, _OneDrive]


@dataclass(frozen=True, eq=False)
class _Driver:
    """Drives drawn drives in all ways."""

    optimum: CausalOptimum
    driveline: Driveline
    settings: Settings

    def drive(
        self, states: np.ndarray, cycle: Cycle, controllers: Mapping[str, AnyController]
    ) -> tuple[KnownDrive, KnownDrive, _Driven]:
        """Drive a drive with all but a sweep; also return what is to be swept.

        Whose least costs are still to be added: of `HINDSIGHT` the first one, of `SWEPT` the other.
        """
        best, priced = self.optimum, self.optimum.priced
        value = priced.cost_to_go(states, best.end)
        knowing = priced.follow(value[1:], states)
        policy = priced.follow(best.ahead, states, states)
        after = (policy.engine_class != EngineClass.OFF).astype(np.int64), policy.gear
        added = best.added(states)
        luck = float(added[np.arange(states.size), *after].sum())  # 0 in the mean
        known = know_drive(cycle, self.driveline, self.settings, priced.price)
        unknowing = known.with_added(self._ended(added))
        costs = {
            HINDSIGHT: 0.0,
            BOUND: unknowing.proved() - luck,
            SWEPT: -luck,
            HELD: policy.cost + float(best.end[after[0][-1], after[1][-1]]),
        }
        starts, done = int(begins_start(knowing.engine_class).sum()), {}
        for name, controller in controllers.items():
            costs[name], done[name] = self._closed_loop(known, controller, starts)
        driven = _Driven(costs, float(value[(0, *priced.start)]), done)
        return known.with_added(self._ended(0.0 * added)), unknowing, driven

    def _ended(self, added: np.ndarray) -> np.ndarray:
        """Add what engine state and gear at the end are worth."""
        added[-1] += self.optimum.end
        return added

    def _closed_loop(
        self, known: KnownDrive, controller: AnyController, starts: int
    ) -> tuple[float, _OneDrive]:
        prepared, settings = known.prepared, self.settings
        drive = ClosedLoop(self.driveline, prepared.demand, settings, prepared.points).run(
            controller
        )
        missing = settings.socs[2] - drive.soc_end
        cost = drive.cost + charge_price(self.driveline, settings, known.price) * missing
        done = drive.schedule
        on = int(done.engine_class[-1] != EngineClass.OFF)
        one = _OneDrive(
            (int(begins_start(done.engine_class).sum()), starts),
            drive.soc,
            int(np.count_nonzero(drive.clipped)),
            drive.shortfall is not None,
        )
        return cost + float(self.optimum.end[on, done.gear[-1]]), one


def _together(drives: Sequence[_OneDrive]) -> DrawnTotals:
    own, known = np.array([one.starts for one in drives]).sum(axis=0)
    return DrawnTotals(
        starts=float(own / max(known, 1)),
        soc_end=float(np.mean([one.soc[-1] for one in drives])),
        soc_lowest=float(min(one.soc.min() for one in drives)),
        soc_highest=float(max(one.soc.max() for one in drives)),
        clipped_steps=sum(one.clipped for one in drives),
        lacking=sum(one.lacked for one in drives),
    )
