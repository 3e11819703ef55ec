"""The limit end to end on a small model of town driving, and its shares."""

import dataclasses

import numpy as np
import pytest

from hybridopt import Equivalence, InputError, Settings, limit_text, read_cycle
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.foresight.limit import (
    BOUND,
    CAUSAL,
    HELD,
    HINDSIGHT,
    SWEPT,
    causal_limit,
    mean_share,
)
from hybridopt.foresight.model import balanced_price, drive_model
from hybridopt.foresight.policy import CausalController
from hybridopt.physics.demand import drive_demand
from hybridopt.text.foresight_limit import limit_record

SETTINGS = Settings(soc_points=101, splits=9)
PRICE = 6.2e-5  # g/J


def town(driveline, settings):
    training = [read_cycle("ece15"), read_cycle("wltc_class3b_low")]
    return drive_model(training, driveline, settings, price=PRICE)


@pytest.fixture(scope="module")
def limit(driveline):
    return causal_limit(town(driveline, SETTINGS), 12, 90, 1, {"equivalence": Equivalence()})


@pytest.mark.long
def test_order_of_costs(limit):
    """On every drive hindsight costs least; in the mean the proved limit lies below all others."""
    costs = limit.costs
    assert set(costs) == {HINDSIGHT, BOUND, SWEPT, HELD, CAUSAL, "equivalence"}
    assert (costs[HELD] >= limit.held - 1e-9).all()
    assert (costs[SWEPT] >= costs[BOUND] - 1e-9).all()
    grid = 0.01 * costs[HINDSIGHT].mean()  # g, what the coarse grid of SoC may be wrong by
    for name in (CAUSAL, "equivalence"):
        assert (costs[name] >= costs[HINDSIGHT] - grid).all()
        share = limit.above(name, BOUND)
        assert share.percent >= -share.error
    assert limit.no_foresight.percent > 0.0
    # the proof takes the battery at its best within a box of SoC, the held price at one SoC
    assert limit.above(HELD, BOUND).percent == pytest.approx(0.0, abs=0.5)
    best = limit.model.optimum
    assert best.high - best.low <= 1e-6 * best.high


@pytest.mark.long
def test_controllers_do_what_they_should(limit):
    done = limit.driven[CAUSAL]
    assert done.lacking == 0 and 0.4 <= done.soc_lowest <= done.soc_end <= done.soc_highest <= 0.8
    assert done.starts < limit.driven["equivalence"].starts
    parts = limit.split("equivalence", CAUSAL)
    whole = limit.above("equivalence").percent
    assert sum(share.percent for share in parts) == pytest.approx(whole, abs=1e-9)


@pytest.mark.long
def test_policy_in_closed_loop_costs_what_the_model_says(limit):
    """The same decisions through the physics of the closed loop, SoC moving: within 1 %."""
    share = limit.above(CAUSAL, HELD)
    assert abs(share.percent) < 1.0


@pytest.mark.long
def test_text_names_the_model_and_its_limits(limit):
    text = limit_text(limit, [("equivalence", CAUSAL)])
    assert "which no controller can win back" in " ".join(text.split())
    assert "speed and acceleration" in text and "Real driving may tell more" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    record = limit_record(limit)
    assert record["proved"]["percent"] == limit.proved.percent
    assert set(record["controllers"]) == {CAUSAL, "equivalence"}


def test_share_of_means_by_hand():
    """Excess 1, 3 over 10, 30: 10 % exactly; over 20, 20: 10 % with spread 1.414 of 20."""
    even = mean_share(np.array([1.0, 3.0]), np.array([10.0, 30.0]))
    assert (even.percent, even.error) == pytest.approx((10.0, 0.0), abs=1e-9)
    odd = mean_share(np.array([1.0, 3.0]), np.array([20.0, 20.0]))
    assert odd.percent == pytest.approx(10.0)
    assert odd.error == pytest.approx(100.0 * 1.96 * np.sqrt(2.0) / np.sqrt(2.0) / 20.0)


def test_interval_holds_the_truth_in_19_of_20_cases():
    """Ratios of 2,000 samples of 60 drives whose true ratio is 3 %."""
    random, inside = np.random.default_rng(4), 0
    for _ in range(2000):
        base = random.lognormal(0.0, 0.5, 60)
        share = mean_share(0.03 * base + random.normal(0.0, 0.01, 60), base)
        inside += abs(share.percent - 3.0) <= share.error
    assert 0.92 <= inside / 2000 <= 0.97


@pytest.mark.long
@pytest.mark.parametrize(
    "options",
    [{"skip_shifts": "none"}, {"stop_speed_max": 15.0}, {"min_on_time": 3.0, "start_cost": 0.2}],
)
def test_inhibitors_count_in_the_limit(driveline, options):
    """The proved limit obeys them, the value at the held price but minimum times: they are near."""
    settings = Settings(soc_points=101, splits=9, **options)
    found = causal_limit(town(driveline, settings), drives=6, length=90)
    assert 0.0 < found.proved.percent < found.above(CAUSAL).percent
    assert found.above(HELD, BOUND).percent == pytest.approx(0.0, abs=0.5)


@pytest.mark.long
def test_at_the_balanced_price_the_least_mean_cost_is_highest(driveline):
    settings = SETTINGS.resolved(driveline)
    training = [read_cycle("ece15")]
    best = drive_model(training, driveline, settings).optimum
    price, chain = best.priced.price, best.chain
    for share in (0.9, 1.1):
        other = drive_model(training, driveline, settings, price=share * price).optimum
        assert other.gain < best.gain + 1e-5 * best.gain
    again, _ = balanced_price(chain, driveline, settings, 1.2 * price)
    assert again == pytest.approx(price, rel=0.03)


@pytest.mark.long
@pytest.mark.parametrize("options", [{"drives": 1}, {"length": 5}])
def test_too_little_is_refused(limit, options):
    with pytest.raises(InputError, match="are too few or too short"):
        causal_limit(limit.model, **options)


@pytest.mark.long
def test_controller_refuses_what_its_model_does_not_know(limit, driveline):
    loop = ClosedLoop(
        driveline, drive_demand(driveline, read_cycle("eudc")), SETTINGS.resolved(driveline)
    )
    with pytest.raises(InputError, match="the model knows no step at .* m/s"):
        loop.run(CausalController(limit.model.optimum, driveline, SETTINGS.resolved(driveline)))
    chain = dataclasses.replace(
        limit.model.optimum.chain, memory=limit.model.optimum.chain.memory + 1
    )
    with pytest.raises(InputError, match="without a memory"):
        optimum = dataclasses.replace(limit.model.optimum, chain=chain)
        CausalController(optimum, driveline, SETTINGS.resolved(driveline))
