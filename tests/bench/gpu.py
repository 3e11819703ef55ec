"""Optima a minute on a device, and how they compare with the CPU's.

    python tests/bench/gpu.py PART FILE

PART is one of those listed below; what it measures is written to FILE as JSON.
"""

import json
import math
import os
import subprocess
import sys
import tempfile
import time
import traceback
from functools import partial
from pathlib import Path

os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(tempfile.gettempdir()) / "hybridopt_bench"))

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from gpu_variants import CYCLE, compared, cpu, heavier, inputs, study, training, variants
from numba import cuda

from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.dp.device import DeviceBatch
from hybridopt.dp.device_batch import ProblemBatch
from hybridopt.dp.forward import best_run
from hybridopt.evaluation.batch import solve_batch, state_cases
from hybridopt.inputs.cycle import read_cycle
from hybridopt.inputs.driveline_file import read_driveline
from hybridopt.optimum.solve import _value_at_start
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.device_points import PlantArrays, lay_out_plants, points_kernel
from hybridopt.physics.operating_points import list_operating_points
from hybridopt.pipeline import state_problem
from hybridopt.problem.settings import Settings

NONE = np.float32(0.0)
SHAPES = ((512, 2), (512, 1), (256, 3), (256, 2), (1024, 1), (384, 2))


def one_problem(cycle: str = CYCLE, **settings):
    """Return a problem: the demo vehicle over a cycle."""
    return state_problem(read_cycle(cycle), read_driveline("full"), Settings(**settings))


def seconds(work, repeats: int = 3) -> float:
    """Return the median time of work on the device, s."""
    times = []
    for _ in range(repeats):
        cuda.synchronize()
        began = time.perf_counter()
        work()
        cuda.synchronize()
        times.append(time.perf_counter() - began)
    return float(np.median(times))


def sweep() -> dict:
    """Time preparing and sweep alone over launch shapes; compare values with the CPU."""
    problem = one_problem()
    found = {"shapes": {}}
    began = time.perf_counter()
    reference = CostToGo(problem, whole=True)
    found["cpu_sweep_s"] = time.perf_counter() - began
    began = time.perf_counter()
    reference = CostToGo(problem, whole=True)
    found["cpu_sweep_warm_s"] = time.perf_counter() - began
    for threads, blocks in SHAPES:
        try:
            for count in (1, 264, 1056):
                batch = ProblemBatch([problem] * count, keep=count == 1)
                device = DeviceBatch(batch, threads, blocks)
                began = time.perf_counter()
                device.prepare()
                cuda.synchronize()
                first_prepare = time.perf_counter() - began
                prepare = seconds(device.prepare)
                looked = cuda.to_device(np.zeros(count, dtype=np.int64))
                device.sweep(looked)
                took = seconds(device.sweep, 1 if count > 500 else 3)
                each = 1e3 * took / count
                row = {
                    "prepare_ms_each": 1e3 * prepare / count,
                    "sweep_ms_each": each,
                    "problems_a_minute": 6e4 / each,
                    "first_prepare_s": first_prepare,
                    "looked_at_millions": float(looked.copy_to_host()[0]) / 1e6,
                }
                found["shapes"][f"{threads}x{blocks} {count}"] = row
                print(threads, blocks, count, row, flush=True)
                if count == 1:
                    found["worst_g"] = _worst(problem, device, reference)
                    print("worst value difference, g:", found["worst_g"], flush=True)
                del device
        except Exception:
            traceback.print_exc()
    return found


def _worst(problem, device, reference) -> float:
    """Return the largest difference of values of less than 1e6 g to the CPU's, g."""
    value, offset = device.value.copy_to_host(), device.offset.copy_to_host()
    shape = problem.points.steps + 1, problem.events.graph.states, problem.points.gears, -1
    value, worst = value.reshape(shape), 0.0
    for t in range(0, problem.points.steps + 1, 50):
        mine, other = value[t] + offset[t], reference[t]
        finite = np.isfinite(other)
        if ((mine < 1e6) != finite).any():
            print("infinite elsewhere at step", t, int(((mine < 1e6) != finite).sum()))
        both = finite & (mine < 1e6)
        worst = max(worst, float(np.abs(mine - other)[both].max()))
    return worst


def forward() -> dict:
    """Time the forward run and its landing; compare the schedule with the CPU's."""
    problem = one_problem()
    value = CostToGo(problem)
    run = best_run(problem, value)
    began = time.perf_counter()
    run = best_run(problem, value)
    found = {"cpu_forward_s": time.perf_counter() - began, "cpu_cost_g": run.cost}
    found["cpu_value_start_g"] = _value_at_start(problem, value)
    for count in (1, 264, 528):
        device = DeviceBatch(ProblemBatch([problem] * count))
        device.prepare()
        device.sweep()
        device.land()
        tracks = device.fetch()
        took = seconds(device.land)
        steps = problem.points.steps
        same = float((tracks.packed[:steps] >> 24 == run.gear).mean())
        found[str(count)] = {
            "land_ms_each": 1e3 * took / count,
            "land_ms": 1e3 * took,
            "cost_g": float(tracks.found[0, 0]),
            "relative": float(tracks.found[0, 0] / run.cost - 1.0),
            "miss": float(tracks.found[0, 1]),
            "value_start_g": float(tracks.found[0, 2] + tracks.offset[0]),
            "runs": float(tracks.found[0, 3]),
            "same_gears": same,
        }
        print(count, found[str(count)], flush=True)
        del device
    return found


def points() -> dict:
    """Time listing operating points; compare them with the CPU's."""
    driveline, cycle, found = read_driveline("full"), read_cycle(CYCLE), {}
    demand = drive_demand(driveline, cycle)
    listed = list_operating_points(driveline, demand, 61)
    began = time.perf_counter()
    listed = list_operating_points(driveline, demand, 61)
    found["cpu_points_s"] = time.perf_counter() - began
    for count in (1, 64):
        arrays, shape = lay_out_plants([driveline] * count, [demand] * count, 61)
        kernel, room = points_kernel(*shape), shape[2]
        lists = listed.count.size
        there = PlantArrays(*(cuda.to_device(array) for array in arrays))
        cost = cuda.device_array(count * lists * room)
        power = cuda.device_array(count * lists * room)
        length = cuda.device_array(count * lists, dtype=np.int32)
        first = cuda.device_array(count * lists, dtype=np.int64)
        launch = kernel[(-(-lists // 128), count), 128]
        fill = partial(launch, there, first, length, cost, power)
        fill()
        took = seconds(fill)
        last = slice((count - 1) * lists, count * lists)
        mine = cost.copy_to_host().reshape(-1, room)[last, : listed.splits]
        watts = power.copy_to_host().reshape(-1, room)[last, : listed.splits]
        used = np.arange(listed.splits) < listed.count.reshape(-1, 1)
        counts = length.copy_to_host()[last] == listed.count.ravel()
        other = listed.cost.reshape(-1, listed.splits)
        both = used & np.isfinite(other) & np.isfinite(mine)
        found[str(count)] = {
            "ms_each": 1e3 * took / count,
            "same_counts": float(counts.mean()),
            "differently_admissible": int((used & (np.isfinite(other) != np.isfinite(mine))).sum()),
            "worst_cost_g": float(np.abs(mine - other)[both].max()),
            "worst_power_W": float(
                np.abs(watts - listed.power.reshape(-1, listed.splits))[both].max()
            ),
        }
        print(count, found[str(count)], flush=True)
    return found


def end_to_end(count: int = 4224) -> dict:
    """Time solve_batch from settings to schedules and bounds, with shared and with own points."""
    driveline, cycle = inputs()
    random, found = np.random.default_rng(2), {}
    for name, own, number in (("shared", False, count), ("own", True, count // 2)):
        cases = [
            (
                cycle,
                heavier(driveline, float(random.uniform(0.9, 1.2))) if own else driveline,
                Settings(
                    start_cost=float(random.uniform(0.0, 2.0)),
                    shift_cost=float(random.uniform(0.0, 0.5)),
                ),
            )
            for _ in range(number)
        ]
        list(solve_batch(cases[:2]))  # compiles
        times = []
        for bound in (True, True, False):
            began = time.perf_counter()
            items = list(solve_batch(cases, bound))
            times.append(time.perf_counter() - began)
            if bound:
                gaps = [100.0 * (1.0 - i.answer.bound / i.cost) for i in items if i.answer.run]
        found[name] = {
            "count": number,
            "first_s": times[0],
            "again_s": times[1],
            "without_bound_s": times[2],
            "problems_a_minute": 60.0 * number / times[1],
            "without_bound_a_minute": 60.0 * number / times[2],
            "unanswered": sum(item.answer.run is None for item in items),
            "gap_percent": [float(x) for x in np.percentile(gaps, (0, 50, 90, 99, 100))],
        }
        print(name, found[name], flush=True)
        began = time.perf_counter()
        states = stated(cases[:264])
        host = time.perf_counter() - began
        began = time.perf_counter()
        batch = ProblemBatch(states)
        found[name]["host_ms_each"] = {
            "state": 1e3 * host / len(states),
            "lay_out": 1e3 * (time.perf_counter() - began) / len(states),
        }
        began = time.perf_counter()
        device = DeviceBatch(batch)
        found[name]["host_ms_each"]["send"] = 1e3 * (time.perf_counter() - began) / len(states)
        device.launch()
        for part in ("prepare", "sweep", "land", "prove"):  # the bound overwrites the cost-to-go
            took = seconds(getattr(device, part), 1)
            found[name][f"{part}_ms_each"] = 1e3 * took / len(states)
        print(name, found[name], flush=True)
        del device
    return found


def stated(cases):
    """Return the statements of cases, as solve_batch makes them."""
    return [item.statement for item in state_cases(cases)]


def limit() -> dict:
    """Measure the ceiling of split evaluations alone, and what share of it the sweep reaches."""
    found = {}
    multiprocessors = cuda.get_current_device().MULTIPROCESSOR_COUNT
    out = cuda.device_array(multiprocessors * 8 * 384, dtype=np.float32)
    number = 20_000

    def work() -> None:
        evaluations_alone[multiprocessors * 2, 384](out, number)

    work()
    took = seconds(work)
    ceiling = multiprocessors * 2 * 384 * number * 4 / took
    problem = one_problem()
    count = multiprocessors * 2
    device = DeviceBatch(ProblemBatch([problem] * count))
    device.prepare()
    looked = cuda.to_device(np.zeros(count, dtype=np.int64))
    device.sweep(looked)
    swept = seconds(device.sweep)
    looked_at = float(looked.copy_to_host()[0])
    pairs = problem.points.steps * problem.grid.points
    bytes_written = 4.0 * problem.points.steps * batch_rows(problem) * problem.grid.points
    there = cuda.device_array(10**9, dtype=np.float32)
    back = cuda.device_array(10**9, dtype=np.float32)
    copied = seconds(lambda: back.copy_to_device(there))
    return found | {
        "evaluations_a_second_alone": ceiling,
        "evaluations_a_second_of_sweep": looked_at * count / swept,
        "share_of_evaluations": looked_at * count / swept / ceiling,
        "evaluations_per_point_and_step": looked_at / pairs,
        "bytes_a_second_copied": 8e9 / copied,
        "share_of_bandwidth": 2.0 * bytes_written * count / swept / (8e9 / copied),
        "sweep_ms_each": 1e3 * swept / count,
    }


def batch_rows(problem) -> int:
    """Return states times gears of a problem."""
    return problem.events.graph.states * problem.points.gears


@cuda.jit(fastmath=True)
def evaluations_alone(out, number):
    """Evaluate splits as the sweep does, without lists, ranges, shifts and moves."""
    row = cuda.shared.array(1024, np.float32)
    thread = cuda.threadIdx.x
    for x in range(thread, 1024, cuda.blockDim.x):
        row[x] = np.float32(0.01) * x
    cuda.syncthreads()
    square, volts = np.float32(90000.0), np.float32(300.0)
    here, lowest = np.float32(thread), np.float32(1e30)
    watts = np.float32(100.0)
    for _ in range(number):
        for k in range(4):
            power = watts + np.float32(k)
            root = volts + np.float32(math.sqrt(max(square - np.float32(0.4) * power, NONE)))
            y = here - np.float32(0.02) * power / root
            inside = min(max(y, NONE), np.float32(1000.0))
            j = np.int32(inside)
            share = inside - np.float32(j)
            grams = row[j] + share * (row[j + 1] - row[j]) + np.float32(1e-5) * max(-y, NONE)
            lowest = min(lowest, grams)
        watts += np.float32(0.5)
    out[cuda.grid(1)] = lowest


def device_name() -> str:
    """Return the name of the device."""
    return str(cuda.get_current_device().name)


BLOCK_SHAPES = ((32, 16, 128, 4), (64, 8, 128, 4), (128, 4, 128, 4), (64, 8, 64, 8))
"""Threads of a block and blocks of a multiprocessor, for runs and for bounds, to be tried."""


def launches() -> dict:
    """Time forward run and bound over launch shapes, each in a process of its own."""
    found = {}
    for shape in BLOCK_SHAPES:
        name = ",".join(str(number) for number in shape)
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "shape.json"
            command = [sys.executable, str(Path(__file__).with_name("gpu_shape.py"))]
            done = subprocess.run([*command, name, str(file)], capture_output=True, text=True)
            found[name] = json.loads(file.read_text()) if file.exists() else done.stderr[-500:]
        print(name, found[name], flush=True)
    return found


def one_shape() -> dict:
    """Time forward run and bound of random variants that share points, by size of the wave."""
    driveline, cycle = inputs()
    random, found = np.random.default_rng(2), {}
    for count in (264, 528, 1056):
        costs = random.uniform(0.0, (2.0, 0.5), (count, 2))
        settings = [Settings(start_cost=float(a), shift_cost=float(b)) for a, b in costs]
        device = DeviceBatch(ProblemBatch(stated((cycle, driveline, s) for s in settings)))
        device.launch()
        device.fetch()
        for part in ("prepare", "sweep", "land", "prove"):  # the bound overwrites the cost-to-go
            took = seconds(getattr(device, part), 1)
            found[f"{part}_ms_each {count}"] = 1e3 * took / count
        found[f"runs {count}"] = float(device.found.copy_to_host()[:, 3].mean())
        found[f"looks {count}"] = float(device.proved.copy_to_host()[:, 2].mean())
        del device
    return found


PARTS = {
    "cpu": cpu,
    "launches": launches,
    "study": study,
    "training": training,
    "sweep": sweep,
    "forward": forward,
    "points": points,
    "end_to_end": end_to_end,
    "limit": limit,
}

FILE_PARTS = {"variants": variants, "compared": compared}  # they read or write beside the file


def main() -> int:
    """Do the part asked for and write what it measured."""
    part, file = sys.argv[1:]
    found = {} if part in ("compared", "cpu") else {"device": device_name()}
    found |= FILE_PARTS[part](Path(file)) if part in FILE_PARTS else PARTS[part]()
    Path(file).write_text(json.dumps(found, indent=1, default=float))
    print(
        json.dumps(
            {k: found[k] for k in found.keys() - {"found", "known", "checked"}}, default=float
        )
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
