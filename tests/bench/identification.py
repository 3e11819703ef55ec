"""How often the 95 % intervals of `identify` hold the true value: a table over cars and seeds.

    python tests/bench/identification.py [seeds] [--long]

Each seed is another base (every figure 10 to 30 % off), another noise and other delays.
"""

import sys
import time
import warnings
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from car_log import NO_ELECTRIC, Logger, drive_car, hilly, record
from off_base import off_base, true_values

from hybridopt import (
    AdaptiveEquivalence,
    ElectricPower,
    Equivalence,
    PowerThresholds,
    read_cycle,
    read_driveline,
)
from hybridopt.measured_car.identify import identify

CARS = (
    ("full", "power_thresholds", PowerThresholds()),
    ("full", "electric_power", ElectricPower()),
    ("full", "optimum", None),
    ("mild", "equivalence", Equivalence()),
    ("full_six_speed", "adaptive_equivalence", AdaptiveEquivalence()),
    ("full_diesel", "power_thresholds", PowerThresholds()),
    ("micro", "power_thresholds", PowerThresholds()),
)
CYCLES = ("wltc_class3b", "artemis_rural", "udds")


def drives(name, controller, cycles=CYCLES):
    """Return true car and its drives, one of them over hills."""
    true = read_driveline(name)
    found = [read_cycle(cycle) for cycle in cycles]
    found[-1] = hilly(found[-1])
    return true, [drive_car(true, cycle, controller) for cycle in found]


def one_fit(true, cars, seed, without=None, leave_out=False):
    """Return base and fit of a seed."""
    missing = Logger().without if without is None else without
    base = off_base(true, 1000 + seed)
    logs = [
        record(car, Logger(seed=100 * seed + i, without=missing), f"drive_{i}")
        for i, car in enumerate(cars)
    ]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return base, identify(logs, base, leave_out)


def misses(true, base, found):
    """Return by key how many half widths an estimate is off the truth, and the relative half."""
    truth = true_values(true, base, found.driveline)
    values = {}
    for one in found.estimates:
        off = one.value - truth[one.key]
        half = max(one.half_width, 1e-12)
        inside = one.low - 1e-9 <= truth[one.key] <= one.high + 1e-9
        values[one.key] = (inside, off / half, half / max(abs(truth[one.key]), 1e-12))
    return values


def coverage(cars=CARS, seeds=8, cycles=CYCLES):
    """Print the table; return the share of intervals that hold the truth."""
    held, total = 0, 0
    for name, words, controller in cars:
        true, driven = drives(name, controller, cycles)
        table, began = defaultdict(list), time.perf_counter()
        for seed in range(seeds):
            base, found = one_fit(true, driven, seed)
            for key, value in misses(true, base, found).items():
                table[key].append(value)
        seconds = (time.perf_counter() - began) / seeds
        print(f"\n{name}, {words}: {seeds} seeds, {seconds:.1f} s each")
        print(f"  {'parameter':36} inside   mean off  spread  half width (share of the value)")
        for key, values in table.items():
            inside = sum(x[0] for x in values)
            off = np.array([x[1] for x in values])
            half = np.median([x[2] for x in values])
            print(
                f"  {key:36} {inside:2d}/{len(values):2d}  {off.mean():8.2f}  {off.std():6.2f}"
                f"  {half:10.2%}"
            )
            held, total = held + inside, total + len(values)
        print(f"  so far {held}/{total} = {held / total:.1%}")
    return held / total


def fuel_errors(cars=CARS, seeds=2, cycles=CYCLES, without=None):
    """Print and return errors of the fuel predicted on drives left out, by car."""
    worst = {}
    for name, words, controller in cars:
        true, driven = drives(name, controller, cycles)
        errors = []
        for seed in range(seeds):
            _, found = one_fit(true, driven, seed, without, leave_out=True)
            for left, car in zip(found.left_out, driven, strict=True):
                errors.append(
                    [
                        x / car.fuel - 1.0
                        for x in (left.prediction.fuel_model, left.prediction.fuel_road)
                    ]
                )
        worst[name, words] = np.abs(errors).max(axis=0)
        shown = ", ".join(f"{x:.2%}" for x in worst[name, words])
        print(f"{name}, {words}: largest error at measured torque, from the road: {shown}")
    return worst


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    coverage(seeds=count)
    fuel_errors()
    print("without motor and battery:")
    fuel_errors(without=NO_ELECTRIC)
