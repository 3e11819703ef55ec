"""Shifts that take time, in a whole solve: sweep, replay, closed loop, bound and certificate."""

import itertools

import numpy as np
import pytest

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.controllers.builtin import Playback
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.optimum.certificate import check_certificate, make_certificate
from hybridopt.physics.energy_balance import energy_residual
from hybridopt.pipeline import find_optimum

TYPES = ("power_up", "power_down", "regeneration")


def optimum(time, share=0.0):
    """Solve three minutes in town with shifts of a time, s, that carry a share of the torque."""
    changes = {f"shifts.{name}_time_s": time for name in TYPES}
    changes |= {f"shifts.{name}_share": share for name in TYPES}
    cycle, car = read_cycle("artemis_urban").cut(0.0, 180.0), read_driveline("mild", changes)
    return find_optimum(cycle, car, Settings(soc_points=501, splits=21), keep_value=False)


@pytest.fixture(scope="module")
def optima():
    return [optimum(0.0), optimum(0.3), optimum(0.6), optimum(0.3, share=0.9)]


@pytest.mark.long
def test_the_longer_shifts_take_the_fewer_there_are_and_the_more_fuel_goes(optima):
    """Every charge rises with the time, so no schedule gets cheaper: closed form of the charges."""
    for less, more in itertools.pairwise(optima[:3]):
        assert more.solution.cost > 1.005 * less.solution.cost
        assert np.count_nonzero(np.diff(more.trace.gear)) < np.count_nonzero(
            np.diff(less.trace.gear)
        )
    assert optima[0].solution.cost < optima[3].solution.cost, "elements that carry torque rub"


@pytest.mark.long
def test_sweep_replay_closed_loop_and_proof_agree(optima):
    for best in optima[1:]:
        cost, trace = best.solution.cost, best.trace
        starts = best.settings.start_cost * best.result().starts
        shifts = best.settings.shift_cost * best.result().shifts
        fuel = float((trace.fuel_rate * trace.dt).sum())
        assert fuel + starts + shifts == pytest.approx(cost, rel=1e-9)
        assert energy_residual(trace) < 1e-9 and trace.shift_power.values.max() > 1e3
        driven = ClosedLoop(best.driveline, best.demand, best.settings).run(
            Playback(schedule=best.solution.schedule)
        )
        assert driven.cost == pytest.approx(cost, rel=1e-9) and not driven.clipped.any()
        assert (1.0 - 1e-3) * cost < best.bound.bound <= cost
        proved = check_certificate(make_certificate(best))
        assert proved.cost == pytest.approx(cost, rel=1e-9)
        assert (1.0 - 3e-3) * cost < proved.bound <= cost
