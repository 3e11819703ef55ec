"""The kernels that compile longest, each compiled by one of the processes that share the tests.

Otherwise those processes come to the same kernels at about the same time, and each compiles all.
"""

import os

import numpy as np

from hybridopt import Cycle, PowerThresholds, Settings, read_driveline
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.optimum import compile_ahead
from hybridopt.physics.demand import drive_demand

MANY = 1000  # tests that are worth it


def closed_loop():
    driveline = read_driveline("full")
    settings = Settings(soc_points=11).resolved(driveline)
    demand = drive_demand(driveline, Cycle("standstill", np.arange(5.0), np.zeros(5)))
    ClosedLoop(driveline, demand, settings).run(PowerThresholds())


SHARES = {
    "gw0": (closed_loop,),
    "gw1": (compile_ahead.later_stages, compile_ahead.first_stages, compile_ahead.sweep_stage),
}
"""What each of the first two processes compiles."""


def compile_share(tests):
    """Compile the share of this process, where there are others and many tests."""
    for stage in SHARES.get(os.environ.get("PYTEST_XDIST_WORKER"), ()) if tests > MANY else ():
        stage()
