"""Killing what runs a study, at any time, loses nothing and changes no bit of the results."""

import json
import os
import random
import signal
import subprocess
import sys
import time

import numpy as np
import psutil
import pytest
import xarray as xr
from case_counts import by_hand, cases, some
from study_makers import FAILING, TASKS, do_here, start, wait_for_pieces, write_study

from hybridopt.study.plan import read_plan
from hybridopt.study.results import read_results, results_digest
from hybridopt.study.store import StudyStore
from hybridopt.study.values import FAILED, WAITING

TRACES = 'traces = ["soc", "gear"]\n'


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """The same study done in this process, one task after the other."""
    path = write_study(tmp_path_factory.mktemp("undisturbed"), top=TRACES)
    do_here(path)
    return results_of(path)


@pytest.fixture
def path(tmp_path):
    return write_study(tmp_path, top=TRACES)


def results_of(path):
    return read_results(read_plan(path), StudyStore(path.with_suffix(".results")))


def pieces(path):
    return {p.name: p.read_bytes() for p in path.with_suffix(".results").glob("pieces/*.piece")}


def workers_of(process):
    """Return the worker processes of a run, once all of them are there."""
    children = psutil.Process(process.pid).children(recursive=True)
    return [p for p in children if "spawn_main" in " ".join(p.cmdline())]


def finish(process, code=0):
    out, err = process.communicate(timeout=120)
    assert process.returncode == code, err
    assert "Traceback" not in err, err
    return out


def assert_same(results, other):
    """Every bit is the same but the times."""
    xr.testing.assert_identical(results.drop_vars("seconds"), other.drop_vars("seconds"))
    assert (results["status"] == FAILED).sum() == FAILING


@pytest.mark.long
def test_kill_of_all_workers(path, undisturbed):
    """Others take their places, and no process listens on a socket meanwhile."""
    process = start("run", path, "--workers", "2", "--json")
    wait_for_pieces(path.with_suffix(".results"), 3, process)
    everybody = [psutil.Process(process.pid)]
    everybody += everybody[0].children(recursive=True)
    assert len(everybody) >= 3
    sockets = [c for p in everybody for c in p.net_connections(kind="inet")]
    assert sockets == [] or os.name == "nt"  # where a pipe within a process is made of sockets
    for worker in workers_of(process):
        worker.kill()
    assert len(pieces(path)) < TASKS, "the kill came too late to show anything"
    record = json.loads(finish(process))
    assert (record["done"], record["failed"], record["waiting"]) == (TASKS - FAILING, FAILING, 0)
    assert_same(results_of(path), undisturbed)


@pytest.mark.long
def test_kill_of_the_client(path, undisturbed):
    process = start("run", path, "--workers", "2", "--json")
    wait_for_pieces(path.with_suffix(".results"), 3, process)
    family = psutil.Process(process.pid).children(recursive=True)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    psutil.wait_procs(family, timeout=30)
    assert not any(p.is_running() for p in family), "workers live on without their client"
    before = pieces(path)
    assert 3 <= len(before) < TASKS, "the kill came too late to show anything"
    finish(start("run", path, "--workers", "1", "--quiet"))
    after = pieces(path)
    assert len(after) == TASKS
    assert {name: after[name] for name in before} == before, "a task was done twice"
    assert_same(results_of(path), undisturbed)


SEVERAL = 2 + len(by_hand([3, 4]))


@pytest.fixture
def scheduler(tmp_path):
    """A scheduler and several worker processes, started as on any cluster."""
    file = tmp_path / "scheduler.json"

    def start_dask(words):
        command = [sys.executable, "-m", "dask", *words.split(), "--no-dashboard"]
        return subprocess.Popen([*command, "--scheduler-file", file], stderr=subprocess.PIPE)

    processes = [start_dask("scheduler --host 127.0.0.1 --port 0")]
    deadline = time.monotonic() + 30
    while not file.exists() or not file.read_text().endswith("}"):
        assert time.monotonic() < deadline and processes[0].poll() is None
        time.sleep(0.05)
    worker = f"worker --nthreads 1 --local-directory {tmp_path}"
    processes += [start_dask(worker) for _ in range(SEVERAL)]
    yield json.loads(file.read_text())["address"], processes[1:]
    for process in reversed(processes):
        process.terminate()
    for process in processes:
        process.communicate(timeout=30)


@pytest.mark.long
def test_scheduler_with_several_worker_processes(path, undisturbed, scheduler):
    """The same code path, over sockets of the loopback; a worker is killed on the way."""
    from distributed import Client

    address, workers = scheduler
    with Client(address) as client:
        client.wait_for_workers(SEVERAL, timeout=60)
    process = start("run", path, "--scheduler", address, "--json")
    wait_for_pieces(path.with_suffix(".results"), 2, process)
    children = psutil.Process(workers[0].pid).children(recursive=True)
    for child in children:
        child.kill()
    record = json.loads(finish(process))
    assert record["waiting"] == 0 and record["failed"] == FAILING
    assert_same(results_of(path), undisturbed)
    assert results_digest(results_of(path)) == record["digest"]


STAGES = {
    "the folder is made": lambda store: store.exists(),
    "the folder of pieces is there": lambda store: (store / "pieces").exists(),
    "workers are there": lambda store: (store / "pieces").exists() and not time.sleep(2),
    "one task is stored": lambda store: len(list(store.glob("pieces/*.piece"))) >= 1,
    "most tasks are stored": lambda store: len(list(store.glob("pieces/*.piece"))) >= TASKS - 2,
}
"""What is seen of a store, in order, when its run is killed."""
SEEN = [*STAGES] if by_hand(STAGES) else [*STAGES][::2]


@pytest.mark.long
@pytest.mark.parametrize("first", some(["a worker", "the client"]))
def test_kills_at_every_stage(path, undisturbed, first):
    """A run is killed as soon as each stage is seen; the next one goes on from there."""
    store, seen = path.with_suffix(".results"), []
    for stage in SEEN:
        process = start("run", path, "--workers", "2", "--json")
        deadline = time.monotonic() + 60
        while not STAGES[stage](store) and process.poll() is None:
            assert time.monotonic() < deadline, stage
        seen += [stage] if process.poll() is None else []
        family = psutil.Process(process.pid).children(recursive=True)
        for victim in (workers_of(process) if first == "a worker" else [])[-1:]:
            victim.kill()
        process.kill()
        process.communicate()
        psutil.wait_procs(family, timeout=30)
    assert len(seen) >= len(SEEN) - 1, "the kills came too late to show anything"
    record = json.loads(finish(start("run", path, "--workers", "2", "--json")))
    assert record["waiting"] == 0
    assert_same(results_of(path), undisturbed)


@pytest.mark.long
def test_interrupt_at_the_terminal_ends_with_one_line(path, undisturbed):
    """It reaches the workers as well, which leave the words to the client."""
    process = start("run", path, "--workers", "2", start_new_session=True)
    wait_for_pieces(path.with_suffix(".results"), 2, process)
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert err.splitlines()[-1] == "error: interrupted" and "Traceback" not in err
    finish(start("run", path, "--workers", "1", "--quiet"))
    assert_same(results_of(path), undisturbed)


KILLS = cases(30)
END_BY = {
    "SIGKILL of the client": lambda process: process.kill(),
    "SIGTERM of the client": lambda process: process.terminate(),
    "SIGKILL of the group": lambda process: os.killpg(process.pid, signal.SIGKILL),
    "SIGTERM of the group": lambda process: os.killpg(process.pid, signal.SIGTERM),
}


def assert_no_wrong_row(results, undisturbed):
    """What counts as done is to the last bit what an undisturbed run gives."""
    known = np.flatnonzero(results["status"].values != WAITING)
    some, same = (whole.isel(task=known).drop_vars("seconds") for whole in (results, undisturbed))
    xr.testing.assert_identical(some, same)


def ends_before(process, store, more, seconds):
    """Wait until some tasks more are stored, or for a time if none; return whether the run ended.

    By tasks as well, since on a slow machine no time need fall between the first and the last.
    """
    end = time.monotonic() + seconds
    wanted = len(list(store.glob("pieces/*.piece"))) + more
    while process.poll() is None:
        stored = len(list(store.glob("pieces/*.piece")))
        if stored >= wanted if more else time.monotonic() > end:
            return False
        time.sleep(0.01)
    return True


@pytest.mark.long
@pytest.mark.skipif(os.name == "nt", reason="Windows has no such signals")
def test_kills_at_random_times_lose_and_mix_nothing(tmp_path, undisturbed):
    """A study is killed and resumed at once, by another kind of kill each time, until it is done.

    Then the next begins, until there were :data:`KILLS` kills of a run at work.
    """
    chance, kills, studies, partly = random.Random(24), 0, 0, 0
    while kills < KILLS or studies == 0:
        path, families = write_study(tmp_path, top=TRACES), []
        store = tmp_path / f"{studies}.results"
        command = ("run", path, "--workers", "2", "--store", store, "--json")
        while True:
            process = start(*command, start_new_session=True)
            if kills == KILLS or ends_before(
                process, store, (0, 1, 4)[kills % 3], chance.uniform(0, 9)
            ):
                break
            families += psutil.Process(process.pid).children(recursive=True)
            END_BY[sorted(END_BY)[kills % len(END_BY)]](process)
            _, err = process.communicate(timeout=60)
            assert "Traceback" not in err, err
            kills += 1
            results = read_results(read_plan(path), StudyStore(store))
            assert_no_wrong_row(results, undisturbed)
            partly += 0 < int((results["status"] == WAITING).sum()) < TASKS
        assert json.loads(finish(process))["digest"] == results_digest(undisturbed)
        assert_same(read_results(read_plan(path), StudyStore(store)), undisturbed)
        assert not psutil.wait_procs(families, timeout=30)[1], "workers live on"
        studies += 1
    print(f"{kills} kills of {studies} studies, {partly} of them with a part of the tasks done")
    assert partly, "no kill came while tasks were done"
