"""Sensors that are refreshed less often than the log is written, and speeds in coarse steps."""

import numpy as np

from ..base.units import KM_PER_H
from .log import Journal, Samples
from .resampling import keep_distance, travelled

COARSE_STEP = 0.25 * KM_PER_H  # m/s, least step of a speed that counts as coarse
ON_STEPS = 0.99  # of the samples lie on whole steps where a speed is coarse
HELD_SHARE = 0.8  # of the large changes stand alone where a speed is held
HELD_COUNT = 5  # large changes that are needed to tell


def coarse_step(values: np.ndarray) -> float:
    """Return the step in which speeds are written, m/s, 0 where it is finer than `COARSE_STEP`."""
    known = np.unique(values[np.isfinite(values)])
    if known.size < 4:
        return 0.0
    step = float(np.median(np.diff(known)))
    places = values / max(step, 1e-9)
    on_steps = np.abs(places - np.round(places)) < 0.1
    return step if step >= COARSE_STEP and on_steps.mean() >= ON_STEPS else 0.0


def refresh_interval(speed: Samples) -> float:
    """Return how often a held speed is refreshed, s, or 0 where it is not held.

    Notes
    -----
    A change of two steps or more between neighbours (of any size where steps are fine) that has a
    row without change on either side stands alone: a vehicle that changes so fast does not stop
    doing so within a row. The interval is the median distance of such changes that follow each
    other in one direction.
    """
    change = np.diff(speed.values)
    large = np.abs(change) >= max(1.5 * coarse_step(speed.values), 1e-9)
    still = np.pad(change == 0.0, 1, constant_values=True)
    alone = large & still[:-2] & still[2:]
    if large.sum() < HELD_COUNT or alone.sum() < HELD_SHARE * large.sum():
        return 0.0
    places = np.flatnonzero(change)
    follow = large[places[:-1]] & large[places[1:]]
    follow &= change[places[:-1]] * change[places[1:]] > 0.0
    apart = np.diff(speed.time[places + 1])[follow]
    return float(np.median(apart)) if apart.size else 0.0


def one_a_refresh(speed: Samples, journal: Journal) -> Samples:
    """Keep one sample of each refresh of a held speed; other speeds are returned as they are.

    Parameters
    ----------
    speed
        m/s, 0 or more, in order of time, without blanks.
    journal
        Takes what is done.

    Returns
    -------
    Samples
        The first row of each refresh and the last row of all. A level held over several refreshes
        keeps a sample of each. Stretches between rests keep the distance of the rows.
    """
    interval = refresh_interval(speed)
    if not interval:
        return speed
    begin = np.flatnonzero(np.diff(speed.values, prepend=np.nan))
    length = np.diff(np.append(speed.time[begin], speed.time[-1]))
    count = np.maximum(np.round(length / interval), 1.0)
    parts = [np.arange(n) / n for n in count]
    wanted = np.repeat(speed.time[begin], count.astype(int))
    wanted += np.concatenate(parts) * np.repeat(length, count.astype(int))
    rows = np.searchsorted(speed.time, wanted - 1e-9)
    kept = speed.pick(np.unique(np.append(rows, speed.time.size - 1)))
    gone = np.interp(kept.time, speed.time, travelled(speed))
    text = f"speed is held and refreshed every {interval:.3g} s; one sample a refresh kept: "
    count_kept = kept.time.size
    journal.note("held", speed.time.size - count_kept, f"{text}{count_kept} of {speed.time.size}")
    return Samples(kept.time, keep_distance(kept.time, kept.values, gone))
