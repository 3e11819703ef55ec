"""Optima of a study from devices, here played by the CPU's own sweep and forward run.

What is checked is what becomes of the tasks: the same outcomes as without a device, whatever it
refuses, and wherever it or the worker that has it ends.
"""

import numpy as np
import pytest
from study_makers import do_here, write_study

from hybridopt import solve_study
from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.dp.forward import best_run
from hybridopt.optimum.batch import Answer
from hybridopt.study import cluster_devices, front, on_device
from hybridopt.study.on_device import DeviceExecutor
from hybridopt.study.plan import read_plan
from hybridopt.study.run import waiting_tasks
from hybridopt.study.tasks import SerialExecutor

STARTS = "[parameters]\n" + '"settings.start_cost_g" = [0, 0.2, 0.4, 0.6, 0.8]\n'
REFUSED = 1  # of each lot of problems, by its number


def played(statements, _bound):
    """Solve problems as `solve_statements` does; refuse one."""
    for number, statement in enumerate(statements):
        if number == REFUSED:
            yield number, Answer(None, reason="it is refused")
        else:
            yield number, Answer(best_run(statement.problem, CostToGo(statement.problem)), 0.0)


def broken(statements, bound):
    """Find two answers and fail."""
    found = played(statements, bound)
    yield next(found)
    yield next(found)
    raise RuntimeError("no device any more")


@pytest.fixture(scope="module")
def here(tmp_path_factory):
    """A study without the bound, which a device proves by itself, and its outcomes without one."""
    path = write_study(tmp_path_factory.mktemp("devices"), STARTS, top="bound = false\n")
    return path, {outcome.digest: outcome for outcome in do_here(path)}


def same(mine, other):
    """Say whether two outcomes have the same values, but for seconds."""
    return np.allclose(mine.row[:-1], other.row[:-1], rtol=1e-9, equal_nan=True)


@pytest.mark.parametrize("device", [played, broken])
def test_outcomes_are_those_without_a_device(here, monkeypatch, device):
    monkeypatch.setattr(on_device, "solve_statements", device)
    path, without = here
    plan, outcomes = read_plan(path), []
    executor = DeviceExecutor(SerialExecutor(outcomes.append))
    tasks = [plan.task_input(task) for task in waiting_tasks(plan, None)]
    executor.run(iter(tasks), len(tasks), lambda *_: None)
    assert {outcome.digest for outcome in outcomes} == without.keys()
    assert all(same(outcome, without[outcome.digest]) for outcome in outcomes)
    reasons = {"it is refused": 1}
    if device is broken:
        reasons["the device failed (RuntimeError: no device any more)"] = 3
    assert executor.on_cpu == reasons


@pytest.fixture
def cluster():
    """A scheduler with a worker of one thread, in this process."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        yield cluster


@pytest.mark.filterwarnings("ignore:--scheduler")  # of a scheduler without TLS
@pytest.mark.parametrize("ending", ["done", "left"])
def test_devices_of_a_clusters_workers_solve_optima(here, cluster, monkeypatch, tmp_path, ending):
    """Two tasks go to a worker at a time; one that has left leaves its tasks to the others."""
    path, without = here
    monkeypatch.setattr(on_device, "solve_statements", played)
    monkeypatch.setattr(cluster_devices, "devices", lambda: 1)
    monkeypatch.setattr(cluster_devices, "AT_ONCE", 2)
    if ending == "left":
        monkeypatch.setattr(cluster_devices, "LISTEN", 0.2)
        monkeypatch.setattr(cluster_devices, "device_places", lambda _: ["tcp://127.0.0.1:1"])
    reason = {"done": "2 tasks.*it is refused", "left": "4 tasks.*has left"}[ending]
    with pytest.warns(UserWarning, match=reason):
        results = solve_study(
            read_plan(path),
            tmp_path / "results",
            scheduler=cluster.scheduler_address,
            executor=front.GPU,
        )
    assert (results.status == 1).all()
    fuel = sorted(outcome.row[list(_values()).index("fuel_g")] for outcome in without.values())
    assert sorted(results.fuel_g.values) == pytest.approx(fuel, rel=1e-9)


def _values():
    from hybridopt.study.values import VALUES

    return VALUES
