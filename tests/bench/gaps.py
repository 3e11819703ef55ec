"""How near the proved bound comes: shipped cycles, grids, joined drives, random vehicles.

Run as `python tests/bench/gaps.py shipped|grids|long|random [COUNT]`; it prints one row a solve.
"""

import dataclasses
import sys

import numpy as np

from hybridopt import Cycle, Settings, read_cycle, read_driveline
from hybridopt.base.errors import InputError
from hybridopt.inputs.cycle import cycle_names
from hybridopt.inputs.driveline import Driveline
from hybridopt.optimum.optimum import Optimum
from hybridopt.pipeline import find_optimum

DRIVELINES = "full", "mild", "micro"
GRIDS = 501, 1001, 2001, 4001
WINDOW = {"soc_min": 0.57, "soc_max": 0.63}  # narrow: touched again and again


def whole_cycles() -> list[str]:
    """Return the shipped cycles without those that are parts of others."""
    return [name for name in cycle_names("schedule") if not name.startswith("wltc_class3b_")]


def joined(hours: float, seed: int = 1) -> Cycle:
    """Return shipped cycles one after the other on a hilly road, on steps of 1 s."""
    random, speed = np.random.default_rng(seed), np.zeros(1)
    names = whole_cycles()
    while speed.size < 3600.0 * hours:
        part = read_cycle(names[random.integers(len(names))])
        time = np.arange(0.0, part.time[-1] + 0.5)
        speed = np.concatenate((speed, np.interp(time, part.time, part.speed)[1:]))
    time = np.arange(float(speed.size))
    grade = sum(
        random.uniform(0.003, 0.012) * np.sin(2.0 * np.pi * time / period + random.uniform(0, 6))
        for period in (90.0, 400.0, 1800.0)
    )
    return Cycle(f"joined {seed}", time, speed, np.asarray(grade))


def random_vehicle(random: np.random.Generator) -> Driveline:
    """Return a demo driveline of another mass, air drag, battery and auxiliary load."""
    known = read_driveline(DRIVELINES[random.integers(3)])
    vehicle = dataclasses.replace(
        known.vehicle,
        mass=known.vehicle.mass * random.uniform(0.8, 1.3),
        drag_area=known.vehicle.drag_area * random.uniform(0.8, 1.3),
    )
    battery = known.battery
    size = random.uniform(0.5, 2.0)
    battery = dataclasses.replace(battery, capacity=size * battery.capacity)
    return dataclasses.replace(known, vehicle=vehicle, battery=battery)


def row(name: str, solved: Optimum) -> float:
    """Print what was proved; return the gap, %."""
    bound = solved.bound
    assert bound is not None
    print(
        f"{name:44s} cost {solved.solution.cost:10.3f} bound {bound.bound:10.3f} g "
        f"gap {bound.gap_percent:7.4f} % solve {solved.seconds:6.2f} bound {bound.seconds:6.2f} s "
        f"looks {bound.evaluations:4d} {bound.cause}",
        flush=True,
    )
    return bound.gap_percent


def shipped() -> None:
    """Every whole shipped cycle by every demo driveline."""
    for driveline in DRIVELINES:
        gaps = []
        for name in whole_cycles():
            inputs = read_cycle(name), read_driveline(driveline)
            gaps.append(row(f"{name} {driveline}", find_optimum(*inputs, keep_value=False)))
        print(f"{driveline}: worst {max(gaps):.4f} %, median {np.median(gaps):.4f} %")


def grids() -> None:
    """The same drive on ever finer grids: in the usual window and a narrow one."""
    for name, window in (("udds", {}), ("wltc_class3b", {}), ("udds", WINDOW), ("nedc", WINDOW)):
        for points in GRIDS:
            settings = Settings(soc_points=points, **window)
            inputs = read_cycle(name), read_driveline("full"), settings
            row(f"{name} {window} {points}", find_optimum(*inputs, keep_value=False))


def long() -> None:
    """Joined drives of 3 h."""
    for seed in (1, 2):
        drive = joined(3.0, seed)
        solved = find_optimum(drive, read_driveline("full"), keep_value=False)
        starts = int((np.diff(solved.trace.engine_on.values) > 0).sum())
        row(f"{drive.name}, {starts} starts", solved)


def random(count: int = 100) -> None:
    """Random vehicles on random cycles."""
    gaps = []
    for seed in range(count):
        picked = np.random.default_rng(seed)
        name, driveline = (
            whole_cycles()[picked.integers(len(whole_cycles()))],
            random_vehicle(picked),
        )
        try:
            solved = find_optimum(read_cycle(name), driveline, keep_value=False)
        except InputError as error:
            print(f"{seed} {name}: {error}"[:120])
            continue
        gaps.append(row(f"{seed} {name} {driveline.name}", solved))
    print(f"{len(gaps)} solved: median {np.median(gaps):.4f} %, worst {max(gaps):.4f} %")


if __name__ == "__main__":
    {"shipped": shipped, "grids": grids, "long": long, "random": random}[sys.argv[1]](
        *map(int, sys.argv[2:])
    )
