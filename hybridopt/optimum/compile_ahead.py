"""A second process that compiles kernels of the later stages while the first stages compile theirs.

    python -m hybridopt.optimum.compile_ahead

The first solve after an installation waits for the compiler most of the time, which uses one
processor. What the second one compiles, the first finds in numba's cache.
"""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import numba
import numpy as np

from ..dp import kernels
from ..dp.bound import lower_bound
from ..dp.cost_to_go import CostToGo, ValuePart
from ..dp.forward import Runner
from ..inputs.cycle import Cycle
from ..inputs.driveline_file import read_driveline
from ..physics.codes import EngineClass
from ..physics.demand import drive_demand
from ..physics.operating_points import OperatingPoints
from ..physics.replay import replay_schedule
from ..problem.problem import Problem, make_problem
from ..problem.settings import Settings

STEPS = 4  # of the toy problem


@contextmanager
def compiling_ahead() -> Iterator[None]:
    """Compile forward run, replay and bound in a second process, if no kernel was compiled yet.

    The process is ended with the block; what it has not compiled by then is compiled here.
    """
    process = _started() if _nothing_compiled() else None
    try:
        yield
    finally:
        if process:
            process.kill()
            process.wait()


def _started() -> "subprocess.Popen[bytes] | None":
    """Start the second process; None where the system does not let it."""
    nothing = subprocess.DEVNULL
    try:
        return subprocess.Popen(
            [sys.executable, "-m", __name__], stdin=nothing, stdout=nothing, stderr=nothing
        )
    except OSError:
        return None


def _nothing_compiled() -> bool:
    """Return whether the optimiser's folder in numba's cache has no kernel."""
    if numba.config.DISABLE_JIT or numba.get_num_threads() < 2:
        return False
    compiled: Any = kernels._forward
    return not any(Path(compiled.stats.cache_path).glob("*.nbi"))


class _NoValue:
    """A cost-to-go of 0 everywhere."""

    def __init__(self, problem: Problem) -> None:
        states = problem.events.graph.states, problem.points.gears, problem.grid.points
        zeros = np.zeros((problem.points.steps + 1, *states), dtype=np.float32)
        self.part = ValuePart(0, problem.points.steps, zeros, 0, 0.0)

    def parts_from(self, i: int) -> Iterator[ValuePart]:
        yield self.part


def later_stages() -> None:
    """Run the later stages of a solve on a toy problem: the vehicle stands, its engine on or off.

    Arrays and tuples are made by the functions that make them in a solve, so that the kernels are
    compiled for the same types.
    """
    driveline = read_driveline("full")
    settings = Settings(soc_points=11).resolved(driveline)
    cycle = Cycle("standstill", np.arange(STEPS + 1.0), np.zeros(STEPS + 1))
    cost = np.full((STEPS, driveline.gearbox.gears, len(EngineClass), 3), np.inf)
    cost[:, :, EngineClass.OFF, 0], cost[:, :, EngineClass.RUNNING] = 0.0, (1.0, 2.0, 3.0)
    power = np.broadcast_to((0.0, -1e3, -2e3), cost.shape)
    points = OperatingPoints.bare(np.diff(cycle.time), cost, power)
    problem = make_problem(points, driveline.battery, settings, settings.penalty(driveline))
    run = Runner(problem, cast(CostToGo, _NoValue(problem))).run(0, 0.0)
    assert run is not None
    demand = drive_demand(driveline, cycle)
    schedule = run.schedule(points)
    replay_schedule(driveline, demand, schedule, settings.socs[2], settings.gear_start)
    lower_bound(problem, run, run.costate)


if __name__ == "__main__":
    later_stages()
