"""A cycle with its optimum, its bound and a closed loop: what controllers are measured on."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import xarray as xr

from ..base.errors import InputError
from ..base.percent import percent_above
from ..controllers.builtin import BuiltIn, Playback
from ..controllers.closed_loop import AnyController, ClosedLoop, Drive
from ..controllers.journey import Shortfall
from ..dp.bound import Bound, lower_bound
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..optimum.charge_balance import balance_share
from ..optimum.optimum import Optimum
from ..optimum.result import Result, fuel_used, make_result
from ..physics.modes import Mode
from ..pipeline import find_optimum
from ..problem.graph import begins_start
from ..problem.settings import Settings
from .equal_soc import ChargeWorth, Yardstick, charge_worth
from .regret import NOT_SOUGHT, Regret, drive_regret

OPTIMUM = "optimum"  # name of the replayed optimum among the controllers


@dataclass(frozen=True, eq=False)
class Case:
    """A solved cycle on which controllers are measured.

    Parameters
    ----------
    optimum
        From :func:`hybridopt.pipeline.find_optimum`, with its bound.

    Raises
    ------
    InputError
        The optimum has no bound.
    """

    optimum: Optimum

    def __post_init__(self) -> None:
        """Check that there is a bound."""
        if self.optimum.bound is None:
            raise InputError("a comparison needs the bound; solve the optimum with bound=True")
        # Over temperature too, the cost-to-go is of no use: no regret knows of that.
        if self.optimum.settings.warms:
            self.optimum.solution.value.forget()

    @classmethod
    def solved(cls, cycle: Cycle, driveline: Driveline, settings: Settings) -> "Case":
        """Solve a cycle as :func:`hybridopt.pipeline.find_optimum`; its cost-to-go is not kept.

        That of many cycles would fill the memory, above all with minimum times; a regret sweeps
        again.
        """
        known = find_optimum(cycle, driveline, settings)
        known.solution.value.forget()
        return cls(known)

    @cached_property
    def bound(self) -> Bound:
        """The proved lower limit; that without thermal limits, which controllers need not keep."""
        known = self.optimum
        assert known.bound is not None  # checked above
        if known.bound.guide is None:
            return known.bound
        return lower_bound(known.bound.problem, known.solution.run, known.solution.costate)

    @cached_property
    def loop(self) -> ClosedLoop:
        """The closed loop of driveline and cycle."""
        known = self.optimum
        return ClosedLoop(known.driveline, known.demand, known.settings, known.points)

    @cached_property
    def yardstick(self) -> Yardstick:
        """The optimum as what drives are measured by."""
        solution = self.optimum.solution
        return Yardstick(
            worth=charge_worth(solution, self.bound),
            cost=self.loop.run(Playback(schedule=solution.schedule)).cost,
            starts=int(begins_start(solution.schedule.engine_class).sum()),
        )

    @property
    def worth(self) -> ChargeWorth:
        """What charge at the end is worth."""
        return self.yardstick.worth

    @property
    def optimum_cost(self) -> float:
        """Cost of the replayed optimum, g; no penalty is counted."""
        return self.yardstick.cost

    @cached_property
    def optimum_fuel(self) -> float:
        """Fuel of the replayed optimum, g."""
        return fuel_used(self.optimum.trace)

    @property
    def optimum_starts(self) -> int:
        """Engine starts of the optimum."""
        return self.yardstick.starts

    def fitted(self, controller: AnyController) -> AnyController:
        """Return a controller with the optimum's gears, if it follows those."""
        if isinstance(controller, BuiltIn) and controller.gears == "follow":
            return dataclasses.replace(controller, schedule=self.optimum.solution.schedule)
        return controller

    def drive(self, controller: AnyController) -> Drive:
        """Drive the cycle with a controller; see :meth:`ClosedLoop.run` for errors."""
        return self.loop.run(self.fitted(controller))

    def driven(self, drive: Drive) -> "Case":
        """Return the case that a drive is measured on: with an optimum of the same means.

        Where the vehicle lacked power, that is the optimum of the speed that it did drive, solved
        for it; else this case.

        Raises
        ------
        InfeasibleError
            The optimum cannot drive at this speed within the SoC window and the inhibitors, which
            the drive gave up.
        """
        if drive.shortfall is None:
            return self
        known, speed = self.optimum, drive.demand.speeds
        if speed.tobytes() not in self._driven:
            self._driven.clear()  # an optimum takes much memory
            cycle = dataclasses.replace(known.cycle, speed=speed)
            settings = known.settings.without_limits()  # at the prices that were paid
            found = find_optimum(cycle, known.driveline, settings)
            self._driven[speed.tobytes()] = Case(found)
        return self._driven[speed.tobytes()]

    @cached_property
    def _driven(self) -> dict[bytes, "Case"]:
        """The last case of another speed, by that speed: controllers mostly lack the same power."""
        return {}

    def equal_cost(self, drive: Drive) -> float:
        """Return the cost of a drive brought to the optimum's final SoC, g."""
        return self.yardstick.equal(drive.cost, drive.soc_end)

    def regret(self, drive: Drive, most: int = 10) -> Regret:
        """Find where a drive loses; see :func:`hybridopt.evaluation.regret.drive_regret`."""
        known = self.optimum
        return drive_regret(known.solution, known.points, known.demand, drive, self.yardstick, most)


@dataclass(frozen=True, eq=False)
class Score:
    """What a controller reached on a case.

    Attributes
    ----------
    cycle, controller : names
    fuel_g, cost_g : g, fuel; fuel and event costs
    fuel_equal_g, cost_equal_g : g, the same at the optimum's final SoC
    fuel_per_kWh_g : g/kWh, the correction factor: fuel that stored energy is worth
    soc_end : final state of charge
    balance_percent : %, energy off balance at the end, of the fuel energy
    fuel_above_optimum_percent : fuel at equal SoC above the replayed optimum's, % of that
    cost_above_optimum_percent : cost at equal SoC above the replayed optimum's, % of that
    gap_percent : cost at equal SoC above the proved bound, % of the bound
    bound_g : g, proved bound at the optimum's final SoC
    starts, shifts : counts
    clipped : steps of each kind of clipping
    clipped_steps : steps with any
    shares : share of time in each mode
    regret : where it loses; `NOT_SOUGHT` of the same module where only the totals were wanted
    result : all traces and totals; attr `controller` is the name, but for the optimum
    shortfall : what the vehicle lacked to follow the cycle; None where it did. With it, optimum and
        bound are those of the speed that was driven, see :meth:`Case.driven`.
    """

    cycle: str
    controller: str
    fuel_g: float
    fuel_equal_g: float
    cost_g: float
    cost_equal_g: float
    fuel_per_kWh_g: float  # noqa: N815 - a unit
    soc_end: float
    balance_percent: float
    fuel_above_optimum_percent: float
    cost_above_optimum_percent: float
    gap_percent: float
    bound_g: float
    starts: int
    shifts: int
    clipped: Mapping[str, int]
    clipped_steps: int
    shares: Mapping[Mode, float]
    regret: Regret
    result: Result
    shortfall: Shortfall | None = None

    @property
    def trace(self) -> xr.Dataset:
        """All traces."""
        return self.result.dataset


def score(case: Case, name: str, controller: AnyController, moments: int | None = 10) -> Score:
    """Measure a controller on a case.

    Parameters
    ----------
    case
        Where.
    name
        What to call the controller.
    controller
        What :meth:`ClosedLoop.run` takes.
    moments
        How many costliest moments to list; None leaves the regret out, which takes a sweep.
    """
    drive = case.drive(controller)
    case = case.driven(drive)
    known, worth = case.optimum, case.worth
    trace = case.loop.replay(drive)
    equal = _at_equal_soc(case, drive, trace)
    result = _result(case, name, drive, trace, equal)
    missing = worth.missing_energy(drive.soc_end)
    heat = known.driveline.fuel.heating_value
    attrs = result.dataset.attrs
    warms = case.optimum.settings.warms
    return Score(
        cycle=known.cycle.name,
        controller=name,
        fuel_g=result.fuel_g,
        cost_g=float(drive.cost),
        **equal,
        fuel_per_kWh_g=worth.fuel_per_energy * 3.6e6,
        soc_end=drive.soc_end,
        balance_percent=100.0 * balance_share(missing, result.fuel_g, heat),
        gap_percent=result.gap_percent,
        bound_g=case.bound.bound,
        starts=result.starts,
        shifts=result.shifts,
        clipped=drive.clippings(),
        clipped_steps=int(np.count_nonzero(drive.clipped)),
        shares={mode: attrs[f"share_{mode.name.lower()}"] for mode in Mode},
        regret=NOT_SOUGHT if moments is None or warms else case.regret(drive, moments),
        result=result,
        shortfall=drive.shortfall,
    )


def _at_equal_soc(case: Case, drive: Drive, trace: xr.Dataset) -> dict[str, float]:
    """Return a drive's :data:`hybridopt.base.nomenclature.EQUAL_TOTALS`."""
    fuel = case.yardstick.equal(fuel_used(trace), drive.soc_end)
    cost = case.equal_cost(drive)
    return {
        "fuel_equal_g": fuel,
        "cost_equal_g": cost,
        "fuel_above_optimum_percent": percent_above(fuel, case.optimum_fuel),
        "cost_above_optimum_percent": percent_above(cost, case.optimum_cost),
    }


def _result(
    case: Case, name: str, drive: Drive, trace: xr.Dataset, equal: dict[str, float]
) -> Result:
    """Return the replayed drive with its totals."""
    known = case.optimum
    extra: dict[str, float | str] = {
        "cost_g": drive.cost,
        "value_start_g": known.solution.value_start,
        "solve_s": known.seconds,
        "bound_g": case.bound.bound,
        "gap_percent": percent_above(equal["cost_equal_g"], case.bound.bound),
        "gap_cause": "",
        "bound_s": case.bound.seconds,
    }
    if name != OPTIMUM:
        extra |= {"controller": name, **equal}
    inputs = known.cycle, known.driveline, drive.demand, known.settings
    return make_result(trace, *inputs, extra, case.worth.fuel_per_energy)
