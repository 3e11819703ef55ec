"""Other processes that compile kernels of the later stages while this one compiles the first.

    python -m hybridopt.optimum.compile_ahead sweep

The first solve after an installation waits for the compiler most of the time, which uses one
processor. What other processes compile, this one finds in numba's cache.
"""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any, cast

import numba
import numpy as np

from ..base.compiling import is_compiled, watchers
from ..dp import kernels
from ..dp.bound import lower_bound
from ..dp.cost_to_go import CostToGo, ValuePart
from ..dp.detours import Detours
from ..dp.forward import Runner
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..inputs.driveline_file import read_driveline
from ..physics.codes import EngineClass
from ..physics.demand import drive_demand
from ..physics.operating_points import OperatingPoints
from ..physics.replay import replay_schedule
from ..physics.schedule import Schedule
from ..problem.choices import list_choices
from ..problem.events import shift_costs
from ..problem.problem import Problem, make_problem
from ..problem.settings import Settings

STEPS = 4  # of the toy problem
PAUSE = 0.1  # s, between looks whether the other processes are done


def compile_ahead() -> None:
    """Compile all that a solve needs, on several processors, if nothing of it was compiled yet.

    The other processes are ended if this is interrupted; what they have not compiled, because the
    system did not let them or they failed, is compiled when it is needed.
    """
    if not _nothing_compiled():
        return
    processes = [process for name in OTHERS if (process := _started(name))]
    for tell in watchers:
        tell(True)
    try:
        first_stages()
        while any(process.poll() is None for process in processes):
            time.sleep(PAUSE)
    finally:
        for tell in watchers:
            tell(False)
        for process in processes:
            process.kill()
            process.wait()


def _started(stages: str) -> "subprocess.Popen[bytes] | None":
    """Start another process; None where the system does not let it."""
    nothing = subprocess.DEVNULL
    try:
        return subprocess.Popen(
            [sys.executable, "-m", __name__, stages], stdin=nothing, stdout=nothing, stderr=nothing
        )
    except OSError:
        return None


def _nothing_compiled() -> bool:
    """Return whether the optimiser's last kernel is to be compiled, and there are processors."""
    if numba.config.DISABLE_JIT or numba.get_num_threads() < 2:
        return False
    made: Any = kernels._forward
    cached = made.stats.cache_path is not None  # else the others compile in vain
    return cached and not is_compiled(made)


class _NoValue:
    """A cost-to-go of 0 everywhere."""

    def __init__(self, problem: Problem) -> None:
        states = problem.events.graph.states, problem.points.gears, problem.grid.points
        zeros = np.zeros((problem.points.steps + 1, *states), dtype=np.float32)
        self.part = ValuePart(0, problem.points.steps, zeros, 0, 0.0)

    def parts_from(self, i: int) -> Iterator[ValuePart]:
        yield self.part


class _Toy:
    """A problem of a few steps: the vehicle stands, its engine on or off.

    Arrays and tuples are made by the functions that make them in a solve, so that the kernels are
    compiled for the same types.
    """

    def __init__(self) -> None:
        self.driveline: Driveline = read_driveline("full")
        self.settings = Settings(soc_points=11).resolved(self.driveline)
        cycle = Cycle("standstill", np.arange(STEPS + 1.0), np.zeros(STEPS + 1))
        self.demand = drive_demand(self.driveline, cycle)
        cost = np.full((STEPS, self.driveline.gearbox.gears, len(EngineClass), 3), np.inf)
        cost[:, :, EngineClass.OFF, 0], cost[:, :, EngineClass.RUNNING] = 0.0, (1.0, 2.0, 3.0)
        power = np.broadcast_to((0.0, -1e3, -2e3), cost.shape)
        self.points = OperatingPoints.bare(np.diff(cycle.time), cost, power)
        penalty = self.settings.penalty(self.driveline)
        self.problem = make_problem(self.points, self.driveline.battery, self.settings, penalty)


def first_stages() -> None:
    """Run demand, operating points, event costs and replay on the toy problem."""
    toy = _Toy()
    settings = toy.settings
    points = list_choices(toy.driveline, toy.demand, settings.splits, settings.memory_limit, False)
    points.costs(0, STEPS)
    points.power_ranges()
    shift_costs(toy.driveline, toy.demand, settings)
    off, first = np.full(STEPS, EngineClass.OFF, dtype=np.int64), np.zeros(STEPS, dtype=np.int64)
    schedule = Schedule(first, off, np.zeros(STEPS), np.zeros(STEPS, dtype=bool))
    replay_schedule(toy.driveline, toy.demand, schedule, settings.socs[2], settings.gear_start)


def sweep_stage() -> None:
    """Run the backward sweep on the toy problem."""
    CostToGo(_Toy().problem)


def later_stages() -> None:
    """Run forward run and bound on the toy problem."""
    problem = _Toy().problem
    run = Runner(problem, cast(CostToGo, _NoValue(problem))).run(0, 0.0)
    assert run is not None
    bound = lower_bound(problem, run, run.costate)
    Detours(problem, bound.multipliers, run)


OTHERS: dict[str, Callable[[], None]] = {"sweep": sweep_stage, "later": later_stages}
"""What other processes do, by the word they are started with."""

if __name__ == "__main__":
    OTHERS[sys.argv[1]]()
