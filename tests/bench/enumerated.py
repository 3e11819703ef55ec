"""How far the bound lies below every schedule of small random instances, found by enumeration.

Run as `PYTHONPATH=tests:tests/dp:tests/optimum python tests/bench/enumerated.py [COUNT]`; it
prints how many instances were compared, what was in them, and the least margin, as a share of
1 + optimum, of the bound and of three limits that the checker of certificates proves.
Every instance draws its end (target, sustained, depleting, free), window, inhibitors (least times,
reversals, forbidden starts and stops, starts of several steps), the SoC below which stops are
forbidden, and up to two budgets of heat; see `check_against_enumeration` in tests/dp.
"""

import collections
import dataclasses
import sys

import numpy as np
import oracle
from hypothesis import HealthCheck, assume, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from test_brute_force import LOSSY_PENALTY, instances, solve_lossy
from test_budgets import ROUNDING, as_budgets, random_budgets
from test_certificate import limits

from hybridopt.dp.bound import lower_bound
from hybridopt.dp.heat import Heat

NAMES = "min_on_time", "min_off_time", "min_gear_time", "min_reversal_time", "stop_soc_min"


class Found:
    """Margins of what was compared, as shares of 1 + optimum, and how often what was in it."""

    def __init__(self) -> None:
        self.margins: list[float] = []
        self.kinds: collections.Counter[str] = collections.Counter()

    def compare(self, instance: tuple, seed: int) -> None:
        """Compare one instance; one without schedules is passed over."""
        random = np.random.default_rng(seed)
        dt, cost, moves, shift, options, below, aim, events = instance
        if random.random() < 0.25:  # down to the window's bottom
            options, aim = options | {"terminal": "deplete", "two_sided": False}, -1000
        options = options | {"stop_soc_min": random.choice([0.0, 0.32, 0.36])}
        instance = dt, cost, moves, shift, options, below, aim, events
        points, battery, settings, shift, events, solution = solve_lossy(instance, 201, 0.3)
        budgets = random_budgets(seed, points.cost.shape) if random.random() < 0.7 else []
        wanted = {"meeting_target": True, "budgets": budgets}
        best = oracle.brute_force(
            points, battery, settings, LOSSY_PENALTY, shift, **wanted, **events
        ).cost
        assume(np.isfinite(best))
        run = dataclasses.replace(solution.run, cost=best + 1.0)  # so that it hides no bound
        heat = Heat.of(as_budgets(budgets), points)
        found = lower_bound(solution.problem, run, solution.costate, heat=heat)
        proved = [found.bound, *(limit for limit, _ in limits(found, heat, random))]
        assert max(proved) <= best + ROUNDING * (1.0 + abs(best)), (proved, best)
        self.margins.append((best - max(proved)) / (1.0 + abs(best)))
        self.kinds[f"terminal {options['terminal']}"] += 1
        self.kinds["forbidden starts"] += not np.isfinite(events["start_costs"]).all()
        self.kinds["forbidden stops"] += not np.isfinite(events["stop_costs"]).all()
        self.kinds["starts of several steps"] += bool((events["start_steps"] > 1).any())
        self.kinds["thermal limits"] += bool(budgets)
        for name in NAMES:
            self.kinds[name] += bool(options[name])

    def show(self) -> None:
        """Print how many were compared, and by how much the bound lay below the optimum."""
        least, middle = min(self.margins), np.median(self.margins)
        print(f"{len(self.margins)} compared: margin {least:.2e} at least, {middle:.2e} as a rule")
        kinds = (f"{name} {number}" for name, number in sorted(self.kinds.items()))
        print("  " + ", ".join(kinds), flush=True)


def main(count: int = 10_000) -> None:
    """Compare so many instances and print what was found."""
    found, checks = Found(), list(HealthCheck)

    @examples(max_examples=500, deadline=None, database=None, suppress_health_check=checks)
    @given(instances(), st.integers(0, 2**32 - 1))
    def compare(instance: tuple, seed: int) -> None:
        found.compare(instance, seed)

    while len(found.margins) < count:
        compare()
        found.show()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
