"""Logs of 1 and 2 Hz: steps, moments and means known in closed form."""

from types import SimpleNamespace

import numpy as np
from scipy.ndimage import uniform_filter1d

from hybridopt import read_driveline
from hybridopt.measured_car.engine_moments import borders_between, engine_moments
from hybridopt.measured_car.unmixing import polyline_windows, unmixed, windows

FULL = read_driveline("full")
FINE = 0.001  # s


def means(time, half, function):
    """Return the means of a function over windows, by a sum over many places."""
    places = half * np.linspace(-0.9999, 0.9999, 2001)
    return np.array([np.mean(function(at + places)) for at in time])


def test_windows_and_polylines_are_integrated():
    """Against a sum over 2,001 places, and the area under the polyline."""
    border = np.array([0.0, 1.3, 2.0, 2.9, 4.2, 5.0])
    time, values = np.arange(1.0, 4.5), np.array([3.0, -1.0, 4.0, 1.0, 5.0])
    stairs = means(time, 0.5, lambda at: values[np.searchsorted(border, at, side="right") - 1])
    np.testing.assert_allclose(windows(time, 0.5, border) @ values, stairs, atol=0.005)
    points = np.array([0.0, 2.0, 1.0, 5.0, 4.0, 0.0])
    line = means(time, 0.5, lambda at: np.interp(at, border, points))
    np.testing.assert_allclose(polyline_windows(time, 0.5, border) @ points, line, atol=0.005)


def test_steps_come_back_from_means_that_lie_across_them():
    """Half a step off, where each sample is the mean of two steps, with an engine that is off."""
    random, border = np.random.default_rng(1), np.arange(0.0, 101.0)
    on = np.arange(100) % 10 >= 4
    true = np.where(on, random.uniform(50.0, 150.0, 100), 0.0)
    share = windows(np.arange(1.0, 100.0), 0.5, border)
    np.testing.assert_allclose(share.toarray()[0, :3], [0.5, 0.5, 0.0])
    found, cost = unmixed(share, share @ true, 0.1, 100.0, on[1:] == on[:-1], on)
    np.testing.assert_allclose(found, true, atol=1.0)
    late = windows(np.arange(1.0, 100.0) - 0.2, 0.5, border)
    worse = unmixed(late, share @ true, 0.1, 100.0, on[1:] == on[:-1], on)[1]
    assert worse > 2.0 * cost  # so that the least cost tells a delay


def test_moments_of_the_engine_are_told_within_a_sample():
    """It runs from 20 k + 5.37 to 20 k + 12.81 s: the mean of a sample shows the part of it."""
    at = FINE * (np.arange(round(100.0 / FINE)) + 0.5)
    speed = 150.0 * ((at % 20.0 > 5.37) & (at % 20.0 < 12.81))
    time = np.arange(1.0, 99.0)
    shown = np.interp(time, at, uniform_filter1d(speed, round(1.0 / FINE)))
    channels = {"speed": np.full(time.size, 20.0), "engine_speed": shown}
    moments = engine_moments(SimpleNamespace(time=time, step=1.0, channels=channels), FULL)
    assert not moments.before and moments.starts.tolist() == [True, False] * 5
    np.testing.assert_allclose(moments.time[::2] % 20.0, 5.37, atol=0.01)
    np.testing.assert_allclose(moments.time[1::2] % 20.0, 12.81, atol=0.01)
    border = borders_between(1.0, 98.0, moments.time, 1.0)
    assert all(np.min(np.abs(border - one)) < 1e-9 for one in moments.time)
    assert 0.9 < np.diff(border).min() and np.diff(border).max() < 1.1
