"""Optima a minute on a device, and how they compare with the CPU's.

    python tests/bench/gpu.py PART FILE

PART is one of those listed below; what it measures is written to FILE as JSON.
"""

import json
import sys
import time
import traceback
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from numba import cuda

from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.dp.device import DeviceBatch
from hybridopt.dp.device_batch import Batch
from hybridopt.dp.forward import best_run
from hybridopt.inputs.cycle import read_cycle
from hybridopt.inputs.driveline_file import read_driveline
from hybridopt.optimum.solve import _value_at_start
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.device_points import lay_out_plants, points_kernel
from hybridopt.physics.operating_points import list_operating_points
from hybridopt.pipeline import prepare, prepared_problem, state_problem
from hybridopt.problem.settings import Settings

CYCLE = "wltc_class3b"
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
    found = {"device": str(cuda.get_current_device().name), "shapes": {}}
    began = time.perf_counter()
    reference = CostToGo(problem, whole=True)
    found["cpu_sweep_s"] = time.perf_counter() - began
    began = time.perf_counter()
    reference = CostToGo(problem, whole=True)
    found["cpu_sweep_warm_s"] = time.perf_counter() - began
    for threads, blocks in SHAPES:
        try:
            for count in (1, 264, 1056):
                batch = Batch([problem] * count, keep=count == 1)
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
        device = DeviceBatch(Batch([problem] * count))
        device.prepare()
        device.sweep()
        tracks = device.land()
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
        there = [cuda.to_device(array) for array in arrays]
        cost = cuda.device_array(count * lists * room)
        power = cuda.device_array(count * lists * room)
        length = cuda.device_array(count * lists, dtype=np.int32)

        def fill() -> None:
            kernel[(-(-lists // 128), count), 128](*there, cost, power, length)

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


def variants(count: int = 24) -> dict:
    """Compare costs of random variants that share points with the CPU's."""
    random = np.random.default_rng(1)
    driveline, cycle = read_driveline("full"), read_cycle(CYCLE)
    prepared, problems = None, []
    for _ in range(count):
        settings = Settings(
            start_cost=float(random.uniform(0.0, 2.0)),
            shift_cost=float(random.uniform(0.0, 0.5)),
            soc_points=int(random.integers(401, 1200)),
        )
        settings = settings.resolved(driveline).for_cycle(cycle)
        prepared = prepared or prepare(cycle, driveline, settings)
        penalty = settings.penalty(driveline)
        problems.append(prepared_problem(driveline, settings, prepared, penalty))
    device = DeviceBatch(Batch(problems))
    device.prepare()
    device.sweep()
    tracks, rows = device.land(), []
    for problem, found in zip(problems, tracks.found, strict=True):
        run = best_run(problem, CostToGo(problem))
        rows.append((run.cost, float(found[0]), float(found[0] / run.cost - 1.0), float(found[3])))
        print(rows[-1], flush=True)
    relative = [abs(row[2]) for row in rows]
    return {"rows": rows, "largest": max(relative), "mean": float(np.mean(relative))}


PARTS = {"sweep": sweep, "forward": forward, "points": points, "variants": variants}


def main() -> int:
    """Do the part asked for and write what it measured."""
    part, file = sys.argv[1:]
    found = PARTS[part]()
    Path(file).write_text(json.dumps(found, indent=1))
    print(json.dumps(found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
