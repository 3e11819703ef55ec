"""A model of driving estimated from drives: counts of what followed what."""

from collections.abc import Sequence

import numpy as np
from scipy.sparse import csr_matrix

from ..base.errors import InputError
from ..inputs.cycle import Cycle
from .chain import DriveChain, scaled
from .nodes import node_weights

SPACING = 0.1  # m/s, between speeds
STANDSTILL = 0.3  # m/s, below which a drive counts as at rest
_SLOW, _FAST = (
    (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0),
    (11.0, 14.0, 17.0, 21.0, 25.0, 30.0, 35.0, 40.0),
)
SPEEDS = np.array(_SLOW + _FAST)  # m/s
_RISES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2, 1.5, 1.8, 2.2, 2.6, 3.0, 4.0)
RATES = np.array([*(-rise for rise in _RISES[:0:-1]), *_RISES])  # m/s2
POOLED = 3.0  # s, that what follows at all speeds counts where a speed is hardly visited
JERK = 0.15  # m/s2 in a second, from which acceleration counts as rising or falling
SELDOM = 1e-4  # probability of what is left out
MEMORIES = ("none", "jerk")
"""What the model may remember beside speed and acceleration: nothing, or whether the acceleration
fell, stayed or rose from the step before."""


def second_by_second(cycle: Cycle) -> np.ndarray:
    """Return speed at whole seconds, m/s, (points,); creeping counts as at rest."""
    time = cycle.time[0] + np.arange(int(cycle.duration + 1e-6) + 1.0)
    speed = np.interp(time, cycle.time, cycle.speed)
    return np.asarray(np.where(speed < STANDSTILL, 0.0, speed))


def drive_chain(
    training: Sequence[Cycle], memory: str = "none", spacing: float = SPACING
) -> DriveChain:
    """Estimate a model of driving from drives.

    Parameters
    ----------
    training
        Drives, 2 s or longer each; they are taken second by second, on a level road.
    memory
        One of :data:`MEMORIES`.
    spacing
        m/s, between speeds.

    Returns
    -------
    DriveChain
        Every state can be reached from rest, and rest from it.

    Raises
    ------
    InputError
        The memory is unknown, the spacing does not fit the accelerations, there is no drive, or
        none comes from rest to rest.

    Notes
    -----
    The next acceleration is drawn from what followed in the training at about the same speed and
    acceleration: each observed second counts at the two nearest of :data:`SPEEDS` and
    :data:`RATES`, and where there is little of it, what followed at all speeds counts too.
    Rounding to the accelerations is by chance, so that their mean stays. An acceleration that
    would go below zero speed ends at rest; a second of training that ends at rest counts as such a
    one whatever its speed was.
    """
    if memory not in MEMORIES:
        raise InputError(f"drive model: memory {memory!r} is unknown; give {' or '.join(MEMORIES)}")
    grid = np.rint(RATES / spacing).astype(np.int64)
    if not np.allclose(grid * spacing, RATES, atol=1e-9):
        raise InputError(
            f"drive model: a spacing of {spacing:g} m/s is not 0.1 m/s or a part of it"
        )
    if not training or any(cycle.duration < 2.0 for cycle in training):
        raise InputError("drive model: give one or more training drives of 2 s or longer each")
    speeds = [second_by_second(cycle) for cycle in training]
    counts = _counts(speeds, memory)
    top = int(np.ceil(max(v.max() for v in speeds) / spacing))
    return _chain(counts, grid, top, spacing)


def _trend(rate: np.ndarray, following: np.ndarray) -> np.ndarray:
    """Whether acceleration falls (0), stays (1) or rises (2)."""
    change = following - rate
    return np.asarray(1 + (change > JERK).astype(np.int64) - (change < -JERK))


def _counts(speeds: Sequence[np.ndarray], memory: str) -> np.ndarray:
    """Seconds of training, (memories, rest and speeds, accelerations, accelerations that follow).

    Speed is that between the two accelerations.
    """
    size = 3 if memory == "jerk" else 1
    counts = np.zeros((size, SPEEDS.size + 1, RATES.size, RATES.size))
    for speed in speeds:
        rate = np.diff(speed)
        m = _trend(rate[:-2], rate[1:-1]) if size > 1 else np.zeros(rate.size - 2, dtype=np.int64)
        m = np.concatenate(([size // 2], m))
        at, by_rate = _speed_weights(speed[1:-1]), node_weights(rate, RATES)
        following = by_rate[1:].copy()
        following[(speed[1:-1] > 0.0) & (speed[2:] == 0.0)] = np.eye(RATES.size)[0]  # stops
        for k in range(size):
            rows = m == k
            counts[k] += np.einsum(
                "tv,ta,tb->vab", at[rows], by_rate[:-1][rows], following[rows], optimize=True
            )
    return counts


def _speed_weights(speed: np.ndarray) -> np.ndarray:
    """Weight of each speed at rest and at :data:`SPEEDS`, (speeds, 1 + nodes)."""
    moving = (speed > 0.0)[:, None]
    return np.hstack((~moving, np.where(moving, node_weights(speed, SPEEDS), 0.0)))


def _follows(counts: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """Probability of each next acceleration, (memories, speeds, accelerations, accelerations)."""
    at = _speed_weights(speed)
    own = np.tensordot(at, counts, axes=(1, 1)).swapaxes(0, 1)
    pooled = np.stack([counts[:, 0], counts[:, 1:].sum(axis=1)], axis=1)
    for less in (pooled.sum(axis=0, keepdims=True), pooled):
        share = less / np.maximum(less.sum(axis=-1, keepdims=True), 1e-12)
        weight = POOLED * share[:, (speed > 0.0).astype(np.int64)]
        own = own + weight
        if counts.shape[0] == 1:
            break
    total = own.sum(axis=-1, keepdims=True)
    return np.asarray(np.divide(own, total, out=np.zeros_like(own), where=total > 0.0))


def _chain(counts: np.ndarray, grid: np.ndarray, top: int, spacing: float) -> DriveChain:
    """Return the chain over all speeds up to a top one; accelerations of `grid`, in spacings."""
    memories, size = counts.shape[0], grid.size
    follows = _follows(counts, spacing * np.arange(top + 1))
    follows[follows < SELDOM] = 0.0
    shape = memories, top + 1, size
    m, before, rate = (x.ravel() for x in np.indices(shape))
    after = np.maximum(before + grid[rate], 0)
    usable = after <= top
    after = np.minimum(after, top)
    state, following = np.nonzero(follows[m, after, rate] * usable[:, None])
    chance = follows[m[state], after[state], rate[state], following]
    # of all accelerations that end at rest, the mildest stands for all
    stop = np.searchsorted(grid, -after[state], side="right") - 1
    following = np.maximum(following, np.where(stop >= 0, stop, following))
    trend = np.zeros(state.size, dtype=np.int64)
    if memories > 1:
        trend = _trend(RATES[rate[state]], RATES[following])
    target = np.ravel_multi_index((trend, after[state], following), shape)
    links = csr_matrix((chance, (state, target)), shape=(m.size, m.size))
    rest = int(np.ravel_multi_index((memories // 2, 0, size // 2), shape))
    full = DriveChain(spacing, before, after, m, links, rest)
    return full.within(usable & (np.asarray(links.sum(axis=1)).ravel() > 0.0))


__all__ = ["MEMORIES", "drive_chain", "scaled", "second_by_second"]
