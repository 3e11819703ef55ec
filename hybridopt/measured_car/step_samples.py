"""Samples of a recording by the steps of its cycle: means, shares and middle values."""

import numpy as np

from ..measurements.recording import Recording

EDGE = 0.11  # s, samples that near to a step's border hold something of the step beside it
REMAIN = 0.5  # of a step, that samples further inside have to cover


class StepSamples:
    """A recording's samples, each with the step of the cycle it lies in.

    Parameters
    ----------
    recording
        The drive.

    Attributes
    ----------
    steps : how many steps the cycle has
    """

    def __init__(self, recording: Recording) -> None:
        time = recording.cycle.time
        self.steps = time.size - 1
        self._step = np.searchsorted(time, recording.time, side="right") - 1
        inside = (self._step >= 0) & (self._step < self.steps)
        self._inside = inside & _well_inside(recording.time, time, self._step)

    def mean(self, values: np.ndarray, where: np.ndarray | None = None) -> np.ndarray:
        """Return the mean of each step over its known samples, (steps,).

        Parameters
        ----------
        values
            One per sample; NaN is not known.
        where
            Only these samples, as far as a step has one of them.
        """
        whole = self._mean(values, np.isfinite(values))
        if where is None:
            return whole
        some = self._mean(values, np.isfinite(values) & where)
        return np.where(np.isnan(some), whole, some)

    def middle(self, values: np.ndarray) -> np.ndarray:
        """Return the median of each step over its known samples, (steps,)."""
        known = self._inside & np.isfinite(values)
        order = np.lexsort((values[known], self._step[known]))
        step, ranked = self._step[known][order], values[known][order]
        first = np.searchsorted(step, np.arange(self.steps))
        count = np.bincount(step, minlength=self.steps)
        found = np.full(self.steps, np.nan)
        some = count > 0
        found[some] = ranked[first[some] + (count[some] - 1) // 2]
        return found

    def spread(self, per_step: np.ndarray) -> np.ndarray:
        """Return a value of each step at all of its samples; the nearest step's outside."""
        return np.asarray(per_step[np.clip(self._step, 0, self.steps - 1)])

    def _mean(self, values: np.ndarray, known: np.ndarray) -> np.ndarray:
        known = known & self._inside
        count = np.bincount(self._step[known], minlength=self.steps)
        total = np.bincount(self._step[known], values[known], minlength=self.steps)
        none = np.full(self.steps, np.nan)
        return np.asarray(np.divide(total, count, out=none, where=count > 0))


def one_a_step(recording: Recording) -> bool:
    """Return whether a recording has one sample for each step of its cycle, in its middle."""
    border = recording.cycle.time
    return np.array_equal(recording.time, 0.5 * (border[1:] + border[:-1]))


def _well_inside(at: np.ndarray, border: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Return which samples count for their step: not those at its border, if enough remain.

    A logged value is a mean around its time, and one that was moved by a delay is interpolated.
    """
    step = np.clip(step, 0, border.size - 2)
    inner = (at - border[step] > EDGE) & (border[step + 1] - at > EDGE)
    raster = float(np.median(np.diff(at)))
    remain = np.bincount(step[inner], minlength=border.size - 1) * raster
    return np.asarray(inner | (remain < REMAIN * np.diff(border))[step])


def held(values: np.ndarray) -> np.ndarray:
    """Return values with each unknown one replaced by the last known, at the begin by the first."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return values
    at = np.searchsorted(known, np.arange(values.size), side="right") - 1
    return np.asarray(values[known[np.maximum(at, 0)]])
