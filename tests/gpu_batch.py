"""Solves a few tiny problems on a device, or on the simulator of one; prints what it found.

Run as a process of its own: the simulator is chosen by the environment before anything is imported.
"""

import json

from hybridopt import Settings, read_cycle, read_driveline, solve_batch
from hybridopt.optimum import batch

SMALL = {"soc_points": 21, "splits": 4, "soc_start": 0.4005, "soc_min": 0.4, "terminal": "free"}
CASES = ({}, {"shift_cost": 0.2}, {"thermal_limits": True})


def cases():
    """Return three problems: two that share operating points, and one that is refused."""
    driveline, cycle = read_driveline("full"), read_cycle("ece15").cut(12, 15)
    return [(cycle, driveline, Settings(**SMALL, **more)) for more in CASES]


def main():
    """Print number of devices, and cost, bound, value at the start, gears and reason of each."""
    found = []
    for item in solve_batch(cases()):
        run, answer = item.answer.run, item.answer
        gears = [] if run is None else run.gear.tolist()
        found.append((item.cost, answer.bound, answer.value_start, gears, answer.reason))
    print(json.dumps({"devices": batch.devices(), "found": found}))


if __name__ == "__main__":
    main()
