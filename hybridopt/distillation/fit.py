"""Thresholds that cost least: fitted to what wrong decisions cost, not to what was decided."""

import numpy as np

from ..foresight.nodes import node_weights
from .decision_costs import DecisionCosts

NEVER = 1e3  # m/s, a line that no vehicle crosses
MAX_GAIN = 2.0  # g in a step, where one decision is impossible as well


def best_thresholds(x: np.ndarray, gain: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the thresholds that make "yes from the threshold on" cheapest.

    Parameters
    ----------
    x
        What is compared with the threshold, (samples,).
    gain
        Cost of yes less cost of no, (samples, columns); infinite where one is impossible.
    weight
        Of every sample at every node, (samples, nodes).

    Returns
    -------
    ndarray, (nodes, columns)
        Between the last sample of no and the first of yes; beyond the samples where all say the
        same.

    Notes
    -----
    The total cost of a threshold is a constant plus the sum of weight times gain from there on, so
    the best of all is found by one cumulative sum over the sorted samples.
    """
    order = np.argsort(x, kind="stable")
    x, weight = x[order], weight[order]
    gain = np.clip(np.nan_to_num(gain[order], nan=0.0), -MAX_GAIN, MAX_GAIN)
    margin = 0.05 * max(float(x[-1] - x[0]), 1e-9)
    edges = np.concatenate(([x[0] - margin], 0.5 * (x[1:] + x[:-1]), [x[-1] + margin]))
    thresholds = np.empty((weight.shape[1], gain.shape[1]))
    for node in range(weight.shape[1]):
        tail = np.cumsum((weight[:, node, None] * gain)[::-1], axis=0)[::-1]
        total = np.concatenate((tail, np.zeros((1, gain.shape[1]))))
        thresholds[node] = edges[np.argmin(total, axis=0)]
    return thresholds


def engine_thresholds(
    training: DecisionCosts, steady: DecisionCosts, speeds: np.ndarray, steady_weight: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fit wheel power at which the engine starts and stops, for each speed node and factor.

    Parameters
    ----------
    training, steady
        Decision costs of the training, and of steady driving.
    speeds
        Nodes, m/s.
    steady_weight
        Weight of all steady driving over that of all of the training.

    Returns
    -------
    start, stop : ndarray, (speeds, factors)
        W at the wheels.
    visits : ndarray, (speeds,)
        s of training around each node.
    """
    both = DecisionCosts.joined([training, steady])
    weight = _sample_weight(training, steady, steady_weight)
    weight = weight[:, None] * node_weights(both.speed, speeds)
    start, stop = (best_thresholds(both.power, gain, weight) for gain in (both.start, both.stay))
    visits = training.dt @ node_weights(training.speed, speeds)
    return start, np.minimum(start, stop), visits


def _sample_weight(
    training: DecisionCosts, steady: DecisionCosts, steady_weight: float
) -> np.ndarray:
    """Weight of each sample, a second of driving counting the same within steady driving."""
    share = steady_weight * training.dt.size / steady.dt.size
    return np.concatenate((np.ones(training.dt.size), share / steady.dt))


def gear_lines(
    training: DecisionCosts, steady: DecisionCosts, torques: np.ndarray, steady_weight: float
) -> tuple[np.ndarray, np.ndarray]:
    """Fit vehicle speeds at which gears are left, for each gear, torque node and engine state.

    Returns
    -------
    up, down : ndarray, (gears, torques, 2)
        m/s, not falling with the gear; `NEVER` for up from the highest gear, and less than 0 for
        down from the lowest.

    Notes
    -----
    The gain of leaving a gear is that of the best gear above (or below) with its shift, against
    staying, so the distance between both lines follows from what shifts cost.
    """
    both = DecisionCosts.joined([training, steady])
    weight = _sample_weight(training, steady, steady_weight)[:, None]
    weight = weight * node_weights(both.torque, torques)
    gears = both.gears.shape[2]
    up, down = np.full((2, gears, torques.size, 2), NEVER)
    down[0] = -NEVER
    for state in range(2):
        cost, shift = both.gears[:, state], both.shift[:, state]
        for g in range(gears):
            if g + 1 < gears:
                gain = _gain(cost, shift, g, slice(g + 1, None))
                up[g, :, state] = best_thresholds(both.speed, gain[:, None], weight)[:, 0]
            if g > 0:
                gain = -_gain(cost, shift, g, slice(0, g))
                down[g, :, state] = best_thresholds(both.speed, gain[:, None], weight)[:, 0]
    up = np.maximum.accumulate(up, axis=0)
    down[1:] = np.minimum(np.maximum.accumulate(down[1:], axis=0), up[:-1])
    return up, down


def _gain(cost: np.ndarray, shift: np.ndarray, gear: int, others: slice) -> np.ndarray:
    """Cost of the best of some gears with its shift, less that of staying, (samples,)."""
    best = np.min(cost[:, others] + shift[:, gear, others], axis=1)
    with np.errstate(invalid="ignore"):
        return np.asarray(best - cost[:, gear])


def falling(thresholds: np.ndarray) -> np.ndarray:
    """Make thresholds fall as the equivalence factor rises: the engine then starts sooner."""
    from_left = np.minimum.accumulate(thresholds, axis=-1)
    from_right = np.maximum.accumulate(thresholds[..., ::-1], axis=-1)[..., ::-1]
    return np.asarray(0.5 * (from_left + from_right))


def smooth(thresholds: np.ndarray, visits: np.ndarray, seconds: float) -> np.ndarray:
    """Pull each node of the first axis to the mean of its neighbours, the more the fewer visits.

    A node visited for `seconds` is moved halfway.
    """
    padded = np.concatenate((thresholds[:1], thresholds, thresholds[-1:]))
    weight = np.concatenate((visits[:1], visits, visits[-1:])) + 1e-3
    shape = (-1,) + (1,) * (thresholds.ndim - 1)
    near = weight[:-2].reshape(shape) * padded[:-2] + weight[2:].reshape(shape) * padded[2:]
    near = near / (weight[:-2] + weight[2:]).reshape(shape)
    own = (visits / (visits + seconds)).reshape(shape)
    return np.asarray(own * thresholds + (1.0 - own) * near)
