"""Solves a few tiny problems on a device, or on the simulator of one; prints what it found.

Run as a process of its own: the simulator is chosen by the environment before anything is imported.
"""

import dataclasses
import json

import numpy as np

from hybridopt import Settings, read_cycle, read_driveline, solve_batch
from hybridopt.evaluation.batch import solve_each
from hybridopt.foresight.hindsight import know_drive, least_costs
from hybridopt.optimum import batch
from hybridopt.optimum.optimum import Optimum

SMALL = {"soc_points": 21, "splits": 4, "soc_start": 0.4005, "soc_min": 0.4, "terminal": "free"}
CASES = ({}, {"shift_cost": 0.2}, {"thermal_limits": True})


def cases():
    """Return three problems: two that share operating points, and one that is refused."""
    driveline, cycle = read_driveline("full"), read_cycle("ece15").cut(12, 15)
    return [(cycle, driveline, Settings(**SMALL, **more)) for more in CASES]


def known_drives():
    """Return a drive whose charge at the end is paid for, bare and with amounts added."""
    cycle, driveline, settings = cases()[0]
    known = know_drive(cycle, driveline, settings.resolved(driveline), 6e-5)
    steps, gears = known.problem.points.steps, known.problem.points.gears
    return known, known.with_added(np.random.default_rng(1).normal(0.0, 0.05, (steps, 2, gears)))


def costs_of_each():
    """Return the costs of a case and of one that is too fast to be driven, which has none."""
    cycle, *others = cases()[0]
    fast = dataclasses.replace(cycle, speed=30.0 * cycle.speed)
    found = solve_each([(cycle, *others), (fast, *others)])
    return [one.solution.cost if isinstance(one, Optimum) else str(one) for one in found]


def main():
    """Print what a device finds for the cases and drives above.

    Of each case cost, bound, value at the start, gears and the reason why there are none.
    """
    found = []
    for item in solve_batch(cases()):
        run, answer = item.answer.run, item.answer
        gears = [] if run is None else run.gear.tolist()
        found.append((item.cost, answer.bound, answer.value_start, gears, answer.reason))
    least = list(least_costs(known_drives()))
    more = {"least": least, "each": costs_of_each()}
    print(json.dumps({"devices": batch.devices(), "found": found} | more))


if __name__ == "__main__":
    main()
