"""What passing any SoC costs at least; it proves a corridor that holds every optimal schedule.

Theorem. Take the multipliers l of bound.py, and one schedule of cost J that meets the target. For
scales a >= b >= 0, step t and SoC level z every schedule that holds stored energy z_t >= z before
step t costs at least

    min over (state, gear) of F_t(a) + B_t(b), plus
    (a - b) l_t z - a l_1 z(x_0) + b l_N z(target),

with F_t(a) the length of the shortest path through the steps before t at multipliers a l, and
B_t(b) that through the others at b l. So where this exceeds J, no optimal schedule lies at or
above z. With a <= b it is the same for z_t <= z.

Proof. As in bound.py, with multipliers a l up to step t and b l after it; the term of z_t that is
left over, (a - b) l_t z_t, is at least (a - b) l_t z.

What the bound leaves out (see there) makes the corridor wider, never narrower.
"""

import numpy as np

from ..base.threads import in_threads
from ..physics.battery import stored_energy, voltage_slope
from ..problem.problem import Problem
from . import bound_kernels as kernels
from .boxes import NARROW_BOXES, make_boxes
from .corridor import Corridor
from .dual import Dual
from .forward import ForwardRun
from .hulls import list_hulls, stage_classes

SCALES = np.array([0.84, 0.96, 0.99, 1.0, 1.01, 1.04, 1.16])
BOXES = 8  # half as many as the bound has: twice as fast, and the corridor a third wider
ENERGY_POINTS = 2001  # points of the table from stored energy to SoC


class Detours:
    """What it costs at least to pass any SoC at any time.

    Parameters
    ----------
    problem
        What is solved; its SoC grid does not count.
    multipliers
        Of a bound of it, g/J, (steps + 1,); any are sound, good ones make narrow corridors.
    run
        The schedule that the bound was proved with.
    dual
        Of that bound; its prices of heat are those of the detours. None: there are none.
    known
        A corridor that schedules keep to already; it leaves so little that one box will do.
    """

    def __init__(
        self,
        problem: Problem,
        multipliers: np.ndarray,
        run: ForwardRun,
        dual: Dual | None = None,
        known: Corridor | None = None,
    ) -> None:
        self.problem, self.multipliers = problem, multipliers
        self.taken = stage_classes(problem)
        self.credit = dual.credit if dual else 0.0
        end, count = min(problem.grid.target, float(run.soc[-1])), NARROW_BOXES if known else BOXES
        self.boxes = make_boxes(problem, count, end, known)
        self.job = kernels.WIDE if known else kernels.EXACT
        self.slope = voltage_slope(problem.cell, run.soc)
        shape = SCALES.size, problem.points.steps + 1, problem.events.graph.states
        behind, ahead = np.full((2, *shape, problem.points.gears), np.inf)
        classes = int(self.taken.max()) + 1
        hulls = dual.hulls if dual else list_hulls(problem.points, classes)[0]

        def work(a: int, b: int) -> None:
            for i in range(a, b):
                self._fill(hulls, SCALES[i] * self.multipliers, behind[i], ahead[i])

        in_threads(work, SCALES.size)
        ends = self.multipliers[1] * self.boxes.z_start, self.multipliers[-1] * self.boxes.z_end
        minimum = np.full((SCALES.size, *behind.shape[:2]), -np.inf)
        for i in range(SCALES.size):
            for j in range(SCALES.size):
                paths = (behind[i] + ahead[j]).min(axis=(1, 2))
                minimum[i, j] = paths - self.credit - SCALES[i] * ends[0] + SCALES[j] * ends[1]
        self.minimum = minimum - 1e-12 * (np.abs(minimum) + self.credit + 4.0 * max(ends))

    def _fill(
        self, hulls: kernels.Hulls, multipliers: np.ndarray, behind: np.ndarray, ahead: np.ndarray
    ) -> None:
        """Fill the shortest paths to and from every step, state and gear, (steps + 1, ...)."""
        problem, boxes = self.problem, self.boxes
        points, graph, cost = problem.points, problem.events.graph, problem.events.cost
        stage = np.empty((4, points.steps, points.gears, int(self.taken.max()) + 1))
        jobs = np.full(hulls.first.size - 1, self.job, dtype=np.int64)
        kernels._stages(
            hulls,
            points.dt,
            multipliers,
            boxes,
            problem.cell.efficiency,
            jobs,
            np.zeros_like(jobs),
            kernels.Stages(*stage),
        )
        behind[0, problem.state, problem.gear] = 0.0
        ahead[-1] = 0.0
        kernels._paths(stage[0], problem.shift, graph, cost, self.taken, behind, ahead)

    def cost(self, run: ForwardRun) -> float:
        """Return the cost of a run, g, and of what it lacks at the end, at the bound's costate."""
        lacking = self.boxes.z_end - float(stored_energy(self.problem.cell, run.soc[-1]))
        return float(run.cost + self.multipliers[-1] * max(lacking, 0.0))

    def corridor(self, cost: float) -> Corridor:
        """Return the SoC that schedules of no more than a cost, g, can pass.

        They must meet the target, or where the run ends that proved the bound, if that is lower.
        """
        apart = np.subtract.outer(SCALES, SCALES)[:, :, None] * self.multipliers
        with np.errstate(divide="ignore", invalid="ignore"):
            level = (cost - self.minimum) / apart
        high = np.where(apart > 0.0, level, np.inf).min(axis=(0, 1))
        low = np.where(apart < 0.0, level, -np.inf).max(axis=(0, 1))
        soc = np.linspace(*self.problem.settings.socs[:2], ENERGY_POINTS)
        energy = stored_energy(self.problem.cell, soc)
        spare = soc[1] - soc[0]  # the table's error is far below one of its steps
        low, high = np.interp([low, high], energy, soc)
        return Corridor(low - spare, high + spare, self.multipliers * self.slope)
