"""The kernels that compile longest, each compiled by one of the processes that share the tests.

Otherwise those processes come to the same kernels at about the same time, and each compiles all.
"""

import os

import numpy as np
from makers import plain_driveline
from preview_tables import hand_made_preview

from hybridopt import Cycle, PowerThresholds, Settings
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.optimum import compile_ahead
from hybridopt.physics.demand import drive_demand

MANY = 1000  # tests that are worth it


def closed_loops():
    driveline = plain_driveline()
    settings = Settings(soc_points=11).resolved(driveline)
    demand = drive_demand(driveline, Cycle("standstill", np.arange(5.0), np.zeros(5)))
    loop = ClosedLoop(driveline, demand, settings)
    loop.run(PowerThresholds())
    loop.run(hand_made_preview().preview)


SHARES = {
    "gw0": (closed_loops,),
    "gw1": (compile_ahead.later_stages, compile_ahead.first_stages, compile_ahead.sweep_stage),
}
"""What each of the first two processes compiles."""


def compile_share(tests):
    """Compile the share of this process, where there are others and many tests."""
    for stage in SHARES.get(os.environ.get("PYTEST_XDIST_WORKER"), ()) if tests > MANY else ():
        stage()
