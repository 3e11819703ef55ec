"""The optimum of a drive: all that a solve knows."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import xarray as xr

from ..base.percent import percent_above
from ..dp.bound import Bound, bound_attrs
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.demand import Demand
from ..physics.emissions import emission_totals
from ..problem.choices import Choices
from ..problem.settings import Settings
from .result import Result, make_result
from .solve import Solution


@dataclass(frozen=True, eq=False)
class Optimum:
    """A least-cost schedule and everything that leads to it: what others are measured against.

    Attributes
    ----------
    cycle, driveline, settings : what was solved; the settings are resolved
    demand : what the wheels want, and what each step may use
    solution : schedule and cost-to-go
    trace : the replayed schedule, see :func:`hybridopt.replay_schedule`
    bound : the proved lower limit, None when it was not wanted
    seconds : time of the solve without the bound
    rounds : rounds of tightening that thermal limits took
    limits_bound : proved lower limit, g, of the cost of all schedules that keep the limits of
        emissions, the price of what these limit left out; None without limits or bound
    """

    cycle: Cycle
    driveline: Driveline
    settings: Settings
    demand: Demand
    solution: Solution
    trace: xr.Dataset
    bound: Bound | None = None
    seconds: float = 0.0
    rounds: int = 0
    limits_bound: float | None = None

    @property
    def points(self) -> Choices:
        """All choices."""
        return self.solution.problem.points

    @property
    def charged_grams(self) -> dict[str, float]:
        """What prices of emissions are of, g, by name."""
        where = "" if self.settings.heating_start is None else "_tailpipe"
        totals = emission_totals(self.driveline, self.trace)
        return {name: totals[f"{name}{where}_g"] for name in self.driveline.engine.emissions}

    def cost_without(self, names: Iterable[str]) -> float:
        """Return the cost without what some emissions are charged, g."""
        prices = self.settings.emission_prices
        return cost_without(self.solution.cost, prices, self.charged_grams, names)

    def result(self) -> Result:
        """Return traces and totals for files and reports."""
        extra: dict[str, float | str] = {
            "cost_g": self.solution.cost,
            "value_start_g": self.solution.value_start,
            "solve_s": self.seconds,
        }
        if self.settings.thermal_limits:
            extra["thermal_rounds"] = self.rounds
        if self.solution.corridor:
            extra["corridor_width"] = self.solution.corridor.width
        if self.limits_bound is not None:
            extra["limits_bound_g"] = self.limits_bound
            over = percent_above(
                self.cost_without(self.settings.emission_limits), self.limits_bound
            )
            extra["limits_gap_percent"] = over
        fuel_per_energy = None
        if self.bound is not None:
            extra |= bound_attrs(self.bound)
            fuel_per_energy = float(self.bound.multipliers[-1])
        inputs = self.cycle, self.driveline, self.demand, self.settings
        return make_result(self.trace, *inputs, extra, fuel_per_energy)


def cost_without(
    cost: float, prices: Mapping[str, float], grams: Mapping[str, float], names: Iterable[str]
) -> float:
    """Return a cost, g, without what grams of some emissions are charged at prices by name."""
    return cost - sum(prices.get(name, 0.0) * grams[name] for name in names)
