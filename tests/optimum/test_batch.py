"""Batches on a device, on the simulator of one: equal to the CPU, and honest where there is none.

The simulator runs each thread of a block as a thread of Python, so problems are tiny; it needs
numba-cuda. What the backward sweep finds is also compared with a sweep in NumPy that shares no
code with the package (tests/exhaustive.py).
"""

import dataclasses
import importlib.metadata
import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import gpu_batch
import numpy as np
import pytest
from exhaustive import numpy_sweep

from hybridopt import Settings, find_optimum, read_cycle, read_driveline, solve_batch
from hybridopt.base.errors import FailedError
from hybridopt.base.warning import InputWarning
from hybridopt.dp import bound as bounds
from hybridopt.dp.bound import lower_bound
from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.dp.forward import best_run
from hybridopt.evaluation.batch import state_cases
from hybridopt.foresight.hindsight import least_costs
from hybridopt.optimum import batch

TESTS = Path(__file__).parents[1]


def printed(name, **environment):
    """What a script beside the tests prints, in a process of its own."""
    if importlib.util.find_spec("numba_cuda") is None:
        pytest.skip("numba-cuda, which simulates a device, is not installed")
    path = os.pathsep.join([str(TESTS), str(TESTS.parent), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, str(TESTS / name)],
        capture_output=True,
        text=True,
        env=os.environ | environment | {"PYTHONPATH": path},
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def simulated():
    """What a batch finds on the simulator: cost, bound, value at the start, gears, reason."""
    text = printed("gpu_batch.py", NUMBA_ENABLE_CUDASIM="1", NUMBA_DISABLE_JIT="1")
    return json.loads(text)


@pytest.mark.long
def test_the_simulator_finds_what_the_cpu_finds(simulated, monkeypatch):
    monkeypatch.setattr(bounds, "BRANCH_PERCENT", np.inf)  # a device does not branch
    for (cost, bound, value, gears, reason), case in zip(
        simulated["found"], gpu_batch.cases(), strict=True
    ):
        if case[2].thermal_limits:
            assert not np.isfinite(cost)
            assert "thermal limits" in reason
            continue
        best = find_optimum(*case)
        assert best.solution.cost > 0.1
        assert cost == pytest.approx(best.solution.cost, rel=1e-6)
        assert gears == best.solution.run.gear.tolist()
        problem = best.solution.problem
        settings = problem.settings
        state = problem.events.graph.start(settings.begins_on(0.0))
        plain = numpy_sweep(problem)[state, settings.gear_start - 1]
        own = np.interp(settings.socs[2], problem.soc_grid, plain)
        assert value == pytest.approx(own, abs=2e-3)
        run = best.solution.run
        proved = lower_bound(problem, run, run.costate, rounds=0).bound
        assert bound <= best.solution.cost
        assert bound == pytest.approx(proved, rel=1e-4)


@pytest.mark.long
def test_the_simulator_trains_as_the_cpu_does(simulated):
    """What the limit without foresight sweeps, and the copies that tables are distilled from."""
    least = list(least_costs(gpu_batch.known_drives()))
    assert least[0] != pytest.approx(least[1], abs=1e-2)
    assert simulated["least"] == pytest.approx(least, abs=2e-3)
    cost, fault = gpu_batch.costs_of_each()
    assert "cannot" in fault
    assert simulated["each"] == [pytest.approx(cost, rel=1e-6), fault]


@pytest.mark.long
def test_all_kernels_compile_for_a_device():
    """The simulator takes all that NumPy has; a device does not."""
    needed = {"nvidia-nvvm", "nvidia-cuda-nvrtc"}  # what compiles for a device
    if lacking := needed - {found.name for found in importlib.metadata.distributions()}:
        pytest.skip(f"{', '.join(lacking)} not installed")
    kernels = "_find_corners _find_hulls _land _prove _sort_lists _spread_shifts fill sweep"
    assert printed("gpu_compile.py").split() == kernels.split()


def test_a_batch_without_a_device_says_so(monkeypatch):
    monkeypatch.setattr(batch, "devices", lambda: 0)
    with pytest.raises(FailedError, match="there is no device"):
        next(solve_batch(gpu_batch.cases()))


class Counted:
    """Stands for a problem of so many bytes."""

    def __init__(self, size):
        self.size = size


def test_waves_never_take_more_than_planned(monkeypatch):
    """Sizes counted by hand: 4 each, or 3 where no more fit."""
    monkeypatch.setattr(batch._Wave, "needs", lambda wave, statement: {None: statement.size})
    monkeypatch.setattr(batch, "refusal", lambda statement: "")
    monkeypatch.setattr(batch.Job, "kind", property(lambda job: 0))
    for size, expected in ((1.0, [4, 4, 3]), (3.0, [3, 3, 3, 2])):
        source = batch.Source(Counted(size) for _ in range(11))
        waves = batch.Waves(source, batch.Plan(memory=10.0, most=4))
        made = []
        while wave := waves.next():
            made.append(len(wave))
            assert sum(job.statement.size for job in wave) <= 10.0
        assert made == expected


def test_a_schedule_that_cannot_be_driven_is_solved_on_the_cpu():
    case = read_cycle("eudc").cut(300, 360), read_driveline("full"), Settings(soc_points=101)
    (item,) = state_cases([case])
    problem = item.statement.problem
    run = best_run(problem, CostToGo(problem))
    wrong = dataclasses.replace(run, gear=np.zeros_like(run.gear))  # 1st gear on a motorway
    item = dataclasses.replace(item, answer=batch.Answer(wrong))
    with pytest.warns(InputWarning, match="in gear 1.*solved on the CPU"):
        assert item.optimum().solution.cost == pytest.approx(run.cost, rel=1e-12)


def test_a_loose_bound_is_proved_again_on_the_cpu():
    """Half of the cost is taken for proved by the device, and then 96 % of it."""
    case = read_cycle("ece15"), read_driveline("full"), Settings(soc_points=101)
    (item,) = state_cases([case])
    problem = item.statement.problem
    run = best_run(problem, CostToGo(problem))
    shares = []
    for share in (0.5, 0.96):
        answer = batch.Answer(run, 0.0, share * run.cost, np.zeros(problem.points.steps))
        optimum = dataclasses.replace(item, answer=answer).optimum()
        shares.append(optimum.bound.bound / run.cost)
    assert 0.9 < shares[0] <= 1.0 and shares[1] == pytest.approx(0.96)
