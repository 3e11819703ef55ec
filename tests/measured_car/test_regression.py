"""Robust regression: exact without noise, unmoved by outliers, honest with noise that persists."""

import numpy as np
import pytest
from car_log import _correlated

from hybridopt.measured_car.regression import regress

ROWS = 6000
CLOCK = 0.1 * np.arange(ROWS)


def regressors(seed):
    random = np.random.default_rng(seed)
    return {"level": np.ones(ROWS), "slope": _correlated(random, ROWS, 1.0, 50.0)}


def test_without_noise_the_parameters_come_back():
    columns = regressors(1)
    fit = regress(columns, 3.0 * columns["level"] - 2.0 * columns["slope"], CLOCK, {})
    assert (fit["level"], fit["slope"]) == pytest.approx((3.0, -2.0), rel=1e-9)


def test_a_few_wild_rows_do_not_move_it():
    columns, random = regressors(2), np.random.default_rng(2)
    wanted = 3.0 + 2.0 * columns["slope"] + random.normal(0.0, 0.1, ROWS)
    wanted[::50] += 30.0
    fit = regress(columns, wanted, CLOCK, {})
    assert fit["slope"] == pytest.approx(2.0, abs=0.02)
    assert fit["level"] == pytest.approx(3.0, abs=0.02)


def test_intervals_hold_where_noise_persists():
    """95 % intervals; a binomial of 150 cases at 95 % is below 90 % once in 150 (closed form)."""
    held, independent = [], []
    for seed in range(75):
        columns, random = regressors(seed), np.random.default_rng(1000 + seed)
        noise = _correlated(random, ROWS, 1.0, 40.0)
        fit = regress(columns, columns["slope"] + noise, CLOCK, {})
        for name, truth in (("level", 0.0), ("slope", 1.0)):
            held.append(abs(fit[name] - truth) < fit.half_width(name))
            naive = 1.96 * np.std(noise) / np.sqrt(ROWS)
            independent.append(abs(fit[name] - truth) < naive)
    assert np.mean(held) >= 0.9
    assert np.mean(independent) < 0.5  # rows taken for independent would promise far too much


def test_a_second_sensor_undoes_the_pull_of_a_noisy_regressor():
    random = np.random.default_rng(3)
    clean = _correlated(random, ROWS, 1.0, 20.0)
    first, second = (clean + random.normal(0.0, 0.7, ROWS) for _ in range(2))
    plain = regress({"slope": first}, 2.0 * clean, CLOCK, {})
    better = regress({"slope": first}, 2.0 * clean, CLOCK, {}, {"slope": second})
    assert plain["slope"] == pytest.approx(2.0 / 1.49, rel=0.05)  # attenuation 1 / (1 + 0.7^2)
    assert better["slope"] == pytest.approx(2.0, rel=0.03)


def test_what_is_known_beforehand_goes_into_value_and_interval():
    random = np.random.default_rng(4)
    column = _correlated(random, ROWS, 1.0, 20.0)
    twin = column + random.normal(0.0, 1e-3, ROWS)
    wanted = 1.0 * column + 1.0 * twin + random.normal(0.0, 1.0, ROWS)
    fit = regress({"one": column, "two": twin}, wanted, CLOCK, {"two": (1.0, 0.25)})
    assert fit.error("one") > 0.2  # as badly known as what it cannot be told from
    assert fit["one"] == pytest.approx(1.0, abs=0.3)
