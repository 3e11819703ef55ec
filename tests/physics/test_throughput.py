"""The price of battery throughput: in the cost of points, solve and closed loop, not the fuel."""

import numpy as np
import pytest
from cases import PLAIN, bumpy, closed_loop
from makers import varied

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.units import G_PER_KWH
from hybridopt.controllers.builtin import Equivalence, Playback
from hybridopt.physics.operating_points import list_operating_points

PRICE = 40.0 * G_PER_KWH  # g/J; some fifth of what stored energy is worth in fuel


def priced(driveline, price=PRICE):
    return varied(driveline, battery={"throughput_cost": price})


def test_cost_of_a_point_is_fuel_and_price_times_energy():
    """By hand: |P| dt times the price on top of the same point's fuel."""
    free, dear = (list_operating_points(car, bumpy(), 15) for car in (PLAIN, priced(PLAIN)))
    here, there = np.isfinite(free.cost), np.isfinite(dear.cost)
    pairs = zip(here.reshape(-1, here.shape[-1]), there.reshape(-1, there.shape[-1]), strict=True)
    for i, (a, b) in enumerate(pairs):
        t = i // (free.gears * 3)
        flat = [
            np.reshape(x, (-1, here.shape[-1]))[i]
            for x in (free.cost, free.power, dear.cost, dear.power)
        ]
        fuel, power, cost, watts = flat[0][a], flat[1][a], flat[2][b], flat[3][b]
        if power.size < 3 or np.ptp(power[1:]) == 0.0:
            continue
        order = np.argsort(power[1:])
        paid = PRICE * np.abs(watts[1:]) * free.dt[t]
        known = np.interp(watts[1:], power[1:][order], fuel[1:][order])
        np.testing.assert_allclose(cost[1:] - paid, known, rtol=0, atol=1e-9)


def test_power_zero_is_listed_where_it_is_inside():
    """The kink of |P| must be a split, so that cost stays linear between neighbours."""
    points = list_operating_points(priced(PLAIN), bumpy(), 9)
    power = np.where(np.isfinite(points.cost), points.power, np.nan)[..., 1:]
    a, b = power[..., :-1], power[..., 1:]
    assert not ((a < -1e-6) & (b > 1e-6)).any() and not ((a > 1e-6) & (b < -1e-6)).any()


@pytest.mark.parametrize("rule", [Equivalence(), Equivalence(gears="lines")])
def test_closed_loop_pays_what_replay_says(rule):
    loop = closed_loop(bumpy(), priced(PLAIN), splits=15, shift_cost=0.1)
    drive = loop.run(rule)
    trace = loop.replay(drive)
    paid = PRICE * float(np.abs(trace.battery_power) @ trace.dt)
    shifts = 0.1 * np.count_nonzero(np.diff(trace.gear.values, prepend=1))
    assert float(trace.fuel_rate @ trace.dt) + shifts + paid == pytest.approx(drive.cost, rel=1e-9)
    assert loop.run(Playback(schedule=drive.schedule)).cost == pytest.approx(drive.cost, rel=1e-9)


@pytest.mark.long
def test_a_price_buys_less_throughput_for_more_fuel():
    """Optimality: each is best at its own price; the bound holds for the priced problem."""
    full, cycle = read_driveline("full"), read_cycle("wltc_class3b_low")
    settings = Settings(soc_points=501)
    free, dear = (solve_cycle(cycle, car, settings).dataset.attrs for car in (full, priced(full)))
    assert dear["battery_throughput_kWh"] < free["battery_throughput_kWh"]
    assert dear["fuel_g"] > free["fuel_g"]
    kwh = free["battery_throughput_kWh"]
    assert dear["cost_g"] <= (free["cost_g"] + 40.0 * kwh) * 1.001  # the grid's own error
    assert dear["bound_g"] <= dear["cost_g"] and dear["gap_percent"] < 1.0
    assert free["throughput_cost_g"] == 0.0
