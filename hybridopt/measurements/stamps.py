"""Time stamps put in order: strays, reversed logs, clock resets, jitter, repeated stamps."""

import numpy as np

from ..base.errors import InputError
from ..inputs.cycle_checks import TIME_STEP_MIN
from .log import Intervention, Samples

MAX_RUNS = 1000


def order_stamps(samples: Samples, jitter: float) -> tuple[list[Samples], list[Intervention]]:
    """Return the samples in order of time, one piece for each run of the clock.

    Parameters
    ----------
    samples
        As logged; stamps in s, finite.
    jitter
        How far, s, a stamp may lie behind an earlier row and still count as out of order; more
        is a reset of the clock.

    Returns
    -------
    runs : list of Samples
        Each with increasing stamps at least `TIME_STEP_MIN` apart.
    done : list of Intervention

    Raises
    ------
    InputError
        The clock jumps back more than `MAX_RUNS` times.

    Notes
    -----
    A lone stamp that lies off by more than `jitter` while its neighbours are in order is
    dropped. Values of repeated stamps are averaged.
    """
    done = []
    if samples.time.size > 2 and samples.time[-1] < samples.time[0]:
        if (np.diff(samples.time) <= 0).all():
            samples = samples.pick(slice(None, None, -1))
            done.append(Intervention("reversed", 1, "the log runs backward; turned round"))
    stray = _strays(samples.time, jitter)
    if stray.any():
        text = (
            f"stray time stamps dropped: {stray.sum()}, the first is number {np.argmax(stray) + 1}"
        )
        done.append(Intervention("stray_stamps", int(stray.sum()), text))
        samples = samples.pick(~stray)
    runs, late, merged = [], 0, 0
    for first, stop in _clock_runs(samples.time, jitter):
        run = samples.pick(slice(first, stop))
        late += int((np.diff(run.time) < 0).sum())
        run = _merge(run.pick(np.argsort(run.time, kind="stable")))
        merged += stop - first - run.time.size
        runs.append(run)
    if late:
        text = f"backward steps of time within {jitter:g} s, sorted: {late}"
        done.append(Intervention("sorted", late, text))
    if merged:
        text = f"repeated time stamps merged, values averaged: {merged}"
        done.append(Intervention("merged", merged, text))
    if len(runs) > 1:
        text = (
            f"backward jumps of the clock by more than {jitter:g} s, log cut there: {len(runs) - 1}"
        )
        done.append(Intervention("clock_resets", len(runs) - 1, text))
    return runs, done


def _strays(time: np.ndarray, jitter: float) -> np.ndarray:
    """Mark lone stamps whose neighbours are in order without them."""
    stray = np.zeros(time.size, dtype=bool)
    if time.size > 2:
        before, here, after = time[:-2], time[1:-1], time[2:]
        off = (here - after > jitter) | (before - here > jitter)
        stray[1:-1] = off & (after >= before)
        stray[1:-1] &= ~stray[:-2]
    return stray


def _clock_runs(time: np.ndarray, jitter: float) -> list[tuple[int, int]]:
    """Return first and one-past-last index of each stretch without a reset of the clock."""
    runs, first = [], 0
    while first < time.size:
        piece = time[first:]
        back = np.maximum.accumulate(piece) - piece > jitter
        stop = first + int(np.argmax(back)) if back.any() else time.size
        runs.append((first, stop))
        first = stop
        if len(runs) > MAX_RUNS:
            raise InputError(
                f"the clock jumps back more than {MAX_RUNS} times by more than {jitter:g} s; is "
                "this the column of time?"
            )
    return runs


def _merge(samples: Samples) -> Samples:
    """Average the values of stamps that are closer than `TIME_STEP_MIN`."""
    fresh = np.concatenate(([True], np.diff(samples.time) >= TIME_STEP_MIN))
    if fresh.all():
        return samples
    # stamps that creep on by less than the step are cut by the distance to their group's first
    group = np.floor((samples.time - samples.time[0]) / TIME_STEP_MIN)
    fresh |= np.concatenate(([True], np.diff(group) > 1))
    starts = np.flatnonzero(fresh)
    known = np.isfinite(samples.values)
    total = np.add.reduceat(np.where(known, samples.values, 0.0), starts)
    count = np.add.reduceat(known.astype(np.float64), starts)
    mean = np.where(count > 0, total / np.maximum(count, 1.0), np.nan)
    return Samples(samples.time[starts], mean)
