"""How near `assess` comes to the true gap of a car, and how often its band holds it.

    python tests/bench/verdicts.py near|band|lacks [seeds] [cases] [Hz] [window]

The true gap is that of the same drive in the model, without any log. `near` reads clean, noisy and
late logs with the true model. `band` reads with models whose parameters are drawn from the
intervals that the band is given. `lacks` reads clean logs without some channels. A case whose name
begins with uneven_ is driven in steps of 0.1 to 1.9 s, so that the car decides at any time. A
sample is the mean of a window, s, which is the logger's step unless stated.
"""

import dataclasses
import sys
import warnings
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from car_log import FINE, Logger, hilly, record
from traced_log import driven_truth

from hybridopt import Equivalence, PowerThresholds, Settings, assess, read_cycle, read_driveline
from hybridopt.measured_car.parameters import value_of, with_values
from hybridopt.measured_car.regression import NORMAL

SETTINGS = Settings(soc_points=201, splits=15)
CASES = {
    "full_nedc": ("full", lambda: hilly(read_cycle("nedc")), PowerThresholds()),
    "full_udds": ("full", lambda: read_cycle("udds"), Equivalence()),
    "full_urban": ("full", lambda: read_cycle("artemis_urban"), PowerThresholds()),
    "mild_low": ("mild", lambda: read_cycle("wltc_class3b_low"), PowerThresholds()),
    "mild_urban": ("mild", lambda: read_cycle("artemis_urban"), Equivalence()),
    "micro_low": ("micro", lambda: read_cycle("wltc_class3b_low"), PowerThresholds()),
    "micro_udds": ("micro", lambda: read_cycle("udds"), PowerThresholds()),
}
CLEAN = Logger(noise=0.0, quanta=False, delay=0.0)
SHARES = {  # half-widths of 95 % intervals, of the value
    "vehicle.mass_kg": 0.015,
    "engine.fuel_scale": 0.01,
    "motor.loss_scale": 0.1,
    "battery.resistance_scale": 0.1,
}
LACKS = {
    "motor_torque": ("motor_torque",),
    "motor_torque and motor_power": ("motor_torque", "motor_power"),
    "all of the motor's": ("motor_torque", "motor_power", "motor_speed"),
    "motor's and battery's": (
        *("motor_torque", "motor_power", "motor_speed"),
        *("battery_voltage", "battery_current"),
    ),
    "engine_torque": ("engine_torque",),
    "fuel_rate": ("fuel_rate",),
    "gear": ("gear",),
}


@cache
def truth(case):
    """Return driveline, drive and true score."""
    name, cycle, controller = CASES[case.removeprefix("uneven_")]
    driveline, cycle = read_driveline(name), cycle()
    if case not in CASES:
        cycle = uneven(cycle)
    return driveline, *driven_truth(driveline, cycle, controller, SETTINGS)


def uneven(cycle):
    """Return a cycle with its inner points up to 0.45 s earlier or later."""
    pieces = np.random.default_rng(1).uniform(-0.45, 0.45, cycle.time.size - 2) / FINE
    time = cycle.time + FINE * np.concatenate(([0.0], np.round(pieces), [0.0]))
    speed, grade = (np.interp(time, cycle.time, x) for x in (cycle.speed, cycle.grade))
    return dataclasses.replace(cycle, time=time, speed=speed, grade=grade)


def loggers(seed, **more):
    """Return loggers by name."""
    late = Logger(seed=seed, **more)
    return {"noise, whole km/h": dataclasses.replace(late, delay=0.0), "and delays": late}


def near(cases, seeds, **more):
    """Print by how many points the gap is off."""
    off = []
    for case in cases:
        driveline, car, true = truth(case)
        clean = dataclasses.replace(CLEAN, **more)
        clean = assess(record(car, clean), driveline, SETTINGS).gap_percent - true.gap_percent
        print(f"{case}: true gap {true.gap_percent:.2f} %, clean {clean:+.2f}", flush=True)
        for seed in seeds:
            for name, logger in loggers(seed, **more).items():
                found = assess(record(car, logger), driveline, SETTINGS)
                off.append(found.gap_percent - true.gap_percent)
                print(f"  {name} {seed}: {off[-1]:+.2f}", flush=True)
    print(
        f"root mean square {np.sqrt(np.mean(np.square(off))):.2f}, worst {max(off, key=abs):+.2f}"
    )


def band(cases, seeds, draws=12, **more):
    """Print whether the band holds the true gap; return the share."""
    held = []
    for seed in seeds:
        for case in cases:
            driveline, car, true = truth(case)
            for name, logger in loggers(seed, **more).items():
                random, drawn, intervals = np.random.default_rng(seed), {}, {}
                for key, half in SHARES.items():
                    known = value_of(driveline, key)
                    value = known * (1.0 + half / NORMAL * random.standard_normal())
                    drawn[key] = value
                    intervals[key] = (value, value * (1.0 - half), value * (1.0 + half))
                model = with_values(driveline, drawn)
                found = assess(record(car, logger), model, SETTINGS, intervals, draws)
                got = found.band
                held.append(got.low <= true.gap_percent <= got.high)
                print(
                    f"{case}, {name} {seed}: true {true.gap_percent:.2f}, gap "
                    f"{found.gap_percent:.2f}, band {got.low:.2f} {got.median:.2f} {got.high:.2f} "
                    f"{'holds' if held[-1] else 'misses'}; {sum(held)} of {len(held)}",
                    flush=True,
                )
    return float(np.mean(held))


def lacks(cases):
    """Print by how many points the gap of clean logs without some channels is off."""
    for case in cases:
        driveline, car, true = truth(case)
        for name, gone in LACKS.items():
            logger = Logger(noise=0.0, quanta=False, delay=0.0, without=(*CLEAN.without, *gone))
            found = assess(record(car, logger), driveline, SETTINGS)
            off = found.gap_percent - true.gap_percent
            print(f"{case} without {name}: {off:+.2f}", flush=True)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    seeds = [int(x) for x in sys.argv[2].split(",")] if len(sys.argv) > 2 else [1, 2, 3]
    chosen = sys.argv[3].split(",") if len(sys.argv) > 3 else list(CASES)
    if sys.argv[1] == "lacks":
        lacks(chosen)
    else:
        more = dict(zip(("rate", "window"), map(float, sys.argv[4:]), strict=False))
        {"near": near, "band": band}[sys.argv[1]](chosen, seeds, **more)
