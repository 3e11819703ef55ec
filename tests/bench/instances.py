"""Instances to measure on: the demo vehicle on shipped cycles, with other sizes if wanted."""

import dataclasses

import numpy as np

from hybridopt import Cycle, Settings, read_cycle, read_driveline
from hybridopt.inputs.driveline import Driveline
from hybridopt.physics.demand import wheel_demand
from hybridopt.problem.choices import list_choices
from hybridopt.problem.events import shift_costs
from hybridopt.problem.problem import Problem, make_problem


@dataclasses.dataclass(frozen=True)
class Instance:
    """What to solve: a shipped cycle, repeated or cut to a number of steps; gears; settings."""

    cycle: str
    steps: int | None = None
    gears: int | None = None
    settings: dict = dataclasses.field(default_factory=dict)

    def parts(self) -> tuple[Cycle, Driveline, Settings]:
        """Return cycle, driveline and settings as the package takes them."""
        cycle, driveline = read_cycle(self.cycle), read_driveline("full")
        if self.steps is not None:
            cycle = repeated(cycle, self.steps)
        if self.gears is not None:
            driveline = with_gears(driveline, self.gears)
        return cycle, driveline, Settings(**self.settings)

    def problem(self) -> Problem:
        """Return the optimiser's problem."""
        cycle, driveline, settings = self.parts()
        settings = settings.resolved(driveline)
        demand = wheel_demand(driveline.vehicle, cycle)
        points = list_choices(driveline, demand, settings.splits, settings.memory_limit)
        shifts = shift_costs(driveline, demand, settings)
        return make_problem(
            points, driveline.battery, settings, settings.penalty(driveline), shifts
        )


def repeated(cycle: Cycle, steps: int) -> Cycle:
    """Return a 1 Hz cycle that begins and ends at rest, driven again and again for some steps."""
    speed = np.resize(cycle.speed[:-1], steps + 1)
    return Cycle(f"{cycle.name} x {steps / cycle.dt.size:g}", np.arange(steps + 1.0), speed)


def with_gears(driveline: Driveline, gears: int) -> Driveline:
    """Return the driveline with the first, the last and some gears between, evenly picked."""
    box = driveline.gearbox
    picked = np.linspace(0, box.gears - 1, gears).round().astype(int)
    lists = ("ratios", "efficiencies", "drag_torques")
    fewer = {name: tuple(getattr(box, name)[i] for i in picked) for name in lists}
    return dataclasses.replace(driveline, gearbox=dataclasses.replace(box, **fewer))


def point_splits(problem: Problem) -> int:
    """Count what an exhaustive sweep evaluates: admissible splits times SoC points."""
    points = problem.points.part(0, problem.points.steps)
    listed = np.arange(points.splits) < points.count[..., None]
    return int(np.count_nonzero(np.isfinite(points.cost) & listed)) * problem.grid.points
