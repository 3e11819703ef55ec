"""The yardstick of drives, and the best decision of a step, against values by hand."""

import math

import numpy as np
import pytest
from makers import OFF, RUNNING, STARTING, constant_battery

from hybridopt.base.percent import percent_above
from hybridopt.controllers.situation import ListedPoints, Situation, _make_memory, make_moves
from hybridopt.evaluation.equal_soc import ChargeWorth, Yardstick
from hybridopt.evaluation.regret_kernels import BestSplits, CostAhead, _best_splits
from hybridopt.physics.battery import pack_battery
from hybridopt.problem.graph import make_events
from hybridopt.problem.grid import Grid
from hybridopt.problem.settings import Settings

CELL = pack_battery(constant_battery())  # 250 V at every SoC, 36,000 C, 0.15 ohm


def test_a_yardstick_brings_costs_to_the_optimums_final_soc():
    """1 % of 36,000 C at 250 V is 90 kJ; at 1e-4 g/J it is worth 9 g."""
    yardstick = Yardstick(
        ChargeWorth(1e-4, 0.5, CELL, lambda soc: 1e-4 * 9e6 * soc), cost=300.0, starts=7
    )
    assert yardstick.equal(306.0, 0.51) == pytest.approx(297.0)
    assert yardstick.cost_above(306.0, 0.49) == pytest.approx(100.0 * (315.0 / 300.0 - 1.0))
    assert yardstick.cost_above(300.0, 0.5) == 0.0


def test_above_is_a_share_of_the_reference_and_finite_where_that_is_nothing():
    assert percent_above(103.0, 100.0) == pytest.approx(3.0)
    assert percent_above(0.0, 0.0) == 0.0 and percent_above(0.0, -1e-12) < 1e-6
    assert 0.0 < percent_above(0.5, 0.0) < math.inf


def test_best_split_weighs_fuel_against_what_charge_is_worth_ahead():
    """Off takes 10 kW in 1 s, worth 500 g per unit of SoC ahead; running burns 0.5 g; shifts 0.1 g.

    The charge is (250 - sqrt(250^2 - 4 x 0.15 x 10^4)) / 0.3 of 36,000 C.
    """
    events = make_events(Settings(start_cost=0.2), np.ones(1))
    moves = make_moves(events, np.broadcast_to(0.1 * (1.0 - np.eye(3)), (1, 3, 3, 3)).copy())
    cost, power = np.full((1, 3, 3, 2), np.inf), np.zeros((1, 3, 3, 2))
    cost[0, :, :, 0] = 0.0, 0.5, 0.5
    power[0, :, OFF, 0] = 10e3
    cost[0, 1, RUNNING, 1], cost[0, 2, STARTING, 1] = 0.45, 0.4
    points = ListedPoints(0, cost, power, cost, np.full((1, 3, 3), 2, dtype=np.int64))
    grid = Grid(0.2, 0.8, 0.01, 61, 0.0, 0.0, 0.5, 0.0)
    states = events.graph.states
    row = np.tile(-500.0 * (0.2 + 0.01 * np.arange(61)), (states, 3, 1))
    best = BestSplits(np.empty((2, 3)), np.empty((2, 3), dtype=np.int64))
    at = Situation(0, 0.5, events.graph.off, 0, 1, _make_memory())
    _best_splits(points, CELL, 1.0, moves, CostAhead(grid, row, False), at, best)
    drawn = (250.0 - math.sqrt(250.0**2 - 4 * 0.15 * 10e3)) / 0.3 / 36_000.0
    value = -500.0 * 0.5
    off = value + 500.0 * drawn
    assert best.value[0] == pytest.approx([off + 0.1, off, off + 0.1], rel=1e-12)
    on = [value + 0.2 + 0.1 + 0.5, value + 0.2 + 0.5, value + 0.2 + 0.1 + 0.4]
    assert best.value[1] == pytest.approx(on, rel=1e-12), "an engine that is off is started"
    assert best.split.tolist() == [[0, 0, 0], [0, 0, 1]]
