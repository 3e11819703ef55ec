"""Thresholds, breakpoints and factors of rule tables against brute force and closed forms."""

import numpy as np
import oracle
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from hybridopt import read_driveline
from hybridopt.distillation.family import SHAPE_RANGES, TableShape, at_factors
from hybridopt.distillation.fit import best_thresholds, falling, smooth
from hybridopt.distillation.split import electric_limit, split_map
from hybridopt.foresight.nodes import node_weights, nodes
from hybridopt.physics.battery import pack_battery, store_power
from hybridopt.physics.plant import pack


@examples(max_examples=200, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_threshold_loses_no_more_than_any_other(seed):
    """Every threshold between two samples is tried by brute force."""
    random = np.random.default_rng(seed)
    n = random.integers(1, 12)
    x, gain = np.round(random.uniform(0, 10, n), 1), random.uniform(-1, 1, (n, 2))
    weight = random.uniform(0, 1, (n, 3))
    found = best_thresholds(x, gain, weight)
    for node in range(3):
        for column in range(2):

            def lost(threshold, node=node, column=column):
                return np.sum(weight[:, node] * gain[:, column] * (x >= threshold))

            tried = [lost(value) for value in (-1.0, *(x + 1e-6), *(x - 1e-6), 11.0)]
            if np.unique(x).size == n:  # no threshold parts equal x
                assert lost(found[node, column]) == pytest.approx(min(tried), abs=1e-12)


def test_an_impossible_decision_is_never_chosen():
    """On impossible (infinite) above 5, off impossible below: the threshold lies between."""
    x = np.arange(10.0)
    gain = np.where(x > 5, -np.inf, np.inf)[:, None]
    assert 5.0 < best_thresholds(x, gain, np.ones((10, 1)))[0, 0] < 6.0


@examples(max_examples=100, deadline=None)
@given(st.lists(st.floats(-5, 15), min_size=1, max_size=8))
def test_weights_are_those_of_linear_interpolation(x):
    axis, values = np.array([0.0, 1.0, 4.0, 10.0]), np.array([3.0, -1.0, 2.0, 8.0])
    found = node_weights(np.array(x), axis)
    np.testing.assert_allclose(found.sum(axis=1), 1.0, rtol=1e-12)
    np.testing.assert_allclose(found @ values, np.interp(x, axis, values), atol=1e-12)


@pytest.mark.parametrize("count", [4, 8, 16])
def test_breakpoints_cover_the_data_and_hold_what_must_be_there(count):
    random = np.random.default_rng(3)
    values = random.gamma(2.0, 10.0, 500)
    found = nodes(np.append(values, 0.0), np.ones(501), count, (0.0,))
    assert found.size <= count and 0.0 in found
    assert np.all(np.diff(found) > 0.0)
    assert found[-1] == pytest.approx(values.max())


def test_store_power_closed_form():
    """U I with I from R I^2 - U I + P = 0; charging keeps the coulombic share."""
    cell = pack_battery(oracle.resistive_battery((200.0, 200.0), 1e4, (0.5, 0.4), 0.9))
    current = np.array([50.0, 0.0, -30.0])
    power = 200.0 * current - np.where(current > 0, 0.5, 0.4) * current**2
    expected = 200.0 * current * np.where(current < 0, 0.9, 1.0)
    np.testing.assert_allclose(store_power(cell, 0.5, power), expected, rtol=1e-12, atol=1e-9)
    assert np.isnan(store_power(cell, 0.5, np.array([200.0**2 / 2.0 + 1.0]))[0])


def test_split_follows_the_equivalence_factor():
    """Free stored energy is used as far as it goes, dear energy is made as far as it goes."""
    driveline = read_driveline("full")
    plant, cell = pack(driveline), pack_battery(driveline.battery)
    speed, torque, free, dear = 200.0, 60.0, 1e-9, 1e-2
    found = split_map(
        driveline, cell, 0.6, np.array([speed]), np.array([torque]), np.array([free, dear])
    )[0, 0]
    peak = np.interp(speed, plant.peak_speed, plant.peak)
    full = np.interp(speed, plant.full_speed, plant.full)
    overrun = np.interp(speed, plant.overrun_speed, plant.overrun)
    assert found[0] == pytest.approx(min(peak, torque - overrun), rel=1e-6)
    assert found[1] == pytest.approx(max(-peak, torque - full), rel=1e-6)


def test_split_falls_with_the_equivalence_factor():
    driveline = read_driveline("full")
    cell, factors = pack_battery(driveline.battery), np.geomspace(3e-5, 1.2e-4, 9)
    found = split_map(
        driveline, cell, 0.6, np.linspace(90, 500, 5), np.linspace(-50, 300, 6), factors
    )
    assert np.all(np.diff(found, axis=2) <= 1e-9)


def test_electric_limit_is_below_what_the_motor_gives():
    """Common practice, no source: a start reserve is kept."""
    driveline, speeds = read_driveline("full"), np.linspace(0.0, 600.0, 30)
    plant = pack(driveline)
    limit = electric_limit(driveline, speeds)
    assert np.all(limit <= np.interp(speeds, plant.peak_speed, plant.peak) - plant.reserve[0])
    assert np.all(electric_limit(read_driveline("micro"), speeds) == 0.0)


def test_between_two_equivalence_factors_values_are_mixed():
    factors, values = np.array([1.0, 2.0, 4.0]), np.array([[0.0, 10.0, 30.0]])
    wanted = np.array([0.5, 1.5, 3.0, 9.0])
    np.testing.assert_allclose(at_factors(values, factors, wanted)[0], [0.0, 5.0, 20.0, 30.0])


def test_thresholds_are_made_to_fall_and_pulled_to_neighbours():
    assert np.all(np.diff(falling(np.array([[3.0, 5.0, 1.0, 2.0]])), axis=1) <= 0.0)
    pulled = smooth(np.array([[0.0], [9.0], [0.0]]), np.array([1e6, 0.0, 1e6]), 20.0)
    np.testing.assert_allclose(pulled[:, 0], [0.0, 0.0, 0.0], atol=1e-3)


def test_every_shape_has_a_range_that_holds_it():
    assert tuple(SHAPE_RANGES) == TableShape._fields
    for value, (low, high) in zip(TableShape(), SHAPE_RANGES.values(), strict=True):
        assert low <= value <= high
