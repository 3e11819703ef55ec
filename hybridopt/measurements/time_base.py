"""Channels of a log on one even time base."""

from collections.abc import Collection

import numpy as np

from .log import Samples
from .resampling import interval_means
from .word_values import WORDED

HELD = WORDED
"""Signals whose last value counts until the next; the others change linearly between two."""
FASTEST = 0.1  # s, least step of a base that nobody asked for
ROUNDED = 1e-3  # of a step, by which stamps since 1970 may be rounded
GAP = 2.5  # times the usual raster, from which on nothing was measured
AT_CHANGES = 0.05  # of the samples repeat the one before; fewer, and only changes were logged


def base_step(rasters: Collection[float], cycle_step: float) -> float:
    """Return the step of the time base: that of the cycle, divided until it suits all channels.

    Parameters
    ----------
    rasters
        s, usual distance of samples of each channel.
    cycle_step
        s.

    Returns
    -------
    float
        s, a whole part of the cycle's step, not finer than `FASTEST` unless that step is.
    """
    finest = max(min(rasters, default=cycle_step), FASTEST)
    return cycle_step / max(int(cycle_step / finest + 0.05), 1)


def usual_raster(samples: Samples) -> float:
    """Return the median distance of samples that hold a value, s; infinite without two of them."""
    known = samples.time[np.isfinite(samples.values)]
    return float(np.median(np.diff(known))) if known.size > 1 else np.inf


def on_base(samples: Samples, base: np.ndarray, held: bool, bridge: float) -> np.ndarray:
    """Return a channel at the points of a time base, NaN where nothing was measured.

    Parameters
    ----------
    samples
        In order of time.
    base
        s, even, two points or more, shape (n,).
    held
        Whether a value counts until the next; else lines join them, and samples that lie closer
        than the base are averaged from half a step before to half a step behind.
    bridge
        s, longest gap that is closed, unless the usual raster is longer.

    Returns
    -------
    array, shape (n,)
    """
    known = samples.pick(np.isfinite(samples.values))
    if not known.time.size:
        return np.full(base.size, np.nan)
    raster, step = usual_raster(known), base[1] - base[0]
    longest = max(bridge, GAP * raster) if np.isfinite(raster) else bridge
    place = np.searchsorted(known.time, base + ROUNDED * step, side="right") - 1
    before = known.time[np.maximum(place, 0)]
    after = known.time[np.minimum(place + 1, known.time.size - 1)]
    if held:
        same = np.diff(known.values) == 0.0
        logged_at_changes = same.size > 0 and same.mean() < AT_CHANGES
        values: np.ndarray = known.values[np.maximum(place, 0)]
        lost = (place < 0) | ((base - before > longest) & (not logged_at_changes))
    else:
        fine = raster < 0.6 * step
        values = _means(known, base) if fine else np.interp(base, known.time, known.values)
        outside = np.maximum(known.time[0] - base, base - known.time[-1])
        lost = (after - before > longest) & (base > before + ROUNDED * step)
        lost |= outside > max(step, min(raster, longest))
    values[lost] = np.nan
    return values


def _means(known: Samples, base: np.ndarray) -> np.ndarray:
    """Return means around the points of the base that lie within the samples' span."""
    values: np.ndarray = np.interp(base, known.time, known.values)
    inside = (base >= known.time[0]) & (base <= known.time[-1])
    if inside.sum() > 1:
        values[inside] = interval_means(known, base[inside])
    return values


def even_base(duration: float, step: float) -> np.ndarray:
    """Return points every `step` from 0 up to a duration, s; two at least."""
    base: np.ndarray = step * np.arange(max(int(duration / step + 1e-9), 1) + 1)
    return base
