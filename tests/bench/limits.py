"""What the machine can do, and how near the sweep comes: bandwidth, arithmetic, gathers."""

import dataclasses
from statistics import median

import numpy as np
from instances import point_splits
from numba import njit
from sweeps import ours
from timing import Task, timed

from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.problem.memory import POINT
from hybridopt.problem.problem import Problem

COPIED = 1 << 27  # bytes, far beyond the caches
ROW = 256  # points of a loop, as in a block of the sweep
GATHERED = 1001  # points of a gathered row
LOOPS = 20_000


@dataclasses.dataclass(frozen=True)
class Limits:
    """Rates of one core, and those of the sweep on one thread.

    Attributes
    ----------
    bandwidth : B/s, read and written by a copy of a large array
    roots : 1/s, square root and division of the battery's current, in vector registers
    gathers : 1/s, linear interpolation at scattered places of a row
    point_splits : number of admissible splits times SoC points in the problem
    evaluated : the part of them that is left after pruning and reach, 0 to 1
    pruned, exhaustive : s, the sweep with and without pruning and reach
    traffic : B, cost-to-go written and operating points read by the sweep
    """

    bandwidth: float
    roots: float
    gathers: float
    point_splits: int
    evaluated: float
    pruned: float
    exhaustive: float
    traffic: float

    @property
    def rate(self) -> float:
        """Point-splits that the exhaustive sweep evaluates in a second."""
        return self.point_splits / self.exhaustive

    @property
    def effective_rate(self) -> float:
        """Point-splits that the pruned sweep settles in a second, most of them unseen."""
        return self.point_splits / self.pruned

    @property
    def evaluating(self) -> float:
        """Part of the pruned sweep's time that its evaluations would take at the full rate."""
        return self.evaluated * self.exhaustive / self.pruned


def measured_limits(problem: Problem, repeats: int) -> Limits:
    """Measure the machine and the sweep of a problem in turn, on one thread."""
    source, target = np.ones(COPIED // 8), np.empty(COPIED // 8)
    random = np.random.default_rng(1)
    voltage, resistance = random.uniform(250.0, 260.0, ROW), random.uniform(0.1, 0.2, ROW)
    row, place = random.uniform(0.0, 1.0, GATHERED), random.uniform(0.0, GATHERED - 1.001, ROW)
    out = np.empty(ROW)
    tasks = {
        "copy": lambda: np.copyto(target, source),
        "roots": lambda: _roots(voltage, resistance, LOOPS, out),
        "gathers": lambda: _gathers(row, place, LOOPS, out),
        "pruned": lambda: ours(problem, True, False, 1),
        "exhaustive": lambda: ours(problem, False, True, 1),
    }
    for work in tasks.values():
        work()
    timings = timed([Task(name, work, repeats) for name, work in tasks.items()])
    seconds = {timing.name: median(timing.seconds) for timing in timings}
    value = 4.0 * 2 * problem.points.gears * problem.grid.points * problem.points.steps
    listed = float(POINT - 9) * problem.points.steps * problem.points.gears * 3
    return Limits(
        bandwidth=2.0 * COPIED / seconds["copy"],
        roots=LOOPS * ROW / seconds["roots"],
        gathers=LOOPS * ROW / seconds["gathers"],
        point_splits=point_splits(problem),
        evaluated=evaluated(problem) / point_splits(problem),
        pruned=seconds["pruned"],
        exhaustive=seconds["exhaustive"],
        traffic=value + listed * problem.points.splits,
    )


@njit(cache=True, error_model="numpy")
def _roots(voltage, resistance, loops, out):
    out[:] = np.inf
    for i in range(loops):
        power = 2e4 + i
        for x in range(voltage.size):
            u = voltage[x]
            total = power / (u + np.sqrt(max(u * u - 4.0 * power * resistance[x], 0.0)))
            out[x] = total if total < out[x] else out[x]


@njit(cache=True, error_model="numpy")
def _gathers(row, place, loops, out):
    out[:] = np.inf
    for i in range(loops):
        for x in range(place.size):
            at = place[x] if i % 2 == 0 else row.size - 1.001 - place[x]
            k = int(at)
            total = row[k] + (at - k) * (row[k + 1] - row[k])
            out[x] = total if total < out[x] else out[x]


def evaluated(problem: Problem) -> int:
    """Return the point-splits that the pruned sweep evaluates, as it counts them itself."""
    return int(CostToGo(problem).looked_at)
