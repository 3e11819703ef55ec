"""The same on a device, where there is one: variants of the demo vehicle against the CPU."""

import numpy as np
import pytest

from hybridopt import Settings, find_optimum, read_cycle, read_driveline, solve_batch
from hybridopt.optimum import batch

if not batch.devices():
    pytest.skip("there is no device with a driver and numba-cuda", allow_module_level=True)

LENGTHS = (200, 320)  # steps


@pytest.mark.filterwarnings("ignore::Warning")  # of numba-cuda, on small grids
def test_a_device_finds_what_the_cpu_finds():
    driveline, random = read_driveline("full"), np.random.default_rng(5)
    cycles = [read_cycle("wltc_class3b").cut(0, length) for length in LENGTHS]
    cases = [
        (
            cycles[i % 2],
            driveline,
            Settings(start_cost=float(random.uniform(0.0, 1.0)), soc_points=301 + 100 * (i % 3)),
        )
        for i in range(6)
    ]
    for item, case in zip(solve_batch(cases), cases, strict=True):
        assert item.answer.run is not None, item.answer.reason
        best = find_optimum(*case, bound=True, keep_value=False)
        assert item.cost == pytest.approx(best.solution.cost, rel=1e-6)
        assert item.answer.bound <= best.solution.cost
        assert item.optimum().solution.cost == pytest.approx(item.cost, rel=1e-12)
