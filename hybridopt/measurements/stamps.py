"""Time stamps put in order: strays, reversed logs, clock resets, jitter, repeated stamps."""

import numpy as np
import pandas as pd

from ..base.errors import InputError
from ..inputs.cycle_checks import TIME_STEP_MIN
from .log import Journal, Samples

MAX_PIECES = 1000
COARSE = 0.5  # s, ticks of a clock from which repeated stamps are rows between its ticks
MANY = 0.1  # of the stamps; fewer repeated ones are faults
STRETCH = 1.5  # times the usual distance of rows, the most that rows before a gap are apart


def order_stamps(samples: Samples, jitter: float, journal: Journal) -> list[Samples]:
    """Return the samples in order of time, one piece for each stretch without a clock reset.

    Parameters
    ----------
    samples
        As logged, one at least; stamps in s, finite.
    jitter
        How far, s, a stamp may lie behind an earlier row and still count as out of order; more
        is a reset of the clock.
    journal
        Takes what is done.

    Returns
    -------
    list of Samples
        Each with increasing stamps at least `TIME_STEP_MIN` apart.

    Raises
    ------
    InputError
        The clock jumps back more than `MAX_PIECES` times.

    Notes
    -----
    A lone stamp that lies off by more than `jitter` while its neighbours are in order is
    dropped. Stamps that repeat because the clock is coarser than the rows are spread over their
    interval (:func:`spread`); values of other repeated stamps are averaged.
    """
    if samples.time.size > 2 and samples.time[-1] < samples.time[0]:
        if (np.diff(samples.time) <= 0).all():
            samples = samples.pick(slice(None, None, -1))
            journal.note("reversed", 1, "the log runs backward; turned round")
    stray = _strays(samples.time, jitter)
    text = f"stray time stamps dropped: {{}}, the first is number {np.argmax(stray) + 1}"
    journal.note_marked("stray_stamps", stray, text)
    pieces = _split_at_resets(samples.pick(~stray), jitter)
    late = np.concatenate([np.diff(piece.time) < 0 for piece in pieces])
    text = f"backward steps of time within {jitter:g} s, sorted: {{}}"
    journal.note_marked("sorted", late, text)
    rows = [piece.pick(np.argsort(piece.time, kind="stable")) for piece in pieces]
    ordered = [_merge(spread(piece, journal)) for piece in rows]
    merged = (~stray).sum() - sum(piece.time.size for piece in ordered)
    if merged:
        text = f"repeated time stamps merged, values averaged: {merged}"
        journal.note("merged", int(merged), text)
    resets = len(pieces) - 1
    if resets:
        text = f"backward jumps of the clock by more than {jitter:g} s, log cut there: {resets}"
        journal.note("clock_resets", resets, text)
    return ordered


def spread(samples: Samples, journal: Journal) -> Samples:
    """Spread repeated stamps of a clock that is coarser than the rows over its ticks.

    Parameters
    ----------
    samples
        In order of time.
    journal
        Takes what is done.

    Returns
    -------
    Samples
        All of them, those of one stamp evenly up to the next stamp. Before the second stamp, behind
        the last and before a gap the usual distance of rows counts; the rows of the first stamp
        end where the second begins.

    Notes
    -----
    Only where the clock usually ticks every `COARSE` s or more: rows of finer stamps that repeat
    are two readings of one moment.
    """
    first = np.flatnonzero(np.diff(samples.time, prepend=-np.inf) > 0.0)
    count = np.diff(first, append=samples.time.size)
    tick = np.diff(samples.time[first])
    usual_tick = float(np.median(tick)) if tick.size else 0.0
    if usual_tick < COARSE or (count > 1).sum() < MANY * count.size:
        return samples
    usual = float(np.median(tick / count[:-1]))
    apart = np.append(np.minimum(tick / count[:-1], STRETCH * usual), usual)
    apart[0] = min(apart[0], usual)
    within = np.arange(samples.time.size) - np.repeat(first, count)
    time = samples.time + within * np.repeat(apart, count)
    time[: count[0]] += max(tick[0] - count[0] * apart[0], 0.0) if tick[0] < 2 * usual_tick else 0.0
    text = f"repeated time stamps spread over their interval, usually {usual_tick:g} s: "
    repeated = int(samples.time.size - first.size)
    journal.note("spread", repeated, f"{text}{repeated} rows now {usual:.3g} s apart")
    return Samples(time, samples.values)


def _strays(time: np.ndarray, jitter: float) -> np.ndarray:
    """Mark lone stamps whose neighbours are in order without them."""
    stray = np.zeros(time.size, dtype=bool)
    if time.size > 2:
        before, here, after = time[:-2], time[1:-1], time[2:]
        off = (here - after > jitter) | (before - here > jitter)
        stray[1:-1] = off & (after >= before)
        stray[1:-1] &= ~stray[:-2]
    return stray


def _split_at_resets(samples: Samples, jitter: float) -> list[Samples]:
    """Split samples wherever the clock falls back by more than `jitter`."""
    pieces: list[Samples] = []
    while samples.time.size:
        back = np.maximum.accumulate(samples.time) - samples.time > jitter
        stop = int(np.argmax(back)) if back.any() else samples.time.size
        pieces.append(samples.pick(slice(None, stop)))
        samples = samples.pick(slice(stop, None))
        if len(pieces) > MAX_PIECES:
            raise InputError(
                f"the clock jumps back more than {MAX_PIECES} times by more than {jitter:g} s; is "
                "this the column of time?"
            )
    return pieces


def _merge(samples: Samples) -> Samples:
    """Average the values of stamps that are closer than `TIME_STEP_MIN`."""
    fresh = np.diff(samples.time, prepend=-np.inf) >= TIME_STEP_MIN
    if fresh.all():
        return samples
    # stamps that creep on by less than the step are cut by the distance to their group's first
    group = np.floor((samples.time - samples.time[0]) / TIME_STEP_MIN)
    fresh |= np.diff(group, prepend=0.0) > 1
    return Samples(
        samples.time[fresh], pd.Series(samples.values).groupby(fresh.cumsum()).mean().to_numpy()
    )
