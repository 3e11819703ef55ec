"""Workers: own controllers reach them, nobody else does, and their end is no silence."""

import json
import os
import signal
import time

import psutil
import pytest
from case_counts import by_hand
from click.testing import CliRunner
from study_makers import start, wait_for_pieces, write_study

from hybridopt.base.warning import InputWarning
from hybridopt.cli.main import main

OWN = """
import os
def rule(seen):
    return seen.wheel_power > 5e3, 1 + int(seen.speed > 6), None
class Deadly:
    def reset(self, *args):
        os._exit(1)
    def decide(self, seen):
        return rule(seen)
"""
RUNS = 'runs = ["optimum", "own.py:{}"]\n'
FEW = """
[parameters]
"battery.capacity_Ah" = [4, 6.4]
"""
MANY = """
[parameters]
"battery.capacity_Ah" = { low = 3, high = 12, count = 40 }
"scale.motor" = [0.8, 1.0]
"""
on_posix = pytest.mark.skipif(os.name == "nt", reason="Windows has no such thing")


def own_study(folder, name, parameters=FEW):
    (folder / "own.py").write_text(OWN)
    return write_study(folder, parameters, top=RUNS.format(name))


def ended(process, code, seconds=120):
    out, err = process.communicate(timeout=seconds)
    assert process.returncode == code, err
    assert "Traceback" not in err and "Traceback" not in out, err
    return out, err


def family_of(process):
    return psutil.Process(process.pid).children(recursive=True)


@pytest.mark.long
@pytest.mark.parametrize("name", by_hand(["rule"]))
def test_own_controllers_run_on_worker_processes(tmp_path, name):
    path = own_study(tmp_path, name)
    record = json.loads(ended(start("run", path, "--workers", "2", "--json"), 0)[0])
    assert (record["done"], record["failed"], record["waiting"]) == (4, 0, 0)


@pytest.mark.long
def test_a_task_that_kills_its_workers_fails_and_the_others_go_on(tmp_path):
    path = own_study(tmp_path, "Deadly")
    record = json.loads(ended(start("run", path, "--workers", "2", "--json"), 0, 300)[0])
    assert (record["done"], record["failed"], record["waiting"]) == (2, 2, 0)
    assert record["reasons"] == [["every worker that took it died, perhaps for want of memory", 2]]


@pytest.mark.long
@on_posix
@pytest.mark.parametrize("after", [0.3, 3.0, *by_hand([1.5, 5.0])])
def test_an_interrupt_at_start_up_ends_with_one_line(tmp_path, after):
    process = start("run", write_study(tmp_path, MANY), "--workers", "2", start_new_session=True)
    time.sleep(after)
    family = family_of(process)
    os.killpg(process.pid, signal.SIGINT)
    _, err = ended(process, 130, 60)
    assert err.splitlines()[-1] == "error: interrupted"
    assert all(not x or "interrupted" in x or "tasks done" in x for x in err.splitlines()), err
    _, alive = psutil.wait_procs(family, timeout=20)
    assert not alive


# --- a cluster ---


@pytest.fixture
def cluster(tmp_path):
    """A scheduler and a worker, each a process."""
    import subprocess
    import sys

    file = tmp_path / "scheduler.json"

    def begin(*words):
        command = [sys.executable, "-m", "dask", *words, "--no-dashboard"]
        command += ["--scheduler-file", str(file)]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        return subprocess.Popen(command, start_new_session=True, **quiet)

    processes = [begin("scheduler", "--host", "127.0.0.1", "--port", "0")]
    deadline = time.monotonic() + 60
    while not file.exists() or not file.read_text().endswith("}"):
        assert time.monotonic() < deadline and processes[0].poll() is None
        time.sleep(0.05)
    more = ("--nthreads", "1", "--local-directory", str(tmp_path))
    processes.append(begin("worker", *more))
    yield json.loads(file.read_text())["address"], *processes
    for process in processes:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


@on_posix
@pytest.mark.long
@pytest.mark.parametrize("victim", ["scheduler", *by_hand(["worker"])])
def test_a_client_says_that_its_cluster_is_gone(tmp_path, cluster, victim):
    address, scheduler, worker = cluster
    path = own_study(tmp_path, "rule", MANY)
    process = start("run", path, "--scheduler", address)
    wait_for_pieces(path.with_suffix(".results"), 2, process, 120)
    os.killpg((scheduler if victim == "scheduler" else worker).pid, signal.SIGKILL)
    began = time.monotonic()
    _, err = ended(process, 1)
    print(victim, time.monotonic() - began, err)
    assert time.monotonic() - began < 60
    assert "error: " in err.splitlines()[-1] and "run again to go on" in err.splitlines()[-1]
    assert "without TLS" in err and "can run code as you" in err


def test_a_foreign_scheduler_without_tls_is_warned_of(tmp_path, monkeypatch):
    from hybridopt.base.errors import FailedError
    from hybridopt.study import cluster as cluster_module
    from hybridopt.study.store import StudyStore

    store = StudyStore.create(tmp_path / "s.results")
    monkeypatch.setattr(cluster_module, "PATIENCE", 0.5)
    with (
        pytest.warns(InputWarning, match="without TLS"),
        pytest.raises(FailedError, match="does not answer"),
        cluster_module.open_cluster("tcp://127.0.0.1:9", store, 0.0),
    ):
        pass


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (None, "needs certificates; name them in Dask's configuration, distributed.comm.tls"),
        ("none.pem", "does not answer ([Errno 2] No such file or directory)"),
    ],
)
def test_tls_without_certificates_is_one_sentence(tmp_path, file, words):
    import dask

    from hybridopt.base.errors import FailedError
    from hybridopt.study.cluster import open_cluster
    from hybridopt.study.store import StudyStore

    path = file and str(tmp_path / file)
    keys = dict.fromkeys(("ca-file", "client.cert", "client.key"), path)
    store = StudyStore.create(tmp_path / "s.results")
    with (
        dask.config.set({f"distributed.comm.tls.{key}": value for key, value in keys.items()}),
        pytest.raises(FailedError) as caught,
        open_cluster("tls://127.0.0.1:9", store, 0.0),
    ):
        pass
    assert str(caught.value).startswith(f"--scheduler tls://127.0.0.1:9: {words}")


# --- who runs code of the study file ---


@pytest.mark.long
def test_only_a_run_executes_own_controllers(tmp_path):
    path, trace = own_study(tmp_path, "rule"), tmp_path / "trace"
    (tmp_path / "own.py").write_text(f"open({str(trace)!r}, 'a').write('x')\n" + OWN)

    def here(*words):
        assert CliRunner().invoke(main, ["study", *map(str, words)]).exit_code == 0

    here("run", path, "--dry-run")
    here("status", path)
    assert not trace.exists()
    ended(start("run", path, "--workers", "1", "--quiet"), 0)
    count = len(trace.read_text())
    assert count >= 1
    here("run", path, "--dry-run")
    here("status", path)
    here("table", path)
    here("plot", path, "--out", tmp_path / "out")
    assert len(trace.read_text()) == count
