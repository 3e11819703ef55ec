"""Tuning of built-in controllers on cycles, so that a rule is never a straw man."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.errors import InfeasibleError, InputError
from ..base.percent import percent_above
from ..base.progress import Progress, silent
from ..controllers.builtin import BuiltIn, Equivalence
from ..controllers.closed_loop import Drive
from ..controllers.preview import Preview
from ..foresight.preview_maps import make_preview_maps
from .case import Case
from .differential_evolution import evolve_differentially

IMBALANCE = 0.2  # of the worth of the energy off balance, charged on top of its correction
LACKING_COST = 1000.0  # % of the cost, if power were lacking all the time


@dataclass(frozen=True, eq=False)
class Tuned:
    """Outcome of tuning.

    Attributes
    ----------
    controller : with the best parameters found
    parameters : the tuned ones, by name, SI
    before_percent, after_percent : mean over the cases of how far the objective lies above the
        optimum's cost
    """

    controller: BuiltIn
    parameters: dict[str, float]
    before_percent: float
    after_percent: float


def tune(
    controller: BuiltIn,
    cases: Sequence[Case],
    evaluations: int = 400,
    seed: int = 1,
    progress: Progress = silent,
) -> Tuned:
    """Tune a built-in controller's parameters within their bounds.

    Parameters
    ----------
    controller
        Where to begin; what its `bounds` do not name stays.
    cases
        On which to be good; all of one driveline.
    evaluations
        How many sets of parameters to try, each on all cases.
    seed
        The same seed gives the same answer.
    progress
        Called with the share done, 0 to 1.

    Raises
    ------
    InputError
        There is no case, or the controller cannot drive one of them with any parameters.

    Notes
    -----
    The objective is the mean over cases of the cost at equal SoC above the optimum's, plus
    :data:`IMBALANCE` of the worth of the energy off balance, so that what is tuned on one cycle
    keeps its charge on others, and :data:`LACKING_COST` for the share of time in which power was
    lacking to drive the speed of the cycle.
    """
    if not cases:
        raise InputError("tuning needs a case; give a cycle")
    controller = informed(controller, cases)
    bounds = controller.bounds(cases[0].optimum.driveline)
    if not bounds:
        percent = _percent(controller, cases)
        return Tuned(controller, {}, percent, percent)
    names = list(bounds)
    low, high = (np.array(side) for side in zip(*bounds.values(), strict=True))
    first = np.array([getattr(controller, name) for name in names])

    def parameters(values: np.ndarray) -> dict[str, float]:
        return dict(zip(names, values.tolist(), strict=True))

    def objective(values: np.ndarray) -> float:
        return _percent(controller.varied(parameters(values)), cases)

    before = objective(first)
    best, after = evolve_differentially(objective, low, high, first, evaluations, seed, progress)
    if not np.isfinite(after):
        raise InputError("tuning: no parameters within the bounds drive all of the cycles")
    found = parameters(best)
    return Tuned(controller.varied(found), found, before, after)


def informed(controller: BuiltIn, cases: Sequence[Case]) -> BuiltIn:
    """Return a controller with what it takes from optima before any tuning.

    An equivalence factor begins at what stored energy is worth there; preview that has no maps gets
    those that the optima give.
    """
    if isinstance(controller, Preview) and controller.maps is None:
        maps = make_preview_maps([case.optimum for case in cases])
        return dataclasses.replace(controller, maps=maps)
    if not isinstance(controller, Equivalence):
        return controller
    heat = cases[0].optimum.driveline.fuel.heating_value
    worth = [case.worth.fuel_per_energy * heat for case in cases]
    return dataclasses.replace(controller, factor=float(np.mean(worth)))


def lacking_cost(drive: Drive) -> float:
    """Return what lacking power is charged in a search, % of the optimum's cost."""
    if drive.shortfall is None:
        return 0.0
    return LACKING_COST * drive.shortfall.seconds / float(drive.demand.dt.sum())


def _percent(controller: BuiltIn, cases: Sequence[Case]) -> float:
    """Return the objective; infinite where a case cannot be driven."""
    total = 0.0
    for case in cases:
        try:
            drive = case.drive(controller)
        except InfeasibleError:
            return float("inf")
        off = abs(case.worth.correction(drive.soc_end))
        cost = case.equal_cost(drive) + IMBALANCE * off
        total += percent_above(cost, case.optimum_cost) + lacking_cost(drive)
    return total / len(cases)
