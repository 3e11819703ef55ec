"""Micro-trips: cutting, figures in closed form, and the choice of those that stand for all."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hybridopt import Cycle, InputError, read_cycle
from hybridopt.measurements import trips as module
from hybridopt.measurements.trips import _medoids, choose_trips, cut_trips, describe


def ramps(*tops, gain=1.0, rest=10):
    """Return a drive of triangles up to each speed, rests between; points every second."""
    speed = [np.zeros(rest)]
    for top in tops:
        up = np.arange(0.0, top + 1e-9, gain)
        speed += [up, up[::-1][1:], np.zeros(rest)]
    speed = np.concatenate(speed)
    return Cycle("ramps", np.arange(speed.size, dtype=float), speed)


def test_triangle_in_closed_form():
    """Up at 1 m/s2 to V and down: RPA = (V^2 / 2) / V^2, nearly; v a runs from 1 to V."""
    trip = describe(ramps(20))
    assert trip.distance == pytest.approx(400)
    # central differences: a = 1 at v = 1 ... 19, a half at 0 and none at the top
    assert trip.rpa == pytest.approx(sum(range(1, 20)) / 400)
    assert trip.v_a_95 == pytest.approx(np.percentile(np.arange(0.0, 20.0), 95), abs=0.5)
    assert (trip.max_gain, trip.max_loss) == (1.0, 1.0)
    assert trip.mean_speed == pytest.approx(400 / trip.duration)
    assert trip.stops_per_km == pytest.approx(1 / 0.4)


def test_steady_drive_accelerates_never():
    trip = describe(Cycle("steady", np.arange(100.0), np.full(100, 20.0)))
    assert trip.rpa == 0.0 and math.isnan(trip.v_a_95) and trip.stops_per_km == 0.0
    assert not trip.whole and trip.rest_share == 0.0


def test_a_rest_has_no_ratios():
    trip = describe(Cycle("rest", np.arange(10.0), np.zeros(10)))
    assert math.isnan(trip.rpa) and math.isnan(trip.stops_per_km)
    assert trip.rest_share == 1.0


def test_figures_do_not_depend_on_the_raster():
    """On a raster of 1 s whatever the cycle's own."""
    cycle = read_cycle("udds")
    fine = np.arange(0, cycle.time[-1] + 0.05, 0.1)
    other = Cycle("fine", fine, np.interp(fine, cycle.time, cycle.speed))
    one, two = describe(cycle), describe(other)
    for name in ("rpa", "v_a_95", "max_gain", "distance", "mean_speed"):
        assert getattr(one, name) == pytest.approx(getattr(two, name), rel=1e-6)


def test_shipped_schedules_lie_within_the_limits_of_real_driving():
    """Regulation (EU) 2016/646, quoted in Sci. Rep. 11, 2021, table 4, DOI
    10.1038/s41598-021-87008-1: RPA at least 0.1755 - 0.0016 v up to 94 km/h, 0.025 above; v a at
    most 0.136 v + 14.44 up to 74.6 km/h, v in km/h, for the mean speed of the moving part. The WLTC
    was made from real drives; the NEDC was not.
    """
    wltc = describe(read_cycle("wltc_class3b"))
    speed = wltc.mean_speed * 3.6 / (1 - wltc.rest_share)
    assert wltc.rpa > 0.1755 - 0.0016 * speed
    assert wltc.v_a_95 < 0.136 * speed + 14.44


def test_cut_at_stops():
    trips = cut_trips(ramps(5, 10, 15))
    assert [trip.distance for trip in trips] == pytest.approx([25, 100, 225])
    assert [trip.max_speed for trip in trips] == [5, 10, 15]
    assert [trip.start for trip in trips] == [0, 20, 51]
    assert all(trip.whole for trip in trips)


@pytest.mark.parametrize("name", ["wltc_class3b", "udds", "hwfet", "nedc"])
def test_pieces_make_the_whole(name):
    whole = read_cycle(name)
    trips = cut_trips(whole)
    assert sum(trip.distance for trip in trips) == pytest.approx(whole.distance)
    assert sum(trip.duration for trip in trips) == pytest.approx(whole.duration)
    for one, two in itertools.pairwise(trips):
        assert two.start == pytest.approx(one.start + one.duration)


def test_wltc_has_its_eight_trips():
    """Regression only."""
    assert len(cut_trips(read_cycle("wltc_class3b"))) == 8


def test_a_drive_that_never_stops_is_one_trip():
    (trip,) = cut_trips(Cycle("x", np.arange(50.0), np.full(50, 10.0)))
    assert trip.distance == pytest.approx(490) and not trip.whole


def test_a_drive_that_never_moves_is_refused():
    with pytest.raises(InputError, match="never moves"):
        cut_trips(Cycle("x", np.arange(50.0), np.zeros(50)))


def test_too_many_trips_are_refused(monkeypatch):
    monkeypatch.setattr(module, "MAX_TRIPS", 3)
    with pytest.raises(InputError, match="has 4 trips; at most 3"):
        cut_trips(ramps(5, 6, 7, 8))


def test_choice_finds_the_groups():
    """Two slow, two fast, two in between: one of each, and each stands for its pair."""
    trips = cut_trips(ramps(5, 20, 12, 6, 21, 13))
    chosen, shares = choose_trips(trips, 3)
    assert sorted(round(trips[i].max_speed / 7.5) for i in chosen) == [1, 2, 3]
    assert sum(shares) == pytest.approx(1.0)


def test_choice_is_the_same_every_time():
    trips = cut_trips(read_cycle("udds"))
    assert choose_trips(trips, 4) == choose_trips(trips, 4)
    everything, shares = choose_trips(trips, len(trips))
    assert everything == list(range(len(trips)))
    whole = sum(trip.duration for trip in trips)
    assert shares == pytest.approx([trip.duration / whole for trip in trips])


def test_more_than_there_are_is_refused():
    with pytest.raises(InputError, match="4 trips asked for, but only 3 of 3"):
        choose_trips(cut_trips(ramps(5, 6, 7)), 4)


@given(
    st.integers(1, 3),
    st.lists(st.tuples(st.floats(0, 9), st.floats(0, 9)), min_size=3, max_size=7),
    st.data(),
)
@settings(max_examples=100)
def test_medoids_are_near_the_best_there_are(count, points, data):
    """Against all subsets; swaps find a local optimum, seldom worse than the best."""
    weight = np.array(
        data.draw(st.lists(st.floats(1, 5), min_size=len(points), max_size=len(points)))
    )
    where = np.array(points)
    apart = np.sqrt(((where[:, None] - where[None]) ** 2).sum(axis=2))

    def cost(chosen):
        return float(weight @ apart[:, list(chosen)].min(axis=1))

    chosen = _medoids(apart, weight, count)
    best = min(map(cost, itertools.combinations(range(len(points)), count)))
    assert len(set(chosen)) == count and chosen == sorted(chosen)
    assert cost(chosen) <= 1.35 * best + 1e-9
    for place, newcomer in itertools.product(range(count), range(len(points))):
        swapped = {*chosen[:place], newcomer, *chosen[place + 1 :]}
        if len(swapped) == count:
            assert cost(swapped) >= cost(chosen) * (1 - 1e-9) - 1e-12
