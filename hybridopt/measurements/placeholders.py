"""Values that stand for none, such as 65535 or -999: far beyond all others, and always the same."""

import numpy as np

MOST = 3  # such values on either side
REPEATED = 2  # samples, a lone one may be a reading
LEVELS = 10  # that the others take, fewer do not tell how far a channel goes
BEYOND = 1.5  # times the largest other magnitude
SHARE = 0.5  # of the samples, more are the channel's own
EMPTY = 0.05  # least state of charge beside 0 from which on no battery falls to 0 at once
SKIPPED = 5  # gears above the highest of those without a gap, from which on a number is a code


def placeholders(values: np.ndarray, largest: float) -> np.ndarray:
    """Return the values of a channel that stand for no reading.

    Parameters
    ----------
    values
        As logged, in SI, (n,); NaN is none.
    largest
        The largest magnitude that a car can have; above it few other values are enough.

    Returns
    -------
    array
        Up to `MOST` on either side, each repeated to the last digit, farther from the others than
        these span and beyond `BEYOND` times their magnitude: a channel that is continuous reaches
        no such value without others between.
    """
    levels, counts = np.unique(values[np.isfinite(values)], return_counts=True)
    found = [
        one
        for order in (slice(None), slice(None, None, -1))
        for one in _beyond(levels[order], counts[order], largest)
    ]
    return np.array(found)


def lost_charge(values: np.ndarray) -> np.ndarray:
    """Return 0 where a state of charge falls to it at once, as when a control unit sleeps."""
    levels, counts = np.unique(values[np.isfinite(values)], return_counts=True)
    lost = levels.size > 1 and levels[0] == 0.0 and levels[1] > EMPTY and counts[0] >= REPEATED
    return levels[: int(lost)]


def _beyond(levels: np.ndarray, counts: np.ndarray, largest: float) -> np.ndarray:
    """Return the last of the levels that stand for no reading."""
    for count in range(min(MOST, levels.size - 2), 0, -1):
        rest, far = levels[:-count], levels[-count:]
        size, span = float(np.abs(rest).max()), float(np.ptp(rest))
        apart = abs(float(far[0] - rest[-1])) > span and abs(float(far[0])) > BEYOND * size
        told = rest.size >= LEVELS or float(np.abs(far).min()) > largest
        often = counts[-count:].min() >= REPEATED and counts[-count:].sum() < SHARE * counts.sum()
        if apart and told and often and size > 0.0:
            return far
    return levels[:0]


def gear_codes(values: np.ndarray) -> np.ndarray:
    """Return the gears of a log that are codes, such as 15: no car skips the gears below them."""
    levels = np.unique(values[np.isfinite(values) & (values >= 0.0)])
    wide = np.flatnonzero(np.diff(levels) >= SKIPPED)
    return levels[wide[0] + 1 :] if wide.size and levels[wide[0]] >= 1.0 else levels[:0]
