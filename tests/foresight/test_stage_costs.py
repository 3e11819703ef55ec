"""What steps cost at many prices at once: the same as at each, the battery asked once."""

import numpy as np

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.foresight import stage_costs as module
from hybridopt.foresight.stage_costs import priced_points, stage_costs
from hybridopt.pipeline import find_optimum


def test_many_prices_are_each_by_itself_and_ask_the_battery_once(monkeypatch):
    known = find_optimum(read_cycle("ece15"), read_driveline("full"), Settings(soc_points=201))
    problem, factors = known.solution.problem, np.array([4e-5, 6e-5, 9e-5])
    asked, plain = [], module.store_power
    monkeypatch.setattr(module, "store_power", lambda *given: asked.append(1) or plain(*given))
    together = stage_costs(problem.points, problem.cell, problem.soc, factors)
    parts = len(asked)
    alone = [stage_costs(problem.points, problem.cell, problem.soc, f[None]) for f in factors]
    assert len(asked) == parts * (1 + factors.size)
    np.testing.assert_array_equal(together, np.concatenate(alone, axis=1))
    points = problem.points.part(0, 50)
    least = priced_points(points, problem.cell, problem.soc, factors[1]).min(axis=3)
    np.testing.assert_array_equal(together[:50, 1], least)
