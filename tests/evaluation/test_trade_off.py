"""Prices of starts, shifts and emissions: dearer is less, and no schedule is below the limit."""

import numpy as np
import pytest

from hybridopt import InputError, Settings, read_cycle, read_driveline
from hybridopt.evaluation.trade_off import TradeOff, TradePoint, trade_off

SETTINGS = Settings(soc_points=201, splits=9)


@pytest.fixture(scope="module", params=["starts", "shifts", "nox"])
def trade(request):
    prices = (0.0, 6.0, 60.0) if request.param == "nox" else (0.0, 0.3, 3.0)
    return trade_off(read_cycle("ece15"), read_driveline("clean"), SETTINGS, request.param, prices)


@pytest.mark.long
def test_dearer_amounts_are_smaller_and_cost_fuel(trade):
    """Exchange argument: with optimal costs f + p n, n falls and f rises with p, within the gap."""
    for cheap, dear in zip(trade.points, trade.points[1:], strict=False):
        gaps = sum(p.cost_g + p.price * p.amount - p.bound_g for p in (cheap, dear))
        slack = gaps / (dear.price - cheap.price)
        assert dear.amount <= cheap.amount + slack
        assert dear.cost_g >= cheap.cost_g - gaps
    assert trade.points[-1].amount < trade.points[0].amount


def test_every_schedule_lies_above_the_proved_limit(trade):
    counts = np.array([float(point.amount) for point in trade.points])
    costs = np.array([point.cost_g for point in trade.points])
    assert (trade.least_cost(counts) <= costs + 1e-9).all()


def test_limit_is_the_highest_line():
    points = (TradePoint(0.0, 8, 101.0, 100.0), TradePoint(2.0, 2, 104.0, 107.0))
    limit = TradeOff("starts", points).least_cost(np.array([0.0, 3.0, 5.0]))
    assert limit.tolist() == [107.0, 101.0, 100.0]


@pytest.mark.long
def test_prices_of_emissions_follow_their_scale():
    """The first price is 0, the others are shares of the free cost per gram."""
    trade = trade_off(read_cycle("ece15"), read_driveline("clean"), SETTINGS, "hc")
    free, last = trade.points[0], trade.points[-1]
    assert free.price == 0.0 and len(trade.points) == 8
    assert last.price == pytest.approx(1.6 * free.cost_g / free.amount, rel=0.05)


def test_unknown_event():
    with pytest.raises(InputError, match="starts or shifts"):
        trade_off(read_cycle("ece15"), read_driveline("full"), SETTINGS, "stops")
