"""The optimum of a drive: all that a solve knows."""

from dataclasses import dataclass

import xarray as xr

from ..dp.bound import Bound, bound_attrs
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.demand import Demand
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

    @property
    def points(self) -> Choices:
        """All choices."""
        return self.solution.problem.points

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
        fuel_per_energy = None
        if self.bound is not None:
            extra |= bound_attrs(self.bound)
            fuel_per_energy = float(self.bound.multipliers[-1])
        inputs = self.cycle, self.driveline, self.demand, self.settings
        return make_result(self.trace, *inputs, extra, fuel_per_energy)
