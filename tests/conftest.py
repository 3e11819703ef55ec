"""Puts this folder on the path of the tests below it, and lets random tests take their time."""

import math
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the commands do; before numpy is imported

import pytest
from forked import forked  # noqa: F401, a fixture
from hypothesis import settings
from large_kernels import compile_share
from rule_tables import hand_made

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.cli import compile_note
from hybridopt.dp import cost_to_go
from hybridopt.pipeline import find_optimum

compile_note.SILENT = math.inf  # screens are the same with an empty cache of kernels


class Alone(cost_to_go.Threads):
    """One thread: workers share the processors, and the kernel for many compiles for long."""

    def learn(self, seconds):
        pass


cost_to_go.Threads = Alone

# the same examples in every run, so that a red run can be repeated
settings.register_profile("patient", deadline=None, derandomize=True)
settings.load_profile("patient")


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop(session):
    compile_share(len(session.items))


@pytest.fixture(autouse=True)
def no_given_width(monkeypatch):
    """Tables are as wide as a pipe lets them be, also in a shell or worker that sets a width."""
    monkeypatch.delenv("COLUMNS", raising=False)


@pytest.fixture(scope="session")
def driveline():
    return read_driveline("full")


@pytest.fixture(scope="session")
def optimum(driveline):
    """One small solve for all tests of pictures and reports."""
    return find_optimum(read_cycle("ece15"), driveline, Settings(soc_points=201, splits=9))


@pytest.fixture(scope="session")
def result(optimum):
    return optimum.result()


@pytest.fixture
def rule_set():
    return hand_made()
