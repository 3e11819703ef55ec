"""A small study that takes seconds, and ways to run it with and without Dask."""

import os
import subprocess
import sys
import time

from hybridopt.study.plan import read_plan
from hybridopt.study.run import run_study, waiting_tasks
from hybridopt.study.store import StudyStore
from hybridopt.study.tasks import SerialExecutor

HEAD = """
driveline = "full"
cycles = ["ece15"]
[settings]
soc_points = 201
splits = 15
"""
PARAMETERS = """
[parameters]
"battery.capacity_Ah" = [3, 4, 5, 6.4]
"scale.motor" = [0.7, 1.0]
"settings.start_cost_g" = [0, 0.3]
"vehicle.mass_kg" = [1700, 90000]
"""
TASKS, FAILING = 32, 16  # nothing here can move 90 t
FEW = """
[parameters]
"battery.capacity_Ah" = [4, 6.4]
"""


def write_study(folder, parameters=PARAMETERS, head=HEAD, top=""):
    path = folder / "small.toml"
    path.write_text(top + head + parameters)
    return path


def do_here(path):
    """Do a study in this process, one task after the other, without Dask; return the outcomes."""
    store, outcomes = StudyStore.create(path.with_suffix(".results")), []

    def keep(outcome):
        store.write(outcome)
        outcomes.append(outcome)

    with store.locked():
        plan = read_plan(path)
        run_study(plan, waiting_tasks(plan, store), SerialExecutor(keep), lambda _: None)
    return outcomes


def start(*args, **more):
    """Start `hybridopt study ...` as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "hybridopt", "study", *map(str, args)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"NUMBA_NUM_THREADS": "1"},
        **more,
    )


def wait_for_pieces(folder, count, process, seconds=180):
    """Wait until a run has stored some tasks, compiling first; fail where it ends before."""
    deadline = time.monotonic() + seconds
    while len(list(folder.glob("pieces/*.piece"))) < count:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline, "no tasks were stored"
        time.sleep(0.01)
