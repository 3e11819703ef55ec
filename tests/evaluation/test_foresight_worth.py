"""What foresight is worth in closed loop: rows, means, training, and what cannot be driven."""

import dataclasses
import math

import numpy as np
import pytest

from hybridopt import Cycle, InputError, Settings, read_cycle
from hybridopt.evaluation.foresight_worth import PRICE_HELD, foresight_worth
from hybridopt.foresight.predictions import PREDICTIONS

COARSE = Settings(soc_points=101, splits=9)
HORIZONS = (20, 0, 3, 3)


@pytest.fixture(scope="module")
def cycles():
    return [read_cycle("ece15"), read_cycle("eudc")]


@pytest.fixture(scope="module")
def worth(driveline, cycles):
    shares = []
    found = foresight_worth(
        cycles,
        driveline,
        COARSE,
        HORIZONS,
        tuple(PREDICTIONS),
        train=cycles,
        progress=shares.append,
    )
    assert shares == sorted(shares) and shares[-1] == pytest.approx(1.0)
    return found


@pytest.mark.long
def test_a_row_for_each_preview_cycle_and_horizon(worth):
    assert worth.horizons == [0.0, 3.0, 20.0] and not worth.failures
    assert worth.previews == ["exact", PRICE_HELD, *list(PREDICTIONS)[1:]]
    assert len(worth.rows) == 8 * 2 * 3
    assert all(row.seen for row in worth.rows)
    assert worth.training == ["ece15", "eudc"]


def test_seeing_nothing_is_the_same_by_any_preview_and_seeing_much_costs_less(worth):
    for cycle in ("ece15", "eudc"):
        first = {worth.losses(kind)[cycle][0] for kind in PREDICTIONS}
        assert len(first) == 1
        exact = worth.losses("exact")[cycle]
        assert exact[-1] < exact[0]
    assert worth.mean("exact")[-1] < worth.mean("steady")[-1]


def test_gap_loss_and_counts_belong_together(worth):
    """No drive beats the bound; the optimum lies between, so its loss is less than the gap."""
    for row in worth.rows:
        if row.preview == PRICE_HELD:
            assert math.isnan(row.gap_percent) and row.cost_above_optimum_percent >= -1e-9
            continue
        assert row.gap_percent >= max(row.cost_above_optimum_percent, -1e-6)
        assert 0.0 < row.soc_end < 1.0 and row.starts >= 0 and row.optimum_starts > 0


def test_the_mean_is_of_the_cycles_that_have_all_horizons(worth):
    both = worth.mean("exact")
    assert both == pytest.approx(np.mean(list(worth.losses("exact").values()), axis=0))
    rows = [r for r in worth.rows if (r.cycle, r.horizon) != ("eudc", 3.0)]
    less = dataclasses.replace(worth, rows=rows)
    assert less.mean("exact") == worth.losses("exact")["ece15"]
    assert math.isnan(less.losses("exact")["eudc"][1])


@pytest.mark.long
def test_a_cycle_left_out_is_unseen(driveline, cycles):
    found = foresight_worth(cycles, driveline, COARSE, [0], train=cycles, leave_out=True)
    assert found.left_out and not any(row.seen for row in found.rows)
    seen = foresight_worth(cycles, driveline, COARSE, [0], train=cycles)
    assert all(row.seen for row in seen.rows)
    assert found.losses("exact") != seen.losses("exact")


@pytest.mark.long
def test_to_know_the_end_changes_the_drive_and_is_said(driveline, cycles):
    ends = []
    for destination in (False, True):
        found = foresight_worth(
            cycles[1:], driveline, COARSE, [3], train=cycles[1:], destination=destination
        )
        assert found.destination == destination
        ends.append(found.rows[0].soc_end)
    assert ends[0] != ends[1]


@pytest.mark.long
def test_a_cycle_that_cannot_be_driven_takes_no_other_with_it(driveline, cycles):
    fast = Cycle("fast", np.arange(30.0), np.linspace(0.0, 90.0, 30))
    found = foresight_worth([*cycles, fast], driveline, COARSE, [0, 1], train=cycles[:1])
    assert {row.cycle for row in found.rows} == {"ece15", "eudc"}
    assert {row.cycle for row in found.rows if row.seen} == {"ece15"}
    (failure,) = found.failures
    assert failure.cycle == "fast" and "cannot be driven" in failure.reason


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"horizons": [1.5]}, "horizon is 1.5 s; allowed are whole seconds from 0 to 600"),
        ({"horizons": [601]}, "horizon is 601 s"),
        ({"horizons": [float("nan")]}, "horizon is nan s"),
        ({"horizons": []}, "give one or more"),
        ({"previews": ["radar"]}, "preview is 'radar'; allowed is exact, wrong, limits"),
    ],
)
def test_what_is_not_allowed_is_said_before_anything_is_solved(driveline, cycles, given, words):
    with pytest.raises(InputError, match=words):
        foresight_worth(cycles, driveline, COARSE, **given)


def test_with_nothing_left_to_train_on_the_reason_is_said(driveline, cycles):
    found = foresight_worth(cycles[:1], driveline, COARSE, [0], train=cycles[:1], leave_out=True)
    (failure,) = found.failures
    assert not found.rows and "no other training cycle is left" in failure.reason
