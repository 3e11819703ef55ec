"""Prices of starts and shifts: dearer events get fewer, and no schedule lies below the limit."""

import numpy as np
import pytest

from hybridopt import InputError, Settings, read_cycle, read_driveline
from hybridopt.evaluation.trade_off import TradeOff, TradePoint, trade_off

SETTINGS = Settings(soc_points=201, splits=9)


@pytest.fixture(scope="module", params=["starts", "shifts"])
def trade(request):
    prices = (0.0, 0.3, 3.0)
    return trade_off(read_cycle("ece15"), read_driveline("full"), SETTINGS, request.param, prices)


def test_dearer_events_are_fewer_and_cost_fuel(trade):
    """Exchange argument: with optimal costs f + p n, n falls and f rises with p, within the gap."""
    for cheap, dear in zip(trade.points, trade.points[1:], strict=False):
        gaps = sum(p.cost_g + p.price * p.events - p.bound_g for p in (cheap, dear))
        slack = gaps / (dear.price - cheap.price)
        assert dear.events <= cheap.events + slack
        assert dear.cost_g >= cheap.cost_g - gaps
    assert trade.points[-1].events < trade.points[0].events


def test_every_schedule_lies_above_the_proved_limit(trade):
    counts = np.array([float(point.events) for point in trade.points])
    costs = np.array([point.cost_g for point in trade.points])
    assert (trade.least_cost(counts) <= costs + 1e-9).all()


def test_limit_is_the_highest_line():
    points = (TradePoint(0.0, 8, 101.0, 100.0), TradePoint(2.0, 2, 104.0, 107.0))
    limit = TradeOff("starts", points).least_cost(np.array([0.0, 3.0, 5.0]))
    assert limit.tolist() == [107.0, 101.0, 100.0]


def test_unknown_event():
    with pytest.raises(InputError, match="starts or shifts"):
        trade_off(read_cycle("ece15"), read_driveline("full"), SETTINGS, "stops")
