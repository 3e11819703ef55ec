"""One small solve for all tests of pictures and reports."""

import pytest

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.pipeline import solve_benchmark


@pytest.fixture(scope="session")
def driveline():
    return read_driveline("full")


@pytest.fixture(scope="session")
def benchmark(driveline):
    return solve_benchmark(read_cycle("ece15"), driveline, Settings(soc_points=201, splits=9))


@pytest.fixture(scope="session")
def result(benchmark):
    return benchmark.result()
