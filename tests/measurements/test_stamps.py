"""Order of time stamps: strays, resets, jitter, reversed and repeated stamps, worked by hand."""

import numpy as np
import pytest

from hybridopt.base.errors import InputError
from hybridopt.measurements import stamps as module
from hybridopt.measurements.log import Journal, Samples
from hybridopt.measurements.stamps import order_stamps


def ordered(time, values=None, jitter=2.0):
    journal = Journal()
    values = time if values is None else values
    pieces = order_stamps(Samples(np.array(time, float), np.array(values, float)), jitter, journal)
    table = [(piece.time.tolist(), piece.values.tolist()) for piece in pieces]
    return table, {one.name: one.count for one in journal}


@pytest.mark.parametrize(
    ("time", "pieces", "done"),
    [
        ([0, 1, 2], [[0, 1, 2]], {}),
        ([5], [[5]], {}),
        ([2, 1, 0], [[0, 1, 2]], {"reversed": 1}),
        ([0, 2, 1, 3], [[0, 1, 2, 3]], {"sorted": 1}),
        ([0, 1, 99, 2, 3], [[0, 1, 2, 3]], {"stray_stamps": 1}),
        ([10, 11, 0, 12, 13], [[10, 11, 12, 13]], {"stray_stamps": 1}),
        ([0, 1, 99, 98, 2, 3], [[0, 1, 98, 99], [2, 3]], {"sorted": 1, "clock_resets": 1}),
        ([7, 8, 9, 0, 1, 2], [[7, 8, 9], [0, 1, 2]], {"clock_resets": 1}),
    ],
)
def test_order(time, pieces, done):
    table, told = ordered(time)
    assert [piece for piece, _ in table] == pieces and told == done
    assert all(values == piece for piece, values in table)


def test_repeated_stamps_are_averaged_without_blanks():
    nan = np.nan
    ((time, values),), done = ordered([0, 0, 0.1, 0.1, 0.2, 0.2], [1, 3, nan, 5, nan, nan])
    assert time == [0, 0.1, 0.2] and values[:2] == [2, 5] and np.isnan(values[2])
    assert done == {"merged": 3}


@pytest.mark.parametrize(
    ("time", "spread"),
    [
        ([0, 0, 2, 2, 4, 4], [0, 1, 2, 3, 4, 5]),
        ([0, 0, 2, 2, 2, 2, 4, 4, 6, 6], [0, 1, 2, 2.5, 3, 3.5, 4, 5, 6, 7]),
        ([1, 2, 2, 2, 2, 3, 3, 3, 3, 4], [1.75, 2, 2.25, 2.5, 2.75, 3, 3.25, 3.5, 3.75, 4]),
        ([0, 0, 2, 2, 60, 60, 62, 62], [0, 1, 2, 3.5, 60, 61, 62, 63]),
        ([5, 5, 5, 5], [5]),  # no tick: no interval to spread over
    ],
)
def test_stamps_of_a_coarse_clock_are_spread(time, spread):
    """By hand: rows lie evenly up to the next tick, before a gap 1.5 usual distances apart."""
    ((made, _),), done = ordered(time)
    assert made == pytest.approx(spread)
    assert done == ({"spread": len(time) - len(set(time))} if len(spread) > 1 else {"merged": 3})


def test_stamps_that_creep_are_kept_apart():
    """Each 0.4 us behind the last: 26 stamps span 10 us, and at most every other one is kept."""
    ((time, _),), done = ordered(np.arange(26) * 0.4e-6)
    assert len(time) + done["merged"] == 26
    assert np.diff(time).min(initial=1.0) >= 1e-6


def test_too_many_resets(monkeypatch):
    monkeypatch.setattr(module, "MAX_PIECES", 3)
    with pytest.raises(InputError, match="jumps back more than 3 times by more than 2 s"):
        ordered([0, 10, 0, 10, 0, 10, 0, 10, 0, 10])
