"""Forward run through a cost-to-go over oil temperature: the schedule and how it warms up."""

from dataclasses import dataclass

import numpy as np

from ..physics.demand import Demand
from ..physics.plant import pack
from ..physics.schedule import Schedule
from ..physics.warm_up import demand_at
from ..problem.choices import Choices
from ..problem.graph import Moves, engine_stops
from ..problem.oil_nodes import OilNodes
from ..problem.problem import Problem
from . import kernels
from . import oil_forward_kernels as oil_kernels
from .cost_to_go import ValuePart
from .forward import WITH_END, ForwardRun, Runner, cut
from .oil_cost_to_go import OilCostToGo


@dataclass(frozen=True, eq=False)
class OilRun(ForwardRun):
    """A forward run with the oil temperature it makes.

    Attributes
    ----------
    oil : degC, before each step and at the end, (steps + 1,)
    motor_torque : N m, (steps,)
    demand : what the wheels want, with what the oil temperatures do to it
    """

    oil: np.ndarray
    motor_torque: np.ndarray
    demand: Demand

    def schedule(self, points: Choices) -> Schedule:
        """Return the schedule; the choices are not looked at."""
        del points
        chosen = self.gear, self.engine_class
        return Schedule(*chosen, self.motor_torque, self.split > 0)


class OilRunner(Runner):
    """Makes forward runs of a problem whose choices are those of nodes of oil temperature.

    Splits are chosen at the true temperature, from lists made for it. Parameters are those of
    :class:`hybridopt.dp.forward.Runner`.
    """

    def __init__(self, problem: Problem, value: OilCostToGo) -> None:
        super().__init__(problem, value)
        assert isinstance(problem.points, OilNodes)  # nothing else knows of temperatures
        self.points, settings = problem.points, problem.settings
        steps, graph = problem.points.steps, problem.events.graph
        rise, fall = (
            np.inf if r is None else r for r in (settings.torque_rise, settings.torque_fall)
        )
        self.drive = oil_kernels.OilDrive(
            plant=pack(self.points.driveline),
            warming=self.points.warming,
            rows=self.points.rows[0].copy(),
            oil=self.points.oil,
            splits=self.points.aim,
            room=self.points.splits,
            rise=float(rise),
            fall=float(fall),
            moves=Moves(graph, problem.shift, problem.events.cost, problem.events.soc_min),
            stops=engine_stops(graph).astype(np.int64),
            aimed=graph._replace(target=graph.arrival),
        )
        self.oil = oil_kernels.OilTrack(
            np.full(steps + 1, self.points.start), np.empty(steps), self.fuel
        )

    def run(self, begin: int, aim: float, frozen: bool = False) -> OilRun | None:
        """Run forward from part number `begin`; None when the run meets a dead end."""
        run = super().run(begin, aim, frozen)
        if run is None:
            return None
        demand = demand_at(self.points.demand, self.drive.rows)
        return OilRun(
            **vars(run), oil=self.oil.oil.copy(), motor_torque=self.oil.torque.copy(), demand=demand
        )

    def _run_part(self, part: ValuePart, aim: float, frozen: bool) -> bool:
        problem, first, last = self.problem, part.first, part.last
        steps = slice(first, last)
        grid = problem.grid._replace(first=part.begin)
        gear = problem.gear if first == 0 else int(self.track.gears[first - 1])
        moves = self.drive.moves
        now = Moves(moves.graph, moves.shift[steps], moves.cost[steps], moves.opens)
        done = oil_kernels._oil_forward(
            self.drive._replace(rows=self.drive.rows[steps], moves=now),
            problem.cell,
            kernels.Ahead(grid, part.value, last == problem.points.steps, float(aim)),
            gear,
            frozen,
            cut(self.track, WITH_END, first, last),
            cut(self.oil, ("oil",), first, last),
        )
        return bool(done == last - first)
