"""Variants on a device: random ones compared with the CPU's, and a study of many.

Parts of gpu.py. `variants` needs a device and keeps what it found; `compared` needs none.
"""

import dataclasses
import json
import multiprocessing
import os
import pickle
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path
from unittest.mock import patch

import numba
import numpy as np

from hybridopt.base.errors import FailedError, HybridoptError
from hybridopt.base.platform import usable_cores
from hybridopt.distillation.varied import varied, varied_cases
from hybridopt.evaluation.batch import answered, solve_batch
from hybridopt.foresight.hindsight import know_drive, least_costs
from hybridopt.inputs.catalogue import cycle_names
from hybridopt.inputs.cycle import read_cycle
from hybridopt.inputs.driveline_file import read_driveline
from hybridopt.optimum.batch import devices
from hybridopt.optimum.certificate import make_certificate
from hybridopt.optimum.proof import prove
from hybridopt.pipeline import find_optimum
from hybridopt.problem.settings import Settings

CYCLE = "wltc_class3b"
AUDITED = 100  # variants whose certificates are checked
PROVED = 96  # variants that the CPU proves a bound of as well
PRICE = 7e-5  # of stored energy, g/J, for drives known in advance


@cache
def inputs():
    """Return driveline and cycle, the same objects for all, so that they share what they can."""
    return read_driveline("full"), read_cycle(CYCLE)


def random_case(random, number: int):
    """Return cycle, driveline and settings of a random variant; some have points of their own."""
    driveline, cycle = inputs()
    chosen = {
        "start_cost": float(random.uniform(0.0, 2.0)),
        "shift_cost": float(random.uniform(0.0, 0.5)),
        "soc_points": int(random.integers(401, 1200)),
        "soc_start": float(random.uniform(0.45, 0.65)),
    }
    if number % 4 == 1:
        chosen["skip_shifts"] = "none"
    if number % 10 == 2:
        chosen |= {"min_on_time": 2.0, "min_off_time": 2.0, "soc_points": 501}
    if number % 5 == 3:
        driveline = heavier(driveline, float(random.uniform(0.9, 1.2)))
    if number % 5 == 4:
        capacity = driveline.battery.capacity * float(random.uniform(0.7, 1.5))
        battery = dataclasses.replace(driveline.battery, capacity=capacity)
        driveline = dataclasses.replace(driveline, battery=battery)
    return cycle, driveline, Settings(**chosen)


def heavier(driveline, factor: float):
    """Return a driveline in a vehicle of another mass."""
    vehicle = driveline.vehicle
    vehicle = dataclasses.replace(vehicle, mass=factor * vehicle.mass)
    return dataclasses.replace(driveline, vehicle=vehicle)


def on_cpu(case, bound: bool = True) -> tuple[float, float]:
    """Return cost and bound of a case as the CPU finds them; nothing where it has no answer."""
    numba.set_num_threads(1)
    try:
        best = find_optimum(*case, bound=bound, keep_value=False)
    except HybridoptError:
        return float("nan"), float("nan")
    return best.solution.cost, best.bound.bound if bound else float("nan")


def random_cases(count: int) -> list:
    """Return random variants, always the same."""
    random = np.random.default_rng(1)
    return [random_case(random, i) for i in range(count)]


def variants(file: Path, count: int = 1000) -> dict:
    """Solve random variants on a device; answers that are to be audited go beside the file."""
    cases = random_cases(count)
    list(solve_batch(cases[:10]))  # compiles
    began = time.perf_counter()
    items = list(solve_batch(cases))
    took = time.perf_counter() - began
    kept = {i: item.answer for i, item in enumerate(items) if item.answer.run}
    kept = dict(list(kept.items())[:AUDITED])
    file.with_suffix(".pickle").write_bytes(pickle.dumps(kept))
    found = [(item.cost, item.answer.bound, item.answer.reason) for item in items]
    return {"count": count, "device_s": took, "found": found}


def compared(file: Path, limit: float = 400.0) -> dict:
    """Compare what `variants` found with the CPU, one worker process per core; audit certificates.

    It writes what it knows as it goes on where it was stopped, and begins no more after `limit`
    seconds.
    """
    before = json.loads(file.read_text())
    kept = pickle.loads(file.with_suffix(".pickle").read_bytes())
    known, checked = before.get("known", []), before.get("checked", [])
    cases, cores = random_cases(before["count"]), usable_cores()
    audited = [(cases[i], answer) for i, answer in kept.items()]
    with workers(cores) as pool:
        list(pool.map(on_cpu, cases[:cores]))  # compiles
        began = time.perf_counter()
        while time.perf_counter() - began < limit:
            if len(known) < len(cases):
                bound = partial(on_cpu, bound=len(known) < PROVED)
                known += pool.map(bound, cases[len(known) : len(known) + 4 * cores])
            elif len(checked) < len(audited):
                checked += pool.map(audit, audited[len(checked) : len(checked) + 2 * cores])
            else:
                break
            file.write_text(json.dumps(before | {"known": known, "checked": checked}))
    rows = [(*mine, *other) for mine, other in zip(before["found"], known, strict=False)]
    return before | summed(rows) | audits(checked) | {"known": known, "checked": checked}


def cpu() -> dict:
    """Time solving and proving variants on the CPU, one worker process per core."""
    cores = usable_cores()
    cases = random_cases(8 * cores)
    with workers(cores) as pool:
        list(pool.map(on_cpu, cases[:cores]))  # compiles
        began = time.perf_counter()
        list(pool.map(on_cpu, cases))
        took = time.perf_counter() - began
    return {"cores": cores, "count": len(cases), "a_minute": 60.0 * len(cases) / took}


def workers(cores: int) -> ProcessPoolExecutor:
    """Return worker processes whose kernels use a core each."""
    os.environ["NUMBA_NUM_THREADS"] = "1"
    return ProcessPoolExecutor(cores, multiprocessing.get_context("spawn"))


def summed(rows) -> dict:
    """Sum up rows of cost, bound and reason of a device, and cost and bound of the CPU."""
    rows = [(row[0], row[1], *row[3:]) for row in rows]
    both = [row for row in rows if np.isfinite(row[0]) and np.isfinite(row[2])]
    relative = np.array([row[0] / row[2] - 1.0 for row in both])
    gaps = np.array([100.0 * (1.0 - row[1] / row[2]) for row in both])
    cpu_gaps = [100.0 * (1.0 - row[3] / row[2]) for row in both if np.isfinite(row[3])]
    return {
        "compared": len(both),
        "only_cpu": sum(np.isinf(row[0]) and np.isfinite(row[2]) for row in rows),
        "only_device": sum(np.isfinite(row[0]) and np.isnan(row[2]) for row in rows),
        "largest": float(np.abs(relative).max()),
        "highest": float(relative.max()),
        "lowest": float(relative.min()),
        "mean": float(np.abs(relative).mean()),
        "above_1e-6": int((relative > 1e-6).sum()),
        "bounds_above_cost": int((gaps < 0.0).sum()),
        "gap_percent": [float(x) for x in np.percentile(gaps, (0, 50, 90, 99, 100))],
        "cpu_gap_percent": [float(x) for x in np.percentile(cpu_gaps, (0, 50, 90, 99, 100))],
    }


def audit(pair) -> tuple[float, float, str]:
    """Prove a device's bound again by the certificate checker: bound, the checker's, why none."""
    (case, answer) = pair
    cycle, driveline, settings = case
    numba.set_num_threads(1)
    try:
        settings = settings.resolved(driveline).for_cycle(cycle)
        best = answered(cycle, driveline, settings, answer)
        return answer.bound, prove(make_certificate(best)).bound, ""
    except (FailedError, ValueError) as error:
        return answer.bound, float("nan"), str(error)


def audits(rows) -> dict:
    """Sum up audits, from `audit`."""
    good = [(mine, checked) for mine, checked, why in rows if not why]
    return {
        "audited": len(rows),
        "refused": [why for *_, why in rows if why],
        "above": max((1.0 - checked / mine for mine, checked in good), default=float("nan")),
    }


STUDY = """
driveline = "full"
cycles = ["wltc_class3b"]
bound = true

[parameters]
"settings.start_cost_g" = {{ low = 0.0, high = 2.0 }}
"settings.shift_cost_g" = {{ low = 0.0, high = 0.5 }}
"battery.capacity_Ah" = {{ low = 6.0, high = 12.0 }}

[samples]
count = {count}
seed = 7
"""


def training() -> dict:
    """Time what training gives to a device, there and on the CPU: copies, drives known ahead."""
    driveline, found = inputs()[0], {}
    settings = Settings().resolved(driveline)
    cycles = [read_cycle(name) for name in cycle_names()]
    copies = [copy for cycle in cycles for copy in varied(cycle)]
    there = devices()
    for place, number, passes in (("device", there, 4), ("cpu", 0, 2)):
        times = []
        for _ in range(passes):
            with (
                patch("hybridopt.evaluation.batch.devices", lambda number=number: number),
                patch("hybridopt.foresight.hindsight.devices", lambda number=number: number),
            ):
                began = time.perf_counter()
                cases = varied_cases(cycles, driveline, settings)
                solved = time.perf_counter()
                drives = (know_drive(copy, driveline, settings, PRICE) for copy in copies)
                costs = list(least_costs(drives))
                times.append((solved - began, time.perf_counter() - solved))
        middle = np.median(times[1:], axis=0)  # the first time kernels are compiled
        found[place] = {"copies": len(cases), "copies_s": middle[0]}
        found[place] |= {"drives": len(costs), "drives_s": middle[1], "times": times}
        print(found, flush=True)
    return found


def study(count: int = int(os.environ.get("STUDY", "10000"))) -> dict:
    """Time a study from start to stored results; then one that is killed and resumed."""
    found, digests = {"count": count}, []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "batch.toml"
        file.write_text(STUDY.format(count=count))
        small = Path(folder) / "small.toml"
        small.write_text(STUDY.format(count=16))
        study_run(small, Path(folder) / "small").wait()  # compiles
        began = time.perf_counter()
        code = study_run(file, Path(folder) / "whole").wait()
        found |= {"code": code, "whole_s": time.perf_counter() - began}
        found["tasks_a_minute"] = 60.0 * count / found["whole_s"]
        print(found, flush=True)
        process = study_run(file, Path(folder) / "cut")
        time.sleep(0.5 * found["whole_s"])
        process.kill()
        process.wait()
        found["kept_when_killed"] = len(list((Path(folder) / "cut" / "pieces").glob("*")))
        began = time.perf_counter()
        found["code_resumed"] = study_run(file, Path(folder) / "cut").wait()
        found["resumed_s"] = time.perf_counter() - began
        for name in ("whole", "cut"):
            command = [sys.executable, "-m", "hybridopt", "study", "status", str(file)]
            text = subprocess.run(
                [*command, "--store", str(Path(folder) / name), "--json"],
                capture_output=True,
                text=True,
                check=True,
            ).stdout
            digests.append(json.loads(text))
    return found | {"status": digests, "same": digests[0]["digest"] == digests[1]["digest"]}


def study_run(file: Path, store: Path) -> subprocess.Popen:
    """Start a run of a study on the device."""
    command = [sys.executable, "-m", "hybridopt", "study", "run", str(file)]
    return subprocess.Popen([*command, "--store", str(store), "--executor", "gpu", "--quiet"])
