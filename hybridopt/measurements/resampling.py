"""Resampling that keeps distance and energy, and a low-pass that keeps the phase."""

import math

import numpy as np
from scipy.interpolate import make_lsq_spline
from scipy.ndimage import gaussian_filter1d

from ..base.intervals import intervals
from .log import Samples
from .tractive_energy import tractive_energy

FINEST = 0.01  # s, raster of the low-pass
REACH = 5.0  # standard deviations of the kernel
MAX_POINTS = 5_000_000
HALVINGS = 12
GAUSS = 0.5 - 0.5 / math.sqrt(3.0)  # share of an interval before the first point of Gauss's rule


def time_grid(first: float, last: float, step: float) -> np.ndarray:
    """Return points every `step` s from `first` on; the last one is `last`.

    The last step is 0.5 to 1.5 times as long as the others, unless it is the only one.
    """
    whole = max(math.floor((last - first) / step + 1e-9), 1)
    grid = first + step * np.arange(whole + 1)
    rest = last - grid[-1]
    if rest >= 0.5 * step:
        return np.append(grid, last)
    grid[-1] = last
    return grid


def project(samples: Samples, grid: np.ndarray) -> np.ndarray:
    """Return the points whose polyline over `grid` is nearest to the polyline of the samples.

    Parameters
    ----------
    samples
        Speeds (or anything) that change linearly between time stamps.
    grid
        Increasing times, s, shape (n,), within the samples' span.

    Returns
    -------
    array, shape (n,)

    Notes
    -----
    Least squares over time. Between neighbours of stamps and grid together both polylines are
    straight, so Gauss's rule of two points gives the integral of their squared difference
    exactly, and a weighted fit of a spline of degree 1 to those points minimises it. The
    integral of the result is exactly that of the samples (a constant is one of the polylines):
    distance is kept.
    """
    edges = np.union1d(samples.time, grid)
    edges = edges[(edges >= grid[0]) & (edges <= grid[-1])]
    width = np.diff(edges)
    places = np.column_stack((edges[:-1] + GAUSS * width, edges[1:] - GAUSS * width)).ravel()
    knots = np.concatenate((grid[:1], grid, grid[-1:]))
    values = np.interp(places, samples.time, samples.values)
    weights = np.repeat(np.sqrt(width), 2)
    points: np.ndarray = make_lsq_spline(places, values, knots, 1, weights, method="norm-eq").c
    return points


def interval_means(samples: Samples, grid: np.ndarray) -> np.ndarray:
    """Return the mean around each point of `grid`, from half a step before to half a step after.

    The polyline through the means has the integral of the samples: distance is kept.
    """
    edges = np.concatenate((grid[:1], 0.5 * (grid[1:] + grid[:-1]), grid[-1:]))
    every = np.union1d(samples.time, edges)
    total = travelled(Samples(every, np.interp(every, samples.time, samples.values)))
    means: np.ndarray = np.diff(np.interp(edges, every, total)) / np.diff(edges)
    return means


def low_pass(samples: Samples, bandwidth: float) -> Samples:
    """Return the samples on an even raster without what is faster than `bandwidth` (Hz).

    Parameters
    ----------
    samples
        In order of time.
    bandwidth
        Frequency at which the gain has fallen to 1 / sqrt(2).

    Notes
    -----
    Gain 1 - (1 - g)^2 with the Gaussian g(f) = exp(-(2 π f σ)^2 / 2), σ = 1.2484 / (2 π f_b):
    no phase shift, flat where drives have their energy (cubic trends pass unchanged). The ends
    are continued point-symmetrically. Smoothing the residual once more is Tukey's "twicing"
    (*Exploratory Data Analysis*, Addison-Wesley, 1977).
    """
    span = samples.time[-1] - samples.time[0]
    raster = max(float(np.median(np.diff(samples.time))), FINEST, span / MAX_POINTS)
    count = max(int(round(span / raster)), 1)
    grid = np.linspace(samples.time[0], samples.time[-1], count + 1)
    even = grid.size == samples.time.size and np.allclose(grid, samples.time, 0.0, 1e-3 * raster)
    values = samples.values if even else project(samples, grid)
    sigma = 1.2484 / (2.0 * math.pi * bandwidth) / (grid[1] - grid[0])
    return Samples(grid, smooth_evenly(values, sigma))


def smooth_evenly(values: np.ndarray, sigma: float) -> np.ndarray:
    """Smooth even samples with a Gaussian of `sigma` samples, then their residual once more."""
    once = _gauss(values, sigma)
    twice: np.ndarray = once + _gauss(values - once, sigma)
    return twice


def _gauss(values: np.ndarray, sigma: float) -> np.ndarray:
    """Smooth with a Gaussian of `sigma` samples, ends continued point-symmetrically."""
    reach = min(math.ceil(REACH * sigma), values.size - 1)
    padded = np.pad(values, reach, mode="reflect", reflect_type="odd")
    smooth: np.ndarray = gaussian_filter1d(padded, sigma, radius=reach)
    return smooth[reach : reach + values.size]


def resample_speed(rough: Samples, smooth: Samples, step: float, still: float = 0.0) -> Samples:
    """Resample a speed, keeping its distance and the energy it takes.

    Parameters
    ----------
    rough
        The cleaned speed, m/s; it says where the vehicle rests and how far it goes.
    smooth
        The speed to resample, of the same span.
    step
        s.
    still
        m/s; points slower than this are 0.

    Returns
    -------
    Samples
        Speeds of 0 or more. A point whose surroundings, a step either way, are at rest is 0;
        every stretch between two rests keeps its distance.

    Notes
    -----
    A mixture of :func:`project` and :func:`interval_means`. For a swing of angular frequency ω
    the first has the gain 1 + (ω h)^2 / 12 at the points, the second 1 - (ω h)^2 / 24, and a
    polyline over points that lie by chance misses the tops of swings by (ω h)^2 / 24 in the
    mean. So one part of means in three gives back what is missed; the share is then set between
    0 and 1 so that the positive tractive energy of :data:`.tractive_energy.CAR` stays the same.
    """
    grid = time_grid(float(rough.time[0]), float(rough.time[-1]), step)
    sharp, blunt = project(smooth, grid), interval_means(smooth, grid)
    blunt[[0, -1]] = sharp[[0, -1]]  # half an interval's mean is no speed at its end
    gone = np.interp(grid, rough.time, travelled(rough))
    wanted = tractive_energy(smooth.time, smooth.values)

    def mixture(share: float) -> np.ndarray:
        values = sharp + share * (blunt - sharp)
        return keep_distance(grid, np.where(values > still, values, 0.0), gone)

    low, high, share = 0.0, 1.0, 1.0 / 3.0
    for _ in range(HALVINGS):
        if tractive_energy(grid, mixture(share)) > wanted:
            low = share
        else:
            high = share
        share = 0.5 * (low + high)
    return Samples(grid, mixture(share))


def keep_distance(grid: np.ndarray, values: np.ndarray, gone: np.ndarray) -> np.ndarray:
    """Set points at rest to 0 and scale each stretch between rests to the distance `gone`, m."""
    ahead, behind = np.append(gone[1:], gone[-1]), np.append(gone[0], gone[:-1])
    moving = ahead - behind > 0.0
    kept = np.where(moving, values, 0.0)
    weight = np.gradient(grid, edge_order=1)
    weight[[0, -1]] *= 0.5
    for first, stop in intervals(moving):
        wanted = gone[min(stop, gone.size - 1)] - gone[max(first - 1, 0)]
        got = weight[first:stop] @ kept[first:stop]
        kept[first:stop] *= wanted / got if got > 0.0 else 0.0
    return kept


def travelled(samples: Samples) -> np.ndarray:
    """Return the distance from the start at each sample, m."""
    steps = 0.5 * (samples.values[1:] + samples.values[:-1]) * np.diff(samples.time)
    return np.concatenate(([0.0], np.cumsum(steps)))
