"""What the bound claims, attacked: changed vehicles, odd steps and tables, all ends and inhibitors.

The reference is weak duality (Geoffrion, Lagrangean relaxation for integer programming, Math. Prog.
Study 2, 1974, DOI 10.1007/BFb0120690): any schedule that keeps the rules costs at least the bound
of any solve of the same problem. Schedules come from a far finer grid with more splits, and from
controllers that know nothing of the optimum; the certificate's checker shares nothing with either.
"""

import dataclasses

import numpy as np
import pytest
from case_counts import cases

from hybridopt import Cycle, Settings, read_cycle, read_driveline
from hybridopt.base.errors import FailedError, InfeasibleError, InputError
from hybridopt.optimum.certificate import check_certificate, make_certificate
from hybridopt.pipeline import find_optimum

SLACK = 1e-9
HEATED = []  # whether thermal limits were in a bound
NAMES = ("full", "mild", "micro", "full_diesel", "mild_crank")
PIECES = ("udds", "artemis_urban", "artemis_rural", "nedc", "wltc_class3b")


def random_cycle(random):
    """A piece of a drive on steps of 1 s, 10 Hz, or odd ones, with hills."""
    whole = read_cycle(PIECES[random.integers(len(PIECES))])
    length = int(random.integers(30, 90))
    begin = int(random.integers(0, whole.time.size - length))
    kind = random.integers(3)
    if kind == 0:
        time = np.arange(0.0, length)
    elif kind == 1:
        time = np.arange(0.0, length / 4.0, 0.1)
    else:
        time = np.concatenate(([0.0], np.cumsum(random.choice([0.3, 0.7, 1.0, 2.0], length // 2))))
    speed = np.interp(time + begin, whole.time, whole.speed)
    grade = random.uniform(0.0, 0.04) * np.sin(time / random.uniform(3.0, 20.0))
    return Cycle("piece", time, speed, grade)


def random_vehicle(random):
    """A demo driveline whose battery's table rises, falls and jumps over state of charge."""
    driveline = read_driveline(NAMES[random.integers(len(NAMES))])
    battery, table = driveline.battery, driveline.battery.table.copy(deep=True)
    for name in ("open_circuit_voltage", "resistance_discharge", "resistance_charge"):
        spread = 0.05 if name == "open_circuit_voltage" else 0.5
        table.loc[{"quantity": name}] *= random.uniform(
            1.0 - spread, 1.0 + spread, table["soc"].size
        )
    size = random.uniform(0.3, 1.5)
    changed = dataclasses.replace(battery, table=table, capacity=size * battery.capacity)
    return dataclasses.replace(driveline, battery=changed)


def weakened(driveline, random):
    """The same with a motor and a launch clutch that soon are too warm."""
    motor = {"continuous_torque": None, "continuous_limit": random.uniform(10.0, 60.0)}
    clutch = {"heat_capacity": 500.0, "max_temperature": random.uniform(92.0, 110.0)}
    return dataclasses.replace(
        driveline,
        motor=dataclasses.replace(driveline.motor, thermal_time=random.uniform(5, 30), **motor),
        clutches=dataclasses.replace(driveline.clutches, **clutch),
    )


def random_settings(random):
    """A window that may bind, every kind of end, and inhibitors."""
    low, high = random.uniform(0.4, 0.55), random.uniform(0.65, 0.8)
    end = ("sustain", "target", "deplete", "free")[random.integers(4)]
    options = {"terminal": end, "soc_min": low, "soc_max": high, "soc_start": 0.6}
    if end == "target":
        options["soc_target"] = random.uniform(0.57, 0.61)
    if random.random() < 0.5:
        options |= {"min_on_time": 2.0, "min_off_time": 1.5, "min_gear_time": 1.0}
    if random.random() < 0.3:
        options["stop_soc_min"] = 0.595
    if random.random() < 0.3:
        options["stop_speed_max"] = 10.0
    if random.random() < 0.3:
        options |= {"skip_shifts": "none", "start_cost": 0.2}
    return options


def attack(seed):
    """Return whether a random problem has schedules; its bounds must lie below all of them."""
    random = np.random.default_rng(seed)
    inputs = random_cycle(random), random_vehicle(random)
    options = random_settings(random)
    if seed % 3 == 0:
        options["thermal_limits"] = True
        inputs = inputs[0], weakened(inputs[1], random)
    found = []
    for points, splits in ((101, 9), (1001, 61)):
        try:
            settings = Settings(**options, soc_points=points, splits=splits)
            found.append(find_optimum(*inputs, settings, keep_value=False))
            HEATED.append(found[-1].bound.guide is not None)
        except (InfeasibleError, InputError):
            continue
    clean = [best.solution.cost for best in found if keeps_the_rules(best)]
    least = min(clean, default=np.inf)
    for best in found:
        assert best.bound.bound <= least + SLACK * (1.0 + abs(least)), seed
        if not keeps_the_rules(best):
            continue
        try:
            proved = check_certificate(make_certificate(best))
        except FailedError as error:
            assert "too steeply" in str(error), seed
            continue
        assert proved.bound <= least + SLACK * (1.0 + abs(least)), seed
        assert proved.slack <= 1e-6 * (1.0 + abs(proved.cost))
    return bool(clean)


def keeps_the_rules(best):
    """Whether a schedule keeps window and end to the last digit."""
    low, high, _, target = best.settings.socs
    soc, held = best.solution.soc, best.settings.has_target
    inside = soc.min() >= low - 1e-12 and soc.max() <= high + 1e-12
    return bool(inside and (not held or soc[-1] >= target - 1e-12))


@pytest.mark.long
def test_no_schedule_lies_below_any_bound():
    count = cases(30)
    assert sum(attack(seed) for seed in range(count)) >= count // 2
    assert any(HEATED)
